"""Contrasts of neighbouring visits: from their squares to an error with its interval.

Notation
--------
contrast   (-a, 1, -b) on three neighbouring values of a series, or (-1, 1) on two; free of any
           straight course (or of no course)
place      position of the middle (or later) visit in its series
df         independent contrasts that the overlapping ones are worth
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import chi2

__all__ = ["independent_contrasts", "pooled_error", "without_mean_bend"]


def independent_contrasts(
    series: np.ndarray, place: np.ndarray, a: np.ndarray, b: np.ndarray
) -> float:
    """Count independent contrasts (-a, 1, -b) that are worth as much as these overlapping ones.

    N^2 over the sum of squared correlations: neighbours share two visits, the next but one share
    one.
    """
    length = np.sqrt(1 + a**2 + b**2)
    total = float(len(series))
    for lag in (1, 2):
        if len(series) <= lag:
            continue
        near = (series[lag:] == series[:-lag]) & (place[lag:] - place[:-lag] == lag)
        shared = a[1:] + b[:-1] if lag == 1 else a[2:] * b[:-2]
        total += 2 * float(((shared / (length[lag:] * length[:-lag])) ** 2)[near].sum())
    return len(series) ** 2 / total


def without_mean_bend(left: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Take off the mean at each place in the series, where five or more clients stand there.

    Courses bend most at the start, and much alike; what is left is scaled for the mean taken off.
    """
    count = np.bincount(place)
    mean = np.bincount(place, left) / np.maximum(count, 1)
    enough = count[place] >= 5
    scale = np.sqrt(count[place] / np.maximum(count[place] - 1, 1))
    return np.where(enough, (left - mean[place]) * scale, left)


def pooled_error(
    squares: np.ndarray, df: float, client: np.ndarray, level: float
) -> dict[str, Any] | None:
    """Root of the mean square, with a chi-square interval on the independent contrasts.

    Where clients differ more in their squares than such contrasts would, fewer are counted.
    """
    code = np.asarray(pd.factorize(client)[0])
    n = int(code.max()) + 1
    if n < 3 or df < 2:
        return None
    mean = float(squares.mean())
    by_client = np.bincount(code, squares - mean)
    spread = float((by_client**2).sum()) * n / (n - 1) / len(squares) ** 2
    if spread > 0 and mean > 0:
        df = max(min(df, 2 * mean**2 / spread), 2.0)
    low, high = (float(chi2.ppf(q, df)) for q in ((1 - level) / 2, (1 + level) / 2))
    return {
        "quantity": "standard error of measurement of one visit's value",
        "estimate": float(np.sqrt(mean)),
        "ci_low": float(np.sqrt(mean * df / high)),
        "ci_high": float(np.sqrt(mean * df / low)),
        "n": n,
    }
