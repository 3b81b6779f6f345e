"""The joint normal model of all visits: fitted, drawn, and each client's missing visits with it.

Notation: the package. Given the start and slope ``u_i`` of a client the visits are independent, so
that drawing u_i from its distribution given the client's own readings, then the missing readings
given u_i, draws them from their distribution given the readings: Sigma is never inverted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.errors import DataError
from outcomes.statistics.effect_size.missing_visits._grid import Grid
from outcomes.statistics.individual_change._course_model import (
    ModelSums,
    climb,
    draw_thetas,
    shrink,
    solve,
    sums_of,
)
from outcomes.statistics.individual_change._variance_draws import _matrices

__all__ = ["Drawn", "JointNormal", "draw_deviations", "fit_joint_normal"]

#: How slopes of clients run over time, as curvature per usual gap: the likelier one is taken.
_CURVATURES = (0.67, 0.3, 0.0)


@dataclass(frozen=True)
class JointNormal:
    """The fitted model: the likelihood-based answer, and what draws start from."""

    sums: ModelSums
    top: np.ndarray
    h: np.ndarray  # n x K
    means: np.ndarray
    covariance: np.ndarray
    centre: float


@dataclass(frozen=True)
class Drawn:
    """Per imputation: mean of every visit, and each missing reading's deviation from its mean."""

    means: np.ndarray  # M x K
    deviations: np.ndarray  # M x n x K


def fit_joint_normal(grid: Grid) -> JointNormal:
    """Fit visit means and covariance by REML to all readings there are."""
    if grid.visits.size < 3:
        raise DataError(
            "the course of the missing must rest on at least 3 planned visits. With two, use "
            "sensitivity_to_missing."
        )
    seen = grid.seen
    first = np.r_[0, np.cumsum(seen.sum(axis=1))[:-1]]
    x = np.broadcast_to(np.eye(grid.visits.size), (*seen.shape, grid.visits.size))[seen]
    centre = float(grid.y[seen].mean())
    y = grid.y[seen] - centre
    usual = np.median(grid.time, axis=0)
    if y.std() == 0 or usual[-1] <= usual[0]:
        raise DataError("readings must vary, and later visits come later. Check the records.")
    gap = (usual[-1] - usual[0]) / (usual.size - 1)
    spread = float(np.log(y.std()))
    top = np.array([spread, spread - 1, 0.0, spread - 1])
    found = []
    for curvature in _CURVATURES:
        t = grid.time / gap
        h = -np.expm1(-curvature * t) / curvature if curvature else t
        h = h / np.median(h, axis=0)[-1]
        z = np.column_stack([np.ones(y.size), h[seen]])
        sums = sums_of(x, z, y, first)
        top = climb(sums, np.clip(top, spread - 6, spread + 2))
        solved = solve(sums, top[None])
        height = float(solve(sums, top[None], restricted=False).height[0])
        fit = JointNormal(sums, top, h, solved.b[0] + centre, solved.phi[0], centre)
        found.append((height, fit))
    return max(found, key=lambda pair: pair[0])[1]


def draw_deviations(
    fit: JointNormal, grid: Grid, rng: np.random.Generator, *, n_imputations: int
) -> Drawn:
    """Draw variances, visit means, and the missing readings of every client given its own."""
    thetas = draw_thetas(fit.sums, fit.top, rng, n_draws=n_imputations)
    solved = solve(fit.sums, thetas)
    roots = np.linalg.cholesky(solved.phi)
    b = solved.b + np.einsum("mij,mj->mi", roots, rng.standard_normal(solved.b.shape))
    g, s2 = _matrices(thetas)
    k, _ = shrink(fit.sums.zz, g, s2)
    zd = fit.sums.zd
    zr = (zd[:, :, -1] - np.einsum("nqp,mp->mnq", zd[:, :, :-1], b)) / s2[:, None, None]
    k00, k01, k11 = np.moveaxis(k, -1, 0)
    root00 = np.sqrt(k00)
    root10 = k01 / np.maximum(root00, 1e-300)
    root11 = np.sqrt(np.maximum(k11 - root10**2, 0))
    e0, e1 = rng.standard_normal((2, *k00.shape))
    u0 = k00 * zr[..., 0] + k01 * zr[..., 1] + root00 * e0
    u1 = k01 * zr[..., 0] + k11 * zr[..., 1] + root10 * e0 + root11 * e1
    noise = rng.standard_normal((n_imputations, *fit.h.shape))
    noise *= np.sqrt(s2)[:, None, None]
    return Drawn(b + fit.centre, u0[..., None] + u1[..., None] * fit.h + noise)
