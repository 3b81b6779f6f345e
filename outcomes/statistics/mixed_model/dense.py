"""Group by group with full matrices: for what per-client sums cannot give.

Cluster-robust errors and simulation need the covariance of a group's rows themselves. Groups of
equal size are handled together.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from outcomes.statistics.mixed_model.residual_structure import Autoregressive

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["batches", "covariance_of_rows", "outermost_codes", "residual_scale"]

Array = NDArray[np.float64]


def outermost_codes(fit: MixedModelFit) -> tuple[NDArray[np.intp], int]:
    """Return the group that every row belongs to at the outermost level, and their number."""
    design = fit.design
    if design.levels:
        return design.levels[-1].codes, design.levels[-1].n_groups
    return design.inner_codes, design.n_clients


def batches(codes: NDArray[np.intp]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Yield groups of equal size together: their codes (c,), and their rows (c, size)."""
    order = np.argsort(codes, kind="stable")
    counts = np.bincount(codes)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    for size in np.unique(counts[counts > 0]):
        which = np.flatnonzero(counts == size)
        yield which, order[first[which][:, None] + np.arange(size)]


def residual_scale(fit: MixedModelFit) -> Array:
    """Give the standard deviation of the error of every row, in the units of the data."""
    structure = fit.small_sample.criterion.structure
    x = fit.small_sample.x[: structure.n_parameters]
    relative = structure.relative_variance(fit.design.frame, x)
    if fit.choices.weights is not None:
        relative = relative / fit.design.frame[fit.choices.weights].to_numpy(dtype=float)
    return np.sqrt(fit.residual_variance * relative)


def covariance_of_rows(fit: MixedModelFit, rows: NDArray[np.intp], scale: Array) -> Array:
    """Build the covariance of y for groups of rows (c, size), as (c, size, size)."""
    design = fit.design
    own = np.eye(rows.shape[1])[None] * np.ones((rows.shape[0], 1, 1))
    structure = fit.small_sample.criterion.structure
    if isinstance(structure, Autoregressive):
        t = design.frame[structure.time].to_numpy(dtype=float)[rows]
        gap = np.abs(t[:, :, None] - t[:, None, :])
        same = design.inner_codes[rows][:, :, None] == design.inner_codes[rows][:, None, :]
        own = same * structure.correlation(fit.small_sample.x) ** gap
    v = own * scale[rows][:, :, None] * scale[rows][:, None, :]
    for level in design.levels:
        g = fit.random_covariances[level.name].to_numpy()
        z = np.stack([column[rows] for column in level.z], axis=-1)
        same = level.codes[rows][:, :, None] == level.codes[rows][:, None, :]
        v = v + same * (z @ g @ np.swapaxes(z, 1, 2))
    return v
