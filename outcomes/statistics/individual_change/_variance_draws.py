"""How sure the caseload is of its own variances: draws of them, with weights.

A caseload of some dozens of clients knows the spread of its clients' gains badly. Taken as known,
an underestimated spread would draw every client to the mean and call the result certain. So the
spread is integrated out.

Notation: per series ``A = Z'R^-1 Z``, ``b = Z'R^-1 y``, ``c = y'R^-1 y``; ``G`` covariance of
(c0, c1) with SDs ``t0, t1`` and correlation ``r``; ``s`` scatter SD, readings having variance
``s^2 R``. Flat prior on the mean course, ``t0`` and ``t1``, on log s, and (1 - r^2) on r.

The draws are a fixed low-discrepancy set in a normal around the mode, weighted by importance:
same data, same answer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtri

__all__ = ["Sums", "VarianceDraw", "draw_variances", "profile_height", "solve_course"]

_UPPER = ((0, 0), (0, 1), (1, 1))

_STRETCH = 1.2  # of the proposal's SD over the normal at the mode


@dataclass(frozen=True)
class Sums:
    """Sums of a caseload's readings, per series (first axis) or in total."""

    a: np.ndarray
    b: np.ndarray
    c: float
    n_readings: int


@dataclass(frozen=True)
class VarianceDraw:
    """One possible set of variances, its weight, and the mean course that goes with it."""

    weight: float
    g: np.ndarray
    scatter: float
    beta: np.ndarray
    phi: np.ndarray


@dataclass(frozen=True)
class Solved:
    """Per set of variances: mean course, its covariance, log-likelihood without constants."""

    beta: np.ndarray
    phi: np.ndarray
    height: np.ndarray


#: Log-likelihood of variances at which it cannot be computed.
_NO_HEIGHT = -1e12


def solve_course(sums: Sums, g: np.ndarray, s2: np.ndarray, *, restricted: bool = True) -> Solved:
    """Solve for the mean course at many sets of variances at once (first axis of g and s2).

    All matrices are 2 x 2 and written out: with D = det(I + G P), (P^-1 + G)^-1 =
    (P + det(P) adj(G)) / D, which stands where P or G is singular.
    """
    s2 = np.atleast_1d(s2)[:, None]
    g00, g01, g11 = (np.atleast_3d(g.T).T.reshape(-1, 2, 2)[:, i, j, None] for i, j in _UPPER)
    p00, p01, p11 = (sums.a[:, i, j] / s2 for i, j in _UPPER)
    q0, q1 = (sums.b[:, i] / s2 for i in (0, 1))
    det_g, det_p = g00 * g11 - g01**2, p00 * p11 - p01**2
    d = 1 + g00 * p00 + 2 * g01 * p01 + g11 * p11 + det_g * det_p
    n00 = ((p00 + det_p * g11) / d).sum(axis=1)
    n01 = ((p01 - det_p * g01) / d).sum(axis=1)
    n11 = ((p11 + det_p * g00) / d).sum(axis=1)
    a0, a1 = p11 * q0 - p01 * q1, p00 * q1 - p01 * q0  # adj(P) q
    r0 = ((q0 + g11 * a0 - g01 * a1) / d).sum(axis=1)
    r1 = ((q1 + g00 * a1 - g01 * a0) / d).sum(axis=1)
    explained = (g00 * q0**2 + 2 * g01 * q0 * q1 + g11 * q1**2 + det_g * (q0 * a0 + q1 * a1)) / d
    det_n = n00 * n11 - n01**2
    with np.errstate(all="ignore"):  # variances at the edge of double precision: no height
        phi = np.stack([n11, -n01, -n01, n00], axis=1).reshape(-1, 2, 2) / det_n[:, None, None]
        beta = np.einsum("mij,mj->mi", phi, np.stack([r0, r1], axis=1))
        logs = sums.n_readings * np.log(s2[:, 0]) + np.log(d).sum(axis=1)
        if restricted:
            logs = logs + np.log(det_n)
        total = sums.c / s2[:, 0] - explained.sum(axis=1) - beta[:, 0] * r0 - beta[:, 1] * r1
        height = -0.5 * (logs + total)
    return Solved(beta, phi, np.where(np.isfinite(height), height, _NO_HEIGHT))


def _matrices(thetas: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    t0, t1, s = np.exp(np.clip(thetas[:, [0, 1, 3]], -40, 40)).T
    r = np.tanh(thetas[:, 2])
    g = np.stack([t0**2, r * t0 * t1, r * t0 * t1, t1**2], axis=1).reshape(-1, 2, 2)
    return g, s**2


def _log_posterior(thetas: np.ndarray, sums: Sums) -> np.ndarray:
    prior = thetas[:, 0] + thetas[:, 1] + 2 * np.log1p(1e-12 - np.tanh(thetas[:, 2]) ** 2)
    return solve_course(sums, *_matrices(thetas)).height + prior


def _climb(function, guess: np.ndarray, *, slope_left: float = 1e-4) -> np.ndarray:
    """Find the top of a function of many points at once, by BFGS on central differences."""
    step = 1e-5
    around = np.concatenate([step * np.eye(guess.size), -step * np.eye(guess.size)])

    def value_and_slope(x: np.ndarray) -> tuple[float, np.ndarray]:
        heights = function(np.vstack([x, x + around]))
        slope = (heights[1 : x.size + 1] - heights[x.size + 1 :]) / (2 * step)
        return -heights[0], -slope

    options = {"gtol": slope_left}
    return minimize(value_and_slope, guess, jac=True, method="BFGS", options=options).x


def profile_height(sums: Sums, guess: np.ndarray) -> tuple[float, np.ndarray]:
    """Give the highest ML log-likelihood over (log t0, log t1, atanh r, log s), and its place."""

    def height(thetas: np.ndarray) -> np.ndarray:
        return solve_course(sums, *_matrices(thetas), restricted=False).height

    top = _climb(height, guess)
    return float(height(top[None])[0]), top


def draw_variances(sums: Sums, guess: np.ndarray, *, n_draws: int) -> list[VarianceDraw]:
    """Draw variances from their posterior, starting the search for its mode at a guess.

    The guess is what `profile_height` found; a variance that it has at zero is moved off it.
    """
    scatter = guess[3]
    start = np.clip(
        guess, [scatter - 3, scatter - 3, -1.5, scatter], [np.inf, np.inf, 1.5, scatter]
    )
    mode = _climb(lambda thetas: _log_posterior(thetas, sums), start)
    points = _points(n_draws)
    root = _proposal(mode, lambda thetas: _log_posterior(thetas, sums))
    thetas = mode + _STRETCH * points @ root.T
    log_weights = _log_posterior(thetas, sums) + 0.5 * np.sum(points**2, axis=1)
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    gs, s2s = _matrices(thetas)
    solved = solve_course(sums, gs, s2s)
    return [
        VarianceDraw(float(w), gs[i], float(s2s[i]), solved.beta[i], solved.phi[i])
        for i, w in enumerate(weights)
        if w > 0.02 / n_draws
    ]


def _proposal(mode: np.ndarray, height: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Square root of the covariance of the normal at the mode, no direction wider than 1.5."""
    step, k = 1e-3, mode.size
    moves = step * np.eye(k)
    i, j = np.triu_indices(k)
    shifts = np.concatenate([np.zeros((1, k)), moves, -moves, moves[i] + moves[j]])
    heights = height(mode + shifts)
    at, plus, minus = heights[0], heights[1 : k + 1], heights[k + 1 : 2 * k + 1]
    both = heights[2 * k + 1 :]
    curve = np.empty((k, k))
    curve[i, j] = curve[j, i] = -(both - plus[i] - plus[j] + at) / step**2
    curve[np.diag_indices(k)] = -(plus - 2 * at + minus) / step**2
    values, vectors = np.linalg.eigh(curve)
    return vectors / np.sqrt(np.maximum(values, 1.5**-2))


def _points(n: int) -> np.ndarray:
    """Give normal points (n x 4) from the R-sequence, a low-discrepancy set."""
    root = 1.1673039782614187  # of x^5 = x + 1
    uniform = (0.5 + np.outer(np.arange(1, n + 1), root ** -np.arange(1.0, 5.0))) % 1
    return ndtri(uniform)
