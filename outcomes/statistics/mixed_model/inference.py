"""Tables and tests of the fixed part."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from outcomes.errors import ArgumentError
from outcomes.statistics.mixed_model.degrees_of_freedom import Test

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = [
    "coefficient_table",
    "contrast_df",
    "contrast_table",
    "contrasts_by_name",
    "joint_test",
    "t_quantile",
    "term_table",
]

Array = NDArray[np.float64]


def t_quantile(df: Array, ci_level: float) -> Array:
    """Two-sided quantile of t; the normal one where df is infinite."""
    upper = 0.5 + ci_level / 2.0
    df = np.asarray(df, dtype=float)
    out = np.full(df.shape, special.ndtri(upper))
    finite = np.isfinite(df)
    out[finite] = special.stdtrit(df[finite], upper)
    return out


def _two_sided(statistic: Array, df: Array) -> Array:
    out = 2.0 * special.ndtr(-np.abs(statistic))
    finite = np.isfinite(df)
    out[finite] = 2.0 * special.stdtr(df[finite], -np.abs(statistic[finite]))
    return out


def contrast_df(fit: MixedModelFit, contrast: Array) -> tuple[float, bool]:
    """Degrees of freedom of one contrast of the working coefficients, and if they are reliable."""
    small = fit.small_sample
    if fit.degrees_of_freedom == "normal":
        return np.inf, True
    leans = small.leans_on(contrast) if fit.boundary else []
    if fit.uses_kenward_roger:
        return small.kenward_roger(contrast[None])[0], not leans
    df = small.satterthwaite_df(contrast)
    if fit.degrees_of_freedom == "small_sample":
        df = min([df, *(fit.df_caps[i] for i in leans)])
    return float(df), not leans


def contrast_table(fit: MixedModelFit, names: list[str], contrasts: Array) -> pd.DataFrame:
    """One t test per row of `contrasts` (coefficients in the units of the data)."""
    working = contrasts @ fit.work.inverse
    estimate = contrasts @ fit.coefficients
    error = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, fit.covariance, contrasts))
    judged = [contrast_df(fit, row) for row in working]
    df = np.array([df for df, _ in judged])
    statistic = estimate / error
    half = t_quantile(df, fit.ci_level) * error
    return pd.DataFrame(
        {
            "term": names,
            "estimate": estimate,
            "standard_error": error,
            "df": df,
            "df_reliable": [reliable for _, reliable in judged],
            "statistic": statistic,
            "p_value": _two_sided(statistic, df),
            "ci_low": estimate - half,
            "ci_high": estimate + half,
            "ci_level": fit.ci_level,
        }
    )


def coefficient_table(fit: MixedModelFit) -> pd.DataFrame:
    """Test every column of the fixed part."""
    names = list(fit.design.x_names)
    return contrast_table(fit, names, np.eye(len(names)))


def term_table(fit: MixedModelFit) -> pd.DataFrame:
    """F test of every term of the formula; see `MixedModelFit.term_tests`."""
    rows = []
    identity = np.eye(len(fit.design.x_names))
    for term, columns in fit.design.x_spec.term_indices.items():
        if not columns:
            continue
        test = joint_test(fit, identity[list(columns)])
        name = "Intercept" if str(term) == "1" else str(term)
        rows.append((name, test.statistic, test.df1, test.df2, test.p_value))
    return pd.DataFrame(rows, columns=["term", "statistic", "df1", "df2", "p_value"])


def contrasts_by_name(
    fit: MixedModelFit, contrasts: Mapping[str, Mapping[str, float]], *, joint: bool
) -> pd.DataFrame:
    """Test combinations of coefficients; see `MixedModelFit.contrast`."""
    names = list(fit.design.x_names)
    unknown = sorted({term for one in contrasts.values() for term in one if term not in names})
    if unknown or not contrasts:
        raise ArgumentError(
            f"contrasts must give weights of terms of the fit, got {', '.join(unknown) or 'none'}. "
            f"The terms are {', '.join(names)}."
        )
    matrix = np.zeros((len(contrasts), len(names)))
    for row, one in zip(matrix, contrasts.values(), strict=True):
        for term, weight in one.items():
            row[names.index(term)] = weight
    if (np.abs(matrix).sum(axis=1) == 0).any():
        raise ArgumentError("every contrast must have a weight that is not zero.")
    if not joint:
        return contrast_table(fit, list(contrasts), matrix)
    if np.linalg.matrix_rank(matrix) < len(matrix):
        raise ArgumentError("contrasts tested jointly must not repeat each other.")
    test = joint_test(fit, matrix)
    return pd.DataFrame(
        [(test.statistic, test.df1, test.df2, test.p_value)],
        columns=["statistic", "df1", "df2", "p_value"],
    )


def joint_test(fit: MixedModelFit, contrasts: Array) -> Test:
    """F test of several contrasts at once."""
    small = fit.small_sample
    estimate = contrasts @ fit.coefficients
    covariance = contrasts @ fit.covariance @ contrasts.T
    q = contrasts.shape[0]
    f = float(estimate @ np.linalg.solve(covariance, estimate)) / q
    working = contrasts @ fit.work.inverse
    df, scale = np.inf, 1.0
    if fit.uses_kenward_roger:
        df, scale = small.kenward_roger(working)
    elif fit.degrees_of_freedom != "normal":
        _, vectors = np.linalg.eigh(working @ small.phi @ working.T)
        nu = np.array([contrast_df(fit, v)[0] for v in (vectors.T @ working)])
        if q == 1:
            df = float(nu[0])
        else:
            above = nu[nu > 2.0]
            total = float(np.sum(np.where(np.isinf(above), 1.0, above / (above - 2.0))))
            df = 2.0 * total / (total - q) if total > q else (np.inf if total == q else 2.0)
    f *= scale
    if np.isfinite(df):
        p = float(special.fdtrc(q, df, f))
    else:
        p = float(special.chdtrc(q, q * f))
    return Test(f, float(q), float(df), p)
