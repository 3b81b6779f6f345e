"""Quarter against quarter: one difference with its interval, never two p-values.

A client seen in both quarters counts in both, and the interval knows it: errors may be correlated
within a client (see `robust`). For shares the two quarters are taken as separate clients, which
makes the interval a little too wide where many are the same.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_between, check_columns, check_count, rows_must
from outcomes.statistics.effect_size import share_difference
from outcomes.statistics.service.casemix import DEFAULT_ADJUSTMENT, case_mix
from outcomes.statistics.service.quarters import earlier_quarter
from outcomes.statistics.service.robust import least_squares, t_interval

__all__ = ["compare_quarters", "compare_shares"]

_AGAINST = {"last quarter": 1, "same quarter a year ago": 4}
_COLUMNS = [
    "measure", "question", "quarter", "other_quarter", "n", "other_n", "mean", "other_mean",
    "adjusted", "estimate", "standard_error", "df", "ci_low", "ci_high", "ci_level", "method",
    "notes",
]  # fmt: skip


def compare_quarters(
    rows: pd.DataFrame,
    *,
    quarter: str,
    adjust_for: Sequence[str] = DEFAULT_ADJUSTMENT,
    level: float = 0.95,
    least: int = 5,
) -> pd.DataFrame:
    """Say by how much the mean improvement differs from last quarter and from a year ago.

    Use for a measure whose instrument and threshold did not change between the quarters. Do not
    read a difference as caused by anything the clinic did: see `interrupted_series`.

    Parameters
    ----------
    rows : DataFrame
        One row per episode, measure and quarter: client, quarter, measure, improvement, and the
        columns to adjust for. An episode seen in two quarters has two rows.
    quarter : str
        The quarter reviewed.
    adjust_for : sequence of str
        Columns; those of the usual set that are not recorded are left out and named. Empty for
        the plain difference.
    level : float
        Level of the interval, in (0, 1).
    least : int
        Clients that each quarter must have; at least 3.

    Returns
    -------
    DataFrame
        Two rows per measure (``"last quarter"``, ``"same quarter a year ago"``), the plain one
        (adjusted false) and, where anything is adjusted for, the adjusted: question, quarter,
        other_quarter, n, other_n, mean, other_mean (as observed), estimate (this minus other),
        standard_error, df, ci_low, ci_high, ci_level, method, notes. A comparison without enough
        clients has empty numbers and says so in notes.

    Raises
    ------
    DataError
        If improvement is not a finite number somewhere, or columns are missing.

    Notes
    -----
    Least squares on the rows of both quarters with CR2 standard errors by client and Bell &
    McCaffrey degrees of freedom; without adjustment and overlap this is Welch's comparison.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": [*"abcdefghij"], "measure": "ndi"})
    >>> rows["quarter"] = ["2026Q1"] * 5 + ["2026Q2"] * 5
    >>> rows["improvement"] = [4.0, 6, 8, 5, 7, 9, 12, 10, 8, 11]
    >>> found = compare_quarters(rows, quarter="2026Q2", adjust_for=())
    >>> found.loc[0, ["estimate", "ci_low"]].astype(float).round(2).tolist()
    [4.0, 1.69]

    Checked against: scipy's Welch test and statsmodels HC2 (test_service_comparison).
    """
    check_columns(rows, ["client", "quarter", "measure", "improvement"], thing="the rows")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    least = check_count("least", least, least=3)
    wrong = ~np.isfinite(rows["improvement"].to_numpy(float))
    if wrong.any():
        raise rows_must("improvement", "be a finite number", wrong, "Leave these rows out")
    found = []
    for measure, own in rows.groupby("measure", sort=False):
        for question, by in _AGAINST.items():
            other = earlier_quarter(quarter, by=by)
            pair = own[own["quarter"].isin([quarter, other])]
            for adjust in [(), tuple(adjust_for)] if adjust_for else [()]:
                row = _difference(pair, quarter, other, adjust, level, least)
                found.append({"measure": measure, "question": question, **row})
    return pd.DataFrame(found, columns=_COLUMNS)


def compare_shares(counts: pd.DataFrame, *, quarter: str, level: float = 0.95) -> pd.DataFrame:
    """Say by how much a share differs from last quarter and from a year ago.

    Parameters
    ----------
    counts : DataFrame
        One row per measure and quarter: measure, quarter, count, n.
    quarter : str
        The quarter reviewed; it must have a row for each measure.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    DataFrame
        As for `compare_quarters` (mean is the share); empty numbers where the other quarter has
        no clients.

    Raises
    ------
    ArgumentError
        If the quarter has no clients.

    Notes
    -----
    Newcombe's score interval for a difference of shares (method 10).

    Examples
    --------
    >>> counts = pd.DataFrame(
    ...     {"measure": "ndi", "quarter": ["2026Q1", "2026Q2"], "count": [48, 56], "n": [80, 70]}
    ... )
    >>> found = compare_shares(counts, quarter="2026Q2")
    >>> found.loc[0, ["estimate", "ci_low", "ci_high"]].astype(float).round(4).tolist()
    [0.2, 0.0524, 0.3339]

    Checked against: Newcombe 1998, Stat Med 17:873 (the example above).
    """
    check_columns(counts, ["measure", "quarter", "count", "n"], thing="the counts")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    found = []
    for measure, own in counts.groupby("measure", sort=False):
        table = own.set_index("quarter")[["count", "n"]]
        if quarter not in table.index or table.loc[quarter, "n"] == 0:
            raise ArgumentError(f"quarter must have clients to compare, got {quarter!r}.")
        now = table.loc[quarter]
        for question, by in _AGAINST.items():
            other = earlier_quarter(quarter, by=by)
            row = _empty(quarter, other, level)
            row |= {"measure": measure, "question": question, "n": int(now["n"])}
            row["mean"] = now["count"] / now["n"]
            if other in table.index and table.loc[other, "n"] > 0:
                then = table.loc[other]
                gap = share_difference(
                    int(now["count"]),
                    int(now["n"]),
                    int(then["count"]),
                    int(then["n"]),
                    confidence=level,
                )
                row |= {
                    "other_n": int(then["n"]),
                    "other_mean": then["count"] / then["n"],
                    "estimate": gap.estimate,
                    "ci_low": gap.ci_low,
                    "ci_high": gap.ci_high,
                    "method": gap.method,
                    "notes": "",
                }
            else:
                row["notes"] = f"No clients in {other}."
            found.append(row)
    return pd.DataFrame(found, columns=_COLUMNS)


def _difference(
    pair: pd.DataFrame, quarter: str, other: str, adjust: tuple[str, ...], level: float, least: int
) -> dict[str, object]:
    row = _empty(quarter, other, level) | {"adjusted": bool(adjust)}
    now = (pair["quarter"] == quarter).to_numpy(bool)
    row["n"], row["other_n"] = int(now.sum()), int((~now).sum())
    for name, part in (("mean", now), ("other_mean", ~now)):
        row[name] = float(pair.loc[part, "improvement"].mean()) if part.any() else np.nan
    mix = case_mix(pair, adjust_for=adjust) if now.any() and (~now).any() else None
    if mix is not None:
        now = now[mix.kept]
    if mix is None or min(now.sum(), (~now).sum()) < least:
        row["notes"] = f"Fewer than {least} clients in one of the quarters."
        return row
    design = np.column_stack([np.ones(now.size), now, mix.design])
    used = pair[mix.kept]
    fit = least_squares(design, used["improvement"].to_numpy(float), used["client"].to_numpy())
    estimate, error, df = fit.contrast(np.eye(design.shape[1])[1])
    low, high = t_interval(estimate, error, df, level)
    adjusted = f", adjusted for {', '.join(mix.terms)}" if mix.terms else ""
    return row | {
        "estimate": estimate,
        "standard_error": error,
        "df": df,
        "ci_low": low,
        "ci_high": high,
        "method": f"difference of means{adjusted}; t interval, clients as clusters (CR2)",
        "notes": " ".join(mix.notes),
    }


def _empty(quarter: str, other: str, level: float) -> dict[str, object]:
    numbers = dict.fromkeys(
        ["mean", "other_mean", "estimate", "standard_error", "df", "ci_low", "ci_high"], np.nan
    )
    words = {"quarter": quarter, "other_quarter": other, "method": "", "notes": ""}
    return {**numbers, **words, "n": 0, "other_n": 0, "adjusted": False, "ci_level": level}
