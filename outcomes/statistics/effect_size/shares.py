"""Shares of clients: how many improved, changed detectably or got worse, with honest intervals.

Notation: ``x`` count, ``n`` clients, ``p = x / n``, ``z`` normal quantile of the level.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import betaincinv, ndtri

from outcomes.errors import (
    ArgumentError,
    check_between,
    check_choice,
    check_columns,
    check_count,
)
from outcomes.results import Estimate

__all__ = [
    "number_needed",
    "share",
    "share_difference",
    "share_interval",
    "verdict_shares",
]

_METHODS = {
    "wilson": "share; Wilson score interval",
    "clopper_pearson": "share; Clopper-Pearson (exact) interval",
}


def share_interval(
    count: Any, n: Any, *, method: str = "wilson", confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Interval of one share or of many at once, as two arrays (low, high).

    The rule for arguments is that of `share`; arrays are taken element by element.
    """
    check_choice("method", method, _METHODS)
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    x, total = np.broadcast_arrays(np.asarray(count, float), np.asarray(n, float))
    whole = (x == np.floor(x)) & (total == np.floor(total))
    if not np.all(whole & (x >= 0) & (total >= 1) & (x <= total)):
        raise ArgumentError(
            "count and n must be whole numbers with 0 <= count <= n and n >= 1. "
            "Count the clients again."
        )
    return _wilson(x, total, confidence) if method == "wilson" else _exact(x, total, confidence)


def _wilson(x: np.ndarray, n: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    z = ndtri(1 - (1 - confidence) / 2)
    centre = (x + z**2 / 2) / (n + z**2)
    half = z / (n + z**2) * np.sqrt(x * (n - x) / n + z**2 / 4)
    return np.where(x == 0, 0.0, centre - half), np.where(x == n, 1.0, centre + half)


def _exact(x: np.ndarray, n: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    tail = (1 - confidence) / 2
    low = np.where(x == 0, 0.0, betaincinv(np.maximum(x, 1), n - x + 1, tail))
    high = np.where(x == n, 1.0, betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail))
    return low, high


def share(
    count: int, n: int, *, method: str = "wilson", confidence: float = 0.95, measure: str = ""
) -> Estimate:
    """Give the share of clients for whom something holds, with its interval.

    Use for any yes/no outcome counted over clients. Do not use when some clients count twice.

    Parameters
    ----------
    count : int
        Clients for whom it holds, 0 to `n`.
    n : int
        Clients looked at, at least 1.
    method : ``"wilson"`` or ``"clopper_pearson"``
        Wilson's score interval covers the stated level on average; Clopper-Pearson's never covers
        less and is wider.
    confidence : float
        Level in (0, 1).
    measure : str
        Carried into the result.

    Returns
    -------
    Estimate
        The share, unit ``"share"``.

    Raises
    ------
    ArgumentError
        If the counts are not whole or `count` exceeds `n`.

    Notes
    -----
    Wilson: (x + z^2/2 +- z sqrt(x (n - x) / n + z^2/4)) / (n + z^2).

    References
    ----------
    Newcombe (1998) Stat Med 17:857-872,
    doi:10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E.

    Examples
    --------
    >>> result = share(81, 263)
    >>> print(f"{result.estimate:.4f} ({result.ci_low:.4f} to {result.ci_high:.4f})")
    0.3080 (0.2553 to 0.3662)

    Checked against: table I of Newcombe 1998.
    """
    n, count = check_count("n", n), check_count("count", count, least=0)
    low, high = share_interval(count, n, method=method, confidence=confidence)
    return Estimate(
        measure=measure,
        estimate=count / n,
        ci_low=float(low),
        ci_high=float(high),
        ci_level=confidence,
        unit="share",
        n=n,
        method=_METHODS[method],
    )


def share_difference(
    count: int, n: int, other_count: int, other_n: int, *, confidence: float = 0.95
) -> Estimate:
    """Give the difference between the shares of two separate groups of clients.

    Use for this quarter against last, or one clinic against another. Do not use for the same
    clients counted twice.

    Parameters
    ----------
    count, n : int
        Cases and clients of the first group.
    other_count, other_n : int
        Cases and clients of the second.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    Estimate
        First share minus second; `n` is all clients of both groups.

    Raises
    ------
    ArgumentError
        As `share`.

    Notes
    -----
    Method 10: the Wilson limits l, u of each share are joined,
    d - sqrt((p1 - l1)^2 + (u2 - p2)^2) and d + sqrt((u1 - p1)^2 + (p2 - l2)^2).

    References
    ----------
    Newcombe (1998) Stat Med 17:873-890,
    doi:10.1002/(SICI)1097-0258(19980430)17:8<873::AID-SIM779>3.0.CO;2-I.

    Examples
    --------
    >>> result = share_difference(56, 70, 48, 80)
    >>> print(f"{result.estimate:.2f} ({result.ci_low:.4f} to {result.ci_high:.4f})")
    0.20 (0.0524 to 0.3339)

    Checked against: table II of Newcombe 1998.
    """
    first = share(count, n, confidence=confidence)
    second = share(other_count, other_n, confidence=confidence)
    p, q = first.estimate, second.estimate
    return Estimate(
        estimate=p - q,
        ci_low=p - q - np.hypot(p - first.ci_low, second.ci_high - q),
        ci_high=p - q + np.hypot(first.ci_high - p, q - second.ci_low),
        ci_level=confidence,
        unit="share",
        n=n + other_n,
        method="difference of two shares; Newcombe's hybrid score interval (method 10)",
    )


def number_needed(
    count: int, n: int, other_count: int, other_n: int, *, confidence: float = 0.95
) -> Estimate:
    """Give how many clients must be treated for one more to do well than in the comparison group.

    Use only with a comparison group that was formed fairly. A caseload without one has no number
    needed.

    Parameters
    ----------
    count, n, other_count, other_n, confidence
        As `share_difference`; the second group is the comparison.

    Returns
    -------
    Estimate
        1 / (difference of shares). Where the interval of the difference spans zero, the ends are
        those of a set that runs through infinity, and a note says so.

    Raises
    ------
    ArgumentError
        As `share`, or if the shares are equal.

    References
    ----------
    Altman (1998) BMJ 317:1309-1312, doi:10.1136/bmj.317.7168.1309.

    Examples
    --------
    >>> round(number_needed(56, 70, 48, 80).estimate, 1)
    5.0
    """
    difference = share_difference(count, n, other_count, other_n, confidence=confidence)
    if difference.estimate == 0:
        raise ArgumentError(
            "the two shares must differ for a number needed. Report share_difference instead."
        )
    low, high = difference.ci_low, difference.ci_high
    notes: tuple[str, ...] = ()
    if low < 0 < high:
        notes = (
            f"The interval runs through infinity: from {1 / high:.3g} treated for one more to do "
            f"well, to {-1 / low:.3g} treated for one more to do badly; no effect is among them.",
        )
    with np.errstate(divide="ignore"):
        ends = np.divide(1.0, [high, low])
    return Estimate(
        estimate=1 / difference.estimate,
        ci_low=float(ends[0]),
        ci_high=float(ends[1]),
        ci_level=confidence,
        unit="clients",
        n=difference.n,
        method="inverse of the difference of shares; inverted hybrid score interval",
        notes=notes,
    )


def verdict_shares(
    judged: pd.DataFrame, *, method: str = "wilson", confidence: float = 0.95
) -> pd.DataFrame:
    """Give, per measure, the shares of clients who improved importantly, detectably, or worsened.

    Use under every table of verdicts. Clients whose measure has no defensible important change are
    left out of the important share, and `n` shows it.

    Parameters
    ----------
    judged : DataFrame
        What `judge_change` gave: `detectable`, `important`, `worsened`, `improvement`; `measure`
        where there are several.
    method, confidence
        As `share`.

    Returns
    -------
    DataFrame
        Rows per measure: ``improved detectably``, ``improved importantly`` (reaches the line),
        ``improved detectably and importantly``, ``worsened detectably``; columns `measure`,
        `quantity`, `count`, `n`, `share`, `ci_low`, `ci_high`, `ci_level`, `method`.

    Raises
    ------
    DataError
        If a column is absent.

    Examples
    --------
    >>> from outcomes.statistics.individual_change import judge_change
    >>> pairs = pd.DataFrame({"start_value": [50.0, 50, 50], "latest_value": [62.0, 51, 40]})
    >>> rows = verdict_shares(judge_change(pairs, standard_error_of_measurement=3.0))
    >>> rows.set_index("quantity")["count"].to_dict()
    {'improved detectably': 1, 'worsened detectably': 1}
    """
    check_columns(judged, ["detectable", "important", "worsened", "improvement"])
    names = (
        judged["measure"].to_numpy() if "measure" in judged.columns else np.full(len(judged), "")
    )
    up = judged["detectable"] & ~judged["worsened"]
    tests = {
        "improved detectably": up,
        "improved importantly": judged["important"],
        "improved detectably and importantly": (up & judged["important"]).mask(
            judged["detectable"].isna() | judged["important"].isna()
        ),
        "worsened detectably": judged["worsened"],
    }
    counts = pd.concat(
        [_count_true(held, names, quantity, i) for i, (quantity, held) in enumerate(tests.items())]
    ).sort_values(["order", "rank"], kind="stable")
    low, high = share_interval(counts["count"], counts["n"], method=method, confidence=confidence)
    return (
        counts.drop(columns=["order", "rank"])
        .assign(
            share=counts["count"] / counts["n"],
            ci_low=low,
            ci_high=high,
            ci_level=confidence,
            method=_METHODS[method],
        )
        .reset_index(drop=True)
    )


def _count_true(held: pd.Series, names: np.ndarray, quantity: str, rank: int) -> pd.DataFrame:
    """Count, per measure in its order of appearance, the clients judged and those who pass."""
    order, measures = pd.factorize(names)
    known = held.notna().to_numpy(bool)
    passed = held.fillna(False).to_numpy(bool)
    n = np.bincount(order[known], minlength=len(measures))
    count = np.bincount(order[passed], minlength=len(measures))
    rows = pd.DataFrame(
        {"measure": measures, "quantity": quantity, "count": count, "n": n, "rank": rank}
    )
    return rows.assign(order=range(len(rows))).loc[rows["n"] > 0]
