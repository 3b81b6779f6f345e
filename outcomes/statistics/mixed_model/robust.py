"""Cluster-robust standard errors of the fixed part (CR2) with Satterthwaite degrees of freedom.

Bell & McCaffrey 2002, Survey Methodology 28:169, in the form of Pustejovsky & Tipton 2018,
J Bus Econ Stat 36:672. With W_i = V_i^-1, M = (sum X'WX)^-1, D_i the upper Cholesky factor of V_i:

    A_i = D_i' B_i^(-1/2) D_i,  B_i = D_i (V_i - X_i M X_i') D_i',
    V_CR2 = M sum_i X_i'W_i A_i e_i e_i' A_i' W_i X_i M.

The fitted V is the working covariance, so that the estimator is exact where the model is right and
consistent in the number of groups where it is wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import ModelError
from outcomes.statistics.mixed_model.dense import (
    batches,
    covariance_of_rows,
    outermost_codes,
    residual_scale,
)

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["robust_table"]


def robust_table(fit: MixedModelFit) -> pd.DataFrame:
    """Build the table of `MixedModelFit.robust`."""
    design = fit.design
    codes, n_groups = outermost_codes(fit)
    p = len(design.x)
    if n_groups <= p:
        raise ModelError(
            f"robust standard errors need more groups ({n_groups}) than fixed coefficients ({p}). "
            f"Use the model-based ones."
        )
    x = np.column_stack(design.x)
    residual = design.y - x @ fit.coefficients
    back = np.linalg.inv(fit.work.r)
    m = fit.work.scale**2 * back @ fit.small_sample.phi @ back.T
    scale = residual_scale(fit)
    meat = np.zeros((p, p))
    # For the df: group i's weights on y, A_i'W_i X_i m, through V to those of every other group:
    # G_ij = h_i' (V_i d_ij - X_i m X_j') h_j for each coefficient.
    own = np.zeros((p, n_groups))
    through = np.zeros((n_groups, p, p))
    for which, rows in batches(codes):
        v = covariance_of_rows(fit, rows, scale)
        xi = x[rows]
        xt = np.swapaxes(xi, 1, 2)
        d = np.swapaxes(np.linalg.cholesky(v), 1, 2)
        dt = np.swapaxes(d, 1, 2)
        b = d @ (v - xi @ m @ xt) @ dt
        values, vectors = np.linalg.eigh((b + np.swapaxes(b, 1, 2)) / 2.0)
        good = values > 1e-10 * values.max(axis=1, keepdims=True)
        power = np.where(good, 1.0 / np.sqrt(np.where(good, values, 1.0)), 0.0)
        half = (vectors * power[:, None, :]) @ np.swapaxes(vectors, 1, 2)
        h = dt @ half @ d @ np.linalg.solve(v, xi) @ m  # (c, size, p)
        score = np.einsum("csp,cs->cp", h, residual[rows])
        meat += score.T @ score
        own[:, which] = np.einsum("csp,cst,ctp->pc", h, v, h)
        through[which] = np.einsum("csp,csk->cpk", h, xi)
    df = np.empty(p)
    for j in range(p):
        a = through[:, j, :]
        root = np.linalg.cholesky(m)
        inner = (a @ root).T @ (a @ root)  # sum_ij (a_i m a_j')^2 = |inner|^2
        between = np.einsum("ik,kl,il->i", a, m, a)
        diagonal = own[j] - between
        total = diagonal.sum()
        squares = float(np.sum(inner**2)) - float(np.sum(between**2)) + float(np.sum(diagonal**2))
        df[j] = total**2 / squares
    error = np.sqrt(np.diagonal(meat))
    statistic = fit.coefficients / error
    half_width = special.stdtrit(df, 0.5 + fit.ci_level / 2.0) * error
    return pd.DataFrame(
        {
            "term": list(design.x_names),
            "estimate": fit.coefficients,
            "standard_error": error,
            "df": df,
            "statistic": statistic,
            "p_value": 2.0 * special.stdtr(df, -np.abs(statistic)),
            "ci_low": fit.coefficients - half_width,
            "ci_high": fit.coefficients + half_width,
            "ci_level": fit.ci_level,
        }
    )
