"""Parametric bootstrap: new outcomes from the fitted model, fitted again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ArgumentError, ModelError, check_count
from outcomes.statistics.mixed_model.comparison import Comparison
from outcomes.statistics.mixed_model.dense import (
    batches,
    covariance_of_rows,
    outermost_codes,
    residual_scale,
)
from outcomes.statistics.mixed_model.residual_structure import Autoregressive

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["bootstrap", "bootstrap_comparison", "simulate"]

Array = NDArray[np.float64]


def simulate(fit: MixedModelFit, rng: np.random.Generator) -> Array:
    """Draw one new outcome for every row of the fit."""
    design = fit.design
    y = np.column_stack(design.x) @ fit.coefficients
    for level in design.levels:
        values, vectors = np.linalg.eigh(fit.random_covariances[level.name].to_numpy())
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        u = root @ rng.standard_normal((len(level.terms), level.n_groups))
        for column, effect in zip(level.z, u, strict=True):
            y = y + column * effect[level.codes]
    scale = residual_scale(fit)
    if not isinstance(fit.small_sample.criterion.structure, Autoregressive):
        return y + scale * rng.standard_normal(y.size)
    bare = replace(fit, design=replace(design, levels=()))
    for _, rows in batches(outermost_codes(bare)[0]):
        root = np.linalg.cholesky(covariance_of_rows(bare, rows, scale))
        noise = root @ rng.standard_normal((*rows.shape, 1))
        y[rows] += noise[:, :, 0]
    return y


def bootstrap(
    fit: MixedModelFit,
    *,
    replicates: int,
    rng: np.random.Generator,
    progress: Callable[[int, int], None] | None,
) -> pd.DataFrame:
    """Refit simulated outcomes; see `MixedModelFit.bootstrap`."""
    from outcomes.statistics.mixed_model.fit import fit_design

    check_count("replicates", replicates, least=2)
    tables, failed = [], 0
    for i in range(replicates):
        design = replace(fit.design, y=simulate(fit, rng))
        try:
            again = fit_design(design, replace(fit.choices, degrees_of_freedom="normal"))
        except ModelError:
            failed += 1
            continue
        tables.append(_row(again))
        if progress is not None:
            progress(i + 1, replicates)
    if failed > replicates // 10:
        raise ModelError(
            f"at least nine of ten simulated data sets must be fitted; {failed} of {replicates} "
            f"were not. Simplify the random part."
        )
    values = np.array(tables)
    first = _row(fit)
    tail = (1.0 - fit.ci_level) / 2.0
    low, high = np.quantile(values, [tail, 1.0 - tail], axis=0)
    frame = _labels(fit)
    frame["estimate"] = first
    frame["standard_error"] = values.std(axis=0, ddof=1)
    frame["bias"] = values.mean(axis=0) - first
    frame["ci_low"], frame["ci_high"] = low, high
    frame["ci_level"] = fit.ci_level
    frame["n_replicates"] = len(values)
    return frame


def bootstrap_comparison(
    fit: MixedModelFit,
    smaller: MixedModelFit,
    *,
    replicates: int,
    rng: np.random.Generator,
    progress: Callable[[int, int], None] | None,
) -> Comparison:
    """Compare by simulation; see `MixedModelFit.bootstrap_comparison`."""
    from outcomes.statistics.mixed_model.fit import fit_design

    check_count("replicates", replicates, least=2)
    first = fit.compare(smaller)
    if smaller.n_parameters > fit.n_parameters:
        raise ArgumentError("smaller must have fewer parameters than the fit it is compared with.")
    above = done = 0
    for i in range(replicates):
        y = simulate(smaller, rng)
        try:
            ratio = 2.0 * (
                fit_design(replace(fit.design, y=y), fit.choices).log_likelihood
                - fit_design(replace(smaller.design, y=y), smaller.choices).log_likelihood
            )
        except ModelError:
            continue
        done += 1
        above += ratio >= first.statistic - 1e-8
        if progress is not None:
            progress(i + 1, replicates)
    if done < 0.9 * replicates:
        raise ModelError(
            f"at least nine of ten simulated data sets must be fitted; {replicates - done} of "
            f"{replicates} were not. Simplify the random part."
        )
    return replace(
        first,
        p_value=(1 + above) / (1 + done),
        method=f"parametric bootstrap of the likelihood ratio, {done} replicates",
        notes=(),
    )


def _labels(fit: MixedModelFit) -> pd.DataFrame:
    variances = fit.variance_rows
    return pd.DataFrame(
        {
            "level": ["fixed"] * len(fit.design.x_names) + list(variances.level),
            "term": [*fit.design.x_names, *variances.term],
            "other_term": [""] * len(fit.design.x_names) + list(variances.other_term),
        }
    )


def _row(fit: MixedModelFit) -> Array:
    return np.concatenate([fit.coefficients, fit.variance_rows.estimate.to_numpy()])
