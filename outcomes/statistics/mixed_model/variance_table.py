"""Variances, standard deviations and correlations of the random part, with intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from outcomes.errors import ModelError
from outcomes.statistics.mixed_model.profile import profile_interval

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["variance_rows", "variance_table"]

Array = NDArray[np.float64]

#: Up to this many clients intervals are profiled; above it the Wald interval is as good.
PROFILE_UP_TO = 5_000


def variance_rows(fit: MixedModelFit) -> pd.DataFrame:
    """One row per variance or covariance; the residual variance last."""
    rows = []
    for level in fit.design.levels:
        matrix = fit.random_covariances[level.name].to_numpy()
        for a, b in level.pairs:
            if a == b:
                scaled = np.sqrt(matrix[a, a])
            else:
                size = np.sqrt(matrix[a, a] * matrix[b, b])
                scaled = matrix[a, b] / size if size > 0 else np.nan
            other = "" if a == b else level.terms[b]
            rows.append((level.name, level.terms[a], other, matrix[a, b], scaled))
    structure = fit.small_sample.criterion.structure
    x = fit.small_sample.x[: structure.n_parameters]
    rows += [("residual", *row) for row in structure.describe(x, fit.residual_variance)]
    return pd.DataFrame(
        rows, columns=["level", "term", "other_term", "estimate", "scaled_estimate"]
    )


def _labels(fit: MixedModelFit) -> list[tuple[str, int, tuple[int, int]]]:
    """List what `profile_interval` needs to know of every row."""
    out = [("random", i, pair) for i, level in enumerate(fit.design.levels) for pair in level.pairs]
    out.append(("residual", -1, (0, 0)))
    if fit.choices.residual == "variance_per_level":
        n = fit.small_sample.criterion.structure.n_parameters
        out += [("residual", i, (0, 0)) for i in range(n)]
    if fit.choices.residual == "autoregressive":
        out.append(("correlation", 0, (0, 0)))
    return out


def variance_table(fit: MixedModelFit) -> pd.DataFrame:
    """Rows of `variance_rows` with intervals of the standard deviation or correlation."""
    frame = variance_rows(fit)
    small = fit.n_clients <= PROFILE_UP_TO or bool(fit.boundary)
    small = small and fit.design.pooled_rows is None
    ends, methods = [], []
    for (kind, at, pair), value in zip(_labels(fit), frame.scaled_estimate, strict=True):
        end, method = (np.nan, np.nan), "none: the profile did not converge"
        try:
            if small and np.isfinite(value):
                end, method = profile_interval(fit, kind, at, pair, value), "profile likelihood"
            elif np.isfinite(value) and not fit.boundary:
                end, method = _wald(fit, kind, at, pair, value), "Wald, transformed"
            else:
                method = "none: at a boundary"
        except (ModelError, ValueError, np.linalg.LinAlgError):
            pass
        ends.append(end)
        methods.append(method)
    frame["ci_low"] = [low for low, _ in ends]
    frame["ci_high"] = [high for _, high in ends]
    frame["ci_level"] = fit.ci_level
    frame["method"] = methods
    return frame


def _wald(
    fit: MixedModelFit, kind: str, at: int, pair: tuple[int, int], value: float
) -> tuple[float, float]:
    """Interval on the log (standard deviations), Fisher-z or logit scale."""
    small = fit.small_sample
    signed = kind == "random" and pair[0] != pair[1]

    def quantity(w: Array) -> float:
        criterion, x = small.criterion, w[:-1]
        number = criterion.structure.n_parameters
        if kind == "correlation":
            phi = criterion.structure.describe(x[:number], 1.0)[1][3]
            return float(np.log(phi / (1.0 - phi)))
        if kind == "residual":
            return float(w[-1] + (x[at] if at >= 0 else 0.0)) / 2.0
        turn = fit.work.turns[at]
        root = turn @ criterion.factors(x)[at]
        g = root @ root.T
        a, b = pair
        if signed:
            return float(np.arctanh(g[a, b] / np.sqrt(g[a, a] * g[b, b])))
        return float(np.log(g[a, a]) + w[-1]) / 2.0

    w = np.append(small.x, np.log(small.sigma2))
    gradient = np.array(
        [(quantity(w + step) - quantity(w - step)) / 2e-5 for step in np.eye(w.size) * 1e-5]
    )
    error = float(np.sqrt(gradient @ small.parameter_covariance @ gradient))
    half = float(special.ndtri(0.5 + fit.ci_level / 2.0)) * error
    if signed:
        z = np.arctanh(value)
        return float(np.tanh(z - half)), float(np.tanh(z + half))
    if kind == "correlation":
        z = np.log(value / (1.0 - value))
        return float(special.expit(z - half)), float(special.expit(z + half))
    return float(value * np.exp(-half)), float(value * np.exp(half))
