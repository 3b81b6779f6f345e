"""Comparing two fits, and how much of the variation a fit explains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from outcomes.errors import ArgumentError, ModelError
from outcomes.results import Claim

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["Comparison", "compare", "explained_table", "intraclass_table"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Comparison(Claim):
    """A likelihood ratio test of two nested fits.

    Attributes
    ----------
    statistic : float
        Twice the difference of the log-likelihoods.
    df : float
        Difference in the number of parameters.
    p_value : float
        From chi-square on `df`, or from a mixture where `method` says so.
    aic_difference, bic_difference : float
        Larger model minus smaller; negative where the larger model is better.
    method : str
        What the p-value was read from.
    notes : tuple of str
        What a careful reader must know.
    """

    statistic: float
    df: float
    p_value: float
    aic_difference: float
    bic_difference: float
    method: str
    notes: tuple[str, ...] = ()


def compare(fit: MixedModelFit, other: MixedModelFit) -> Comparison:
    """Compare; see `MixedModelFit.compare`."""
    small, large = sorted((fit, other), key=lambda one: one.n_parameters)
    faults = []
    if small.method != large.method:
        faults.append("both fits must use the same method (REML or ML)")
    if small.n_rows != large.n_rows or not np.array_equal(small.design.y, large.design.y):
        faults.append("both fits must use the same rows and outcome")
    same_fixed = _same_span(small, large)
    if small.method == "REML" and not same_fixed:
        faults.append(
            "REML likelihoods of different fixed parts cannot be compared; fit both with "
            "method='ML'"
        )
    if small.n_parameters == large.n_parameters:
        faults.append("one fit must have more parameters than the other")
    if faults:
        raise ArgumentError("; ".join(faults) + ".")
    statistic = 2.0 * (large.log_likelihood - small.log_likelihood)
    df = large.n_parameters - small.n_parameters
    if statistic < -1e-6 * max(1.0, abs(small.log_likelihood)) ** 0.5:
        raise ModelError(
            "the fits must be nested: the one with more parameters has the smaller likelihood."
        )
    statistic = max(statistic, 0.0)
    p, method, notes = float(special.chdtrc(df, statistic)), f"chi-square on {df} df", []
    if same_fixed:
        added = _added_variances(small, large)
        if added == 1:
            below = float(special.chdtrc(df - 1, statistic)) if df > 1 else float(statistic <= 0)
            p = 0.5 * p + 0.5 * below
            method = f"equal mixture of chi-square on {df - 1} and {df} df (Stram & Lee 1994)"
        elif added > 1:
            notes.append(
                "Several variances are tested at their boundary at once; the chi-square p-value "
                "is too large. Use a parametric bootstrap for a sharper one."
            )
    return Comparison(
        statistic=statistic,
        df=float(df),
        p_value=min(p, 1.0),
        aic_difference=large.aic - small.aic,
        bic_difference=large.bic - small.bic,
        method=method,
        notes=tuple(notes),
    )


def _same_span(a: MixedModelFit, b: MixedModelFit) -> bool:
    if (
        len(a.design.x) != len(b.design.x)
        or a.n_rows != b.n_rows
        or a.choices.weights != b.choices.weights
    ):
        return False
    if a.design.x_names == b.design.x_names:
        return True
    x = np.column_stack(a.design.x) @ a.work.inverse
    other = np.column_stack(b.design.x) @ b.work.inverse
    rest = other - x @ (x.T @ other) / x.shape[0]
    return bool(np.sqrt(np.mean(rest**2)) < 1e-6)


def _added_variances(small: MixedModelFit, large: MixedModelFit) -> int:
    """Count the variances of the larger fit that are zero in the smaller."""

    def count(fit: MixedModelFit) -> int:
        return sum(len(level.terms) for level in fit.design.levels) + (
            fit.choices.residual == "autoregressive"
        )

    return count(large) - count(small)


def explained_table(fit: MixedModelFit) -> pd.DataFrame:
    """Build the table of `MixedModelFit.explained`."""
    x = np.column_stack(fit.design.x)
    fixed = float(np.var(x @ fit.coefficients))
    random = _random_variance(fit)
    residual = _residual_variance(fit)
    total = fixed + sum(random.values()) + residual
    rows = [
        ("marginal_r2", fixed / total, "Nakagawa & Schielzeth 2013; Johnson 2014 for slopes"),
        (
            "conditional_r2",
            (fixed + sum(random.values())) / total,
            "Nakagawa & Schielzeth 2013; Johnson 2014 for slopes",
        ),
    ]
    return pd.DataFrame(rows, columns=["quantity", "estimate", "method"])


def intraclass_table(fit: MixedModelFit) -> pd.DataFrame:
    """Build the table of `MixedModelFit.intraclass_correlation`."""
    random = _random_variance(fit)
    total = sum(random.values()) + _residual_variance(fit)
    rows, within = [], 0.0
    for level in reversed(fit.design.levels):  # outermost first
        within += random[level.name]
        how = "share of variance given the fixed part"
        if len(level.terms) > 1:
            how += ", averaged over the rows (it changes along a random slope)"
        rows.append((level.name, within / total, how))
    return pd.DataFrame(rows, columns=["level", "estimate", "method"])


def _random_variance(fit: MixedModelFit) -> dict[str, float]:
    """Mean of z'Gz over rows, per level."""
    out = {}
    for level in fit.design.levels:
        z = np.column_stack(level.z)
        g = fit.random_covariances[level.name].to_numpy()
        out[level.name] = float(np.sum((z.T @ z / z.shape[0]) * g))
    return out


def _residual_variance(fit: MixedModelFit) -> float:
    from outcomes.statistics.mixed_model.dense import residual_scale

    return float(np.mean(residual_scale(fit) ** 2))
