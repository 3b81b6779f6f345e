"""Newton's method with a trust region, for a handful of covariance parameters.

The Hessian is exact, so that convergence is quadratic; negative or vanishing curvature (a variance
on its way to zero) is taken care of by turning the signs of the eigenvalues and by the radius.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Minimum", "minimise"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Minimum:
    """Where the search ended.

    `decrement` is twice the gain in -2 log-likelihood that another Newton step promises: a
    relative size of the gradient, free of units.
    """

    x: Array
    value: float
    gradient: Array
    hessian: Array
    decrement: float
    converged: bool
    evaluations: int


def _step(gradient: Array, hessian: Array, radius: float) -> tuple[Array, float, bool]:
    values, vectors = np.linalg.eigh(hessian)
    floor = 1e-8 * max(1.0, float(np.abs(values).max()))
    size = np.maximum(np.abs(values), floor)
    along = vectors.T @ gradient
    decrement = float(np.sum(along**2 / size))
    move = -along / size
    negative = values < -1e-6 * max(1.0, float(np.abs(values).max()))
    saddle = bool(negative.any()) and decrement < 1e-6
    if saddle:  # leave a saddle point along its steepest way down
        move[np.argmin(values)] = 0.1
    step = vectors @ move
    length = float(np.linalg.norm(step))
    if length > radius:
        step *= radius / length
    return step, decrement, saddle


def minimise(
    objective: Callable[[Array], tuple[float, Array, Array]],
    start: Array,
    *,
    tolerance: float = 1e-10,
    most: int = 100,
) -> Minimum:
    """Minimise a function that gives its value, gradient and Hessian.

    Stops one Newton step after the decrement falls below `tolerance`.
    """
    x = np.asarray(start, dtype=float)
    value, gradient, hessian = objective(x)
    evaluations, radius = 1, 2.0
    if x.size == 0:
        return Minimum(x, value, gradient, hessian, 0.0, True, evaluations)
    close = False
    while True:
        step, decrement, saddle = _step(gradient, hessian, radius)
        if not saddle and (decrement < 1e-16 or (close and decrement < tolerance)):
            return Minimum(x, value, gradient, hessian, decrement, True, evaluations)
        if evaluations >= most or radius < 1e-10:
            done = not saddle and decrement < 1e-6
            return Minimum(x, value, gradient, hessian, decrement, done, evaluations)
        trial_value, trial_gradient, trial_hessian = objective(x + step)
        evaluations += 1
        noise = 1e-12 * max(1.0, abs(value))
        promised = -float(gradient @ step + 0.5 * step @ hessian @ step)
        gained = value - trial_value
        if np.isfinite(trial_value) and gained >= 1e-4 * max(promised, 0.0) - noise:
            close = decrement < tolerance
            if gained > 0.75 * promised:
                radius = min(2.0 * max(radius, float(np.linalg.norm(step))), 100.0)
            x, value = x + step, trial_value
            gradient, hessian = trial_gradient, trial_hessian
        else:
            radius = 0.25 * float(np.linalg.norm(step))
