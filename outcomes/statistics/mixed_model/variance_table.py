"""Variances, standard deviations and correlations of the random part."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.fit import MixedModelFit

__all__ = ["variance_rows"]


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
