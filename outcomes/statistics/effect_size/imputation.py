"""Rubin's rules: one answer from several completed sets of data.

Notation: ``q_k, u_k`` estimate and variance from set k of ``m``; ``W`` mean of u, ``B`` variance of
q, ``T = W + (1 + 1/m) B``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from outcomes.errors import ArgumentError
from outcomes.results import Claim

__all__ = ["Pooled", "pool_imputations"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Pooled(Claim):
    """Pooled estimate, standard error, degrees of freedom, and share of information missing."""

    estimate: float
    standard_error: float
    df: float
    share_missing_information: float


def pool_imputations(estimates: Any, variances: Any, *, complete_df: float = np.inf) -> Pooled:
    """Pool the estimates of several imputed sets.

    Use after multiple imputation, whatever made the sets.

    Parameters
    ----------
    estimates, variances : array-like
        One per set, at least 2; variances >= 0.
    complete_df : float
        Degrees of freedom if nothing were missing, > 0.

    Returns
    -------
    Pooled

    Raises
    ------
    ArgumentError
        If there are fewer than 2 sets, lengths differ, or a variance is negative.

    Notes
    -----
    l = (1 + 1/m) B / T; df_old = (m - 1) / l^2; df_obs = (v + 1) / (v + 3) v (1 - l), v the
    complete df; df = 1 / (1 / df_old + 1 / df_obs). Share of information missing:
    (l' + 2 / (df + 3)) / (l' + 1), l' = l / (1 - l).

    References
    ----------
    Rubin (1987) Multiple imputation for nonresponse in surveys, Wiley. Barnard & Rubin (1999)
    Biometrika 86:948-955, doi:10.1093/biomet/86.4.948.

    Examples
    --------
    >>> pooled = pool_imputations([10.0, 12.0, 11.0], [1.0, 1.2, 1.1], complete_df=40)
    >>> print(round(pooled.estimate, 2), round(pooled.standard_error, 3))
    11.0 1.56

    Checked against: R's mice::pool.scalar formulas, recomputed in the tests.
    """
    q, u = np.asarray(estimates, float), np.asarray(variances, float)
    if q.ndim != 1 or q.shape != u.shape or q.size < 2 or not np.all(u >= 0):
        raise ArgumentError(
            "estimates and variances must be at least 2 each, alike in length, and no variance "
            "below zero. Give one of each per imputed set."
        )
    m = q.size
    within, between = float(u.mean()), float(q.var(ddof=1))
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total if total > 0 else 0.0
    share = share if share > 1e-12 else 0.0  # sets that differ in the last bit are alike
    old = (m - 1) / share**2 if share > 0 else np.inf
    if np.isinf(complete_df):
        df = old
    else:
        observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
        df = 1 / (1 / old + 1 / observed) if share < 1 else old
    ratio = share / (1 - share) if share < 1 else np.inf
    missing = (ratio + 2 / (df + 3)) / (ratio + 1) if np.isfinite(ratio) else 1.0
    return Pooled(
        estimate=float(q.mean()),
        standard_error=float(np.sqrt(total)),
        df=float(df),
        share_missing_information=float(missing if share > 0 else 0.0),
    )
