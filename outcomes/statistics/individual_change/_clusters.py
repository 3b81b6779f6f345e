"""Intervals for anything computed from many clients who each give several numbers.

Notation: ``theta`` the statistic, ``theta_i`` without client i, ``n`` clients. Delete-one-client
jackknife: SE^2 = (n - 1) / n sum (theta_i - mean theta_i)^2; t interval on n - 1 df.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import stdtr, stdtrit

__all__ = ["jackknife_row", "sums_by_client"]


def sums_by_client(client: np.ndarray, terms: np.ndarray) -> np.ndarray:
    """Sum the rows of every client (0, 1, ...): clients x terms."""
    sums = np.zeros((int(client.max()) + 1, terms.shape[1]))
    np.add.at(sums, client, terms)
    return sums


def jackknife_row(
    sums: np.ndarray, statistic: Callable[[np.ndarray], np.ndarray], confidence: float
) -> dict[str, float]:
    """Give estimate, standard error, interval, df and p-value of a function of totals.

    Parameters
    ----------
    sums : array, clients x terms
        Each client's contribution to the totals.
    statistic : function
        Of totals along the last axis; works on many rows at once.
    confidence : float
        Level of the interval.
    """
    total = sums.sum(axis=0)
    n = len(sums)
    estimate = float(statistic(total))
    left_out = statistic(total - sums)
    error = float(np.sqrt((n - 1) / n * np.sum((left_out - left_out.mean()) ** 2)))
    half = float(stdtrit(n - 1, 1 - (1 - confidence) / 2)) * error
    return {
        "estimate": estimate,
        "standard_error": error,
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "ci_level": confidence,
        "df": n - 1,
        "p_value": float(2 * stdtr(n - 1, -abs(estimate) / error)) if error > 0 else float("nan"),
        "n": n,
    }
