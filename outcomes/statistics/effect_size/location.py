"""Typical change that a few unusual clients cannot move: trimmed mean, median, Hodges-Lehmann.

Notation: ``d_(i)`` ordered improvements, ``n`` clients, ``g`` clients trimmed at each end.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import bdtr, stdtrit

from outcomes.errors import DataError, check_between
from outcomes.statistics.effect_size._order import kth_walsh_average, signed_rank_quantile
from outcomes.statistics.individual_change._rows import improvements

__all__ = ["hodges_lehmann", "median_interval", "typical_change"]


def typical_change(
    pairs: pd.DataFrame, *, better: Any = None, confidence: float = 0.95, trim: float = 0.2
) -> pd.DataFrame:
    """Give the typical improvement in four ways, from the most efficient to the most robust.

    Use when the mean and the median disagree: that shows that few clients carry the result. Do not
    choose among them after seeing which looks best.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; at least 6 rows.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).
    trim : float
        Share trimmed at each end for the trimmed mean, in (0, 0.5).

    Returns
    -------
    DataFrame
        Rows ``mean``, ``trimmed mean``, ``Hodges-Lehmann``, ``median``; columns `quantity`,
        `question`, `estimate`, `ci_low`, `ci_high`, `ci_level`, `n`, `method`, `source`.

    Raises
    ------
    DataError
        If values are missing or there are fewer than 6 clients.

    Notes
    -----
    Trimmed mean: t interval on n - 2g - 1 degrees of freedom, winsorised SD / ((1 - 2 trim)
    sqrt(n)). Hodges-Lehmann: median of all (d_i + d_j) / 2, i <= j, ends by the signed-rank
    distribution (exact up to 50 clients). Median: interpolated order statistics.

    References
    ----------
    Tukey & McLaughlin (1963) Sankhya A 25:331-352. Hodges & Lehmann (1963) Ann Math Stat
    34:598-611, doi:10.1214/aoms/1177704172. Hettmansperger & Sheather (1986) Stat Probab Lett
    4:75-79, doi:10.1016/0167-7152(86)90021-0.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": 50.0, "latest_value": [54.0, 56, 57, 59, 60, 61, 90]})
    >>> rows = typical_change(pairs).set_index("quantity")
    >>> rows["estimate"].round(1).to_dict()
    {'mean': 12.4, 'trimmed mean': 8.6, 'Hodges-Lehmann': 8.8, 'median': 9.0}

    Checked against: R's wilcox.test (exact interval), scipy.stats.trim_mean; simulated coverage.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_between("trim", trim, 0, 0.5, remedy="Give 0.2")
    _, _, gain = improvements(pairs, better=better)
    n = gain.size
    if n < 6:
        raise DataError(
            f"a typical change must rest on at least 6 clients, got {n}. Show every client."
        )
    t_high = 1 - (1 - confidence) / 2
    mean_half = stdtrit(n - 1, t_high) * gain.std(ddof=1) / np.sqrt(n)
    trimmed, trimmed_half = _trimmed_mean(gain, trim, t_high)
    rows = [
        (
            "mean",
            "How much did the clients improve on average?",
            float(gain.mean()),
            gain.mean() - mean_half,
            gain.mean() + mean_half,
            "mean; t interval",
            "Student 1908, Biometrika 6:1",
        ),
        (
            "trimmed mean",
            f"How much did the middle {1 - 2 * trim:.0%} of clients improve on average?",
            trimmed,
            trimmed - trimmed_half,
            trimmed + trimmed_half,
            f"{trim:.0%} trimmed mean; t interval from the winsorised SD",
            "Tukey & McLaughlin 1963, Sankhya A 25:331",
        ),
        (
            "Hodges-Lehmann",
            "What improvement would make gains and losses around it balance?",
            *hodges_lehmann(gain, confidence=confidence),
            "Hodges-Lehmann estimate; signed-rank interval",
            "Hodges & Lehmann 1963, Ann Math Stat 34:598",
        ),
        (
            "median",
            "What improvement did half of the clients reach?",
            float(np.median(gain)),
            *median_interval(gain, confidence=confidence),
            "median; interpolated order-statistic interval",
            "Hettmansperger & Sheather 1986, Stat Probab Lett 4:75",
        ),
    ]
    names = ["quantity", "question", "estimate", "ci_low", "ci_high", "method", "source"]
    frame = pd.DataFrame(rows, columns=pd.Index(names))
    frame.insert(5, "ci_level", confidence)
    frame.insert(6, "n", n)
    return frame


def _trimmed_mean(gain: np.ndarray, trim: float, level: float) -> tuple[float, float]:
    ordered = np.sort(gain)
    n = ordered.size
    cut = int(trim * n)
    middle = ordered[cut : n - cut]
    winsorised = np.clip(ordered, middle[0], middle[-1])
    error = winsorised.std(ddof=1) / ((1 - 2 * trim) * np.sqrt(n))
    return float(middle.mean()), float(stdtrit(n - 2 * cut - 1, level) * error)


def hodges_lehmann(values: np.ndarray, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Give the Hodges-Lehmann centre of numbers with the ends of its signed-rank interval."""
    pairs = values.size * (values.size + 1) // 2
    centre = np.mean(
        [kth_walsh_average(values, (pairs + 1) // 2), kth_walsh_average(values, pairs // 2 + 1)]
    )
    k = max(signed_rank_quantile((1 - confidence) / 2, values.size), 1)
    return float(centre), kth_walsh_average(values, k), kth_walsh_average(values, pairs + 1 - k)


def median_interval(values: np.ndarray, *, confidence: float = 0.95) -> tuple[float, float]:
    """Give the ends of the interval of a median, interpolated between order statistics.

    Between the widest pair (d_(k+1), d_(n-k)) that covers too little and (d_(k), d_(n-k+1)) that
    covers enough, the ends are moved by the weight of Hettmansperger and Sheather. With too few
    numbers for the level, the extremes are given.
    """
    ordered = np.sort(values)
    n = ordered.size
    k = np.arange(1, (n + 1) // 2)
    covers = 1 - 2 * bdtr(k - 1, n, 0.5)  # by (d_(k), d_(n-k+1))
    enough = k[covers >= confidence]
    if enough.size == 0:
        return float(ordered[0]), float(ordered[-1])
    k0 = int(enough[-1])
    wide, narrow = (1 - 2 * bdtr(j - 1, n, 0.5) for j in (k0, k0 + 1))
    part = (wide - confidence) / (wide - narrow)
    weight = (n - k0) * part / (k0 + (n - 2 * k0) * part)
    low = (1 - weight) * ordered[k0 - 1] + weight * ordered[k0]
    high = (1 - weight) * ordered[n - k0] + weight * ordered[n - k0 - 1]
    return float(low), float(high)
