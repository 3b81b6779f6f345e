"""A small mixed model with a start and a slope per client, at many sets of variances at once.

Notation: readings of series i are ``y = X b + Z u + e``, ``Z`` two columns (1 and the time scale),
``u ~ N(0, G)``, ``e ~ N(0, s2)``. With ``P = Z'Z / s2`` and ``K = (P + G^-1)^-1``,

    V^-1 = (I - Z K Z' / s2) / s2,   log det V = n log s2 + log D,   D = det(I + G P),

and K = (G + det(G) adj(P)) / D stands where G is singular. All that a set of variances needs is
K and D of every series; the sums over series are then one product of matrices. Variances go as
``theta`` = (log SD of start, log SD of slope, atanh of their correlation, log s).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.statistics.individual_change._variance_draws import (
    _NO_HEIGHT,
    _climb,
    _matrices,
    _points,
    _proposal,
)

__all__ = [
    "ModelSums",
    "Solved",
    "climb",
    "draw_thetas",
    "normal_equations",
    "shrink",
    "solve",
    "sums_of",
]


@dataclass(frozen=True)
class ModelSums:
    """Sums of the readings: per series Z'Z and Z'[X y], over all [X y]'[X y]."""

    zz: np.ndarray
    zd: np.ndarray  # series x 2 x (p + 1)
    products: np.ndarray  # (series * 3) x (p + 1)^2: what K's three numbers are multiplied with
    dd: np.ndarray
    n_readings: int
    own: np.ndarray  # series x (p + 1) x (p + 1), where kept


@dataclass(frozen=True)
class Solved:
    """Per set of variances: coefficients, their covariance, log-likelihood without constants."""

    b: np.ndarray
    phi: np.ndarray
    height: np.ndarray


def sums_of(
    x: np.ndarray, z: np.ndarray, y: np.ndarray, first: np.ndarray, *, keep: bool = False
) -> ModelSums:
    """Sum the readings of every series; series lie together and begin at `first`.

    `keep`: also [X y]'[X y] of every series.
    """
    data = np.column_stack([x, y])
    own = np.add.reduceat(data[:, :, None] * data[:, None, :], first) if keep else np.empty(0)
    zz = np.add.reduceat(z[:, :, None] * z[:, None, :], first)
    zd = np.add.reduceat(z[:, :, None] * data[:, None, :], first)
    across = zd[:, 0, :, None] * zd[:, 1, None, :]
    products = np.stack(
        [
            zd[:, 0, :, None] * zd[:, 0, None, :],
            across + np.swapaxes(across, 1, 2),
            zd[:, 1, :, None] * zd[:, 1, None, :],
        ],
        axis=1,
    ).reshape(3 * first.size, -1)
    return ModelSums(zz, zd, products, data.T @ data, y.size, own)


def shrink(zz: np.ndarray, g: np.ndarray, s2: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give K (sets x series x 3: its 00, 01 and 11) and D (sets x series)."""
    g00, g01, g11 = (g[:, i, j, None] for i, j in ((0, 0), (0, 1), (1, 1)))
    p00, p01, p11 = (zz[:, i, j] / s2[:, None] for i, j in ((0, 0), (0, 1), (1, 1)))
    det = g00 * g11 - g01**2
    d = 1 + g00 * p00 + 2 * g01 * p01 + g11 * p11 + det * (p00 * p11 - p01**2)
    k = np.stack([g00 + det * p11, g01 - det * p01, g11 + det * p00], axis=-1) / d[..., None]
    return k, d


def normal_equations(sums: ModelSums, thetas: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give [X y]'V^-1[X y] and log det V, per set of variances."""
    g, s2 = _matrices(thetas)
    k, d = shrink(sums.zz, g, s2)
    taken = (k.reshape(len(k), -1) @ sums.products).reshape(-1, *sums.dd.shape)
    whole = (sums.dd - taken / s2[:, None, None]) / s2[:, None, None]
    return whole, sums.n_readings * np.log(s2) + np.log(d).sum(axis=1)


def solve(sums: ModelSums, thetas: np.ndarray, *, restricted: bool = True) -> Solved:
    """Solve for the coefficients at many sets of variances (rows of `thetas`)."""
    with np.errstate(all="ignore"):  # variances at the edge of double precision: no height
        whole, logs = normal_equations(sums, thetas)
        inner, right, total = whole[:, :-1, :-1], whole[:, :-1, -1], whole[:, -1, -1]
        usable = np.asarray(np.isfinite(whole).all(axis=(1, 2)))
        inner = np.where(usable[:, None, None], inner, np.eye(inner.shape[1]))
        sign, log_det = np.linalg.slogdet(inner)
        usable = usable & (sign > 0)
        inner = np.where(usable[:, None, None], inner, np.eye(inner.shape[1]))
        phi = np.linalg.inv(inner)
        b = np.einsum("tij,tj->ti", phi, right)
        if restricted:
            logs = logs + log_det
        height = -0.5 * (logs + total - np.einsum("ti,ti->t", right, b))
        usable = usable & np.isfinite(height)
    return Solved(b, phi, np.where(usable, height, _NO_HEIGHT))


def climb(sums: ModelSums, guess: np.ndarray, *, slope_left: float = 1e-4) -> np.ndarray:
    """Find the most likely variances by REML."""
    return _climb(lambda thetas: solve(sums, thetas).height, guess, slope_left=slope_left)


def _log_posterior(thetas: np.ndarray, sums: ModelSums) -> np.ndarray:
    prior = thetas[:, 0] + thetas[:, 1] + 2 * np.log1p(1e-12 - np.tanh(thetas[:, 2]) ** 2)
    return solve(sums, thetas).height + prior


def draw_thetas(
    sums: ModelSums, guess: np.ndarray, rng: np.random.Generator, *, n_draws: int
) -> np.ndarray:
    """Draw variances from their posterior, by importance resampling around its mode.

    Flat prior on the coefficients, both SDs and log s, (1 - r^2) on the correlation.
    """
    scatter = guess[3]
    low, high = [scatter - 3, scatter - 3, -1.5, scatter], [np.inf, np.inf, 1.5, scatter]
    start = np.clip(guess, low, high)
    mode = _climb(lambda thetas: _log_posterior(thetas, sums), start)
    root = 1.2 * _proposal(mode, lambda thetas: _log_posterior(thetas, sums))
    points = _points(max(512, 4 * n_draws))
    thetas = mode + points @ root.T
    logs = _log_posterior(thetas, sums) + 0.5 * np.sum(points**2, axis=1)
    weights = np.exp(logs - logs.max())
    cumulated = np.cumsum(weights / weights.sum())
    places = (rng.random() + np.arange(n_draws)) / n_draws  # systematic: least extra noise
    chosen = np.minimum(np.searchsorted(cumulated, places), len(thetas) - 1)
    return thetas[rng.permutation(chosen)]
