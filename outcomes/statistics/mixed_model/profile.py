"""Profile-likelihood intervals of standard deviations and correlations.

The quantity is held at a value, everything else is fitted again, and the value is moved until
-2 log-likelihood has risen by the chi-square quantile. For a standard deviation its term is put
first, so that it is the first entry of L times the residual standard deviation; for a correlation
its two terms are put first, so that it is the direction of L's second row.

w = (x, s), s the logarithm of the residual variance, is written as a function of free parameters v.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from outcomes.errors import ModelError
from outcomes.statistics.mixed_model.criterion import Criterion
from outcomes.statistics.mixed_model.optimiser import minimise
from outcomes.statistics.mixed_model.reduction import level_plan
from outcomes.statistics.mixed_model.residual_structure import build_structure

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["find_root", "profile_interval"]

Array = NDArray[np.float64]
#: From free v to (w, dw/dv, list of second derivatives of each w, empty where linear).
Embedding = Callable[[Array], tuple[Array, Array, dict[int, Array]]]


@dataclass(frozen=True)
class _Problem:
    """A criterion with its terms in another order, and the fitted w in that order."""

    criterion: Criterion
    w: Array

    def value(self, w: Array) -> tuple[float, Array, Array]:
        """-2 log-likelihood, gradient and Hessian at (x, s), nothing profiled."""
        criterion, x, s2 = self.criterion, w[:-1], float(np.exp(w[-1]))
        ev = criterion.at(x)
        n = criterion.n_effective
        value = n * (np.log(2.0 * np.pi) + w[-1]) + ev.quadratic / s2 + ev.log_det
        value += criterion.constant + (ev.log_det_x if criterion.reml else 0.0)
        natural, _, _ = criterion.natural(ev, s2)
        first, _ = criterion.jacobian(x)
        gradient = np.append(first.T @ natural, n - ev.quadratic / s2)
        return float(value), gradient, criterion.full_hessian(x, ev, s2)

    def held(self, embedding: Embedding, v: Array) -> tuple[float, Array]:
        """Lowest -2 log-likelihood over v, and where."""

        def objective(v: Array) -> tuple[float, Array, Array]:
            w, first, second = embedding(v)
            if not np.isfinite(w).all() or np.abs(w[-1]) > 60.0:
                return np.inf, np.zeros(v.size), np.eye(v.size)
            try:
                value, gradient, hessian = self.value(w)
            except np.linalg.LinAlgError:
                return np.inf, np.zeros(v.size), np.eye(v.size)
            out = first.T @ hessian @ first
            for i, matrix in second.items():
                out = out + gradient[i] * matrix
            return value, first.T @ gradient, out

        found = minimise(objective, v)
        if not found.converged:
            raise ModelError("a profile of the likelihood did not converge.")
        return found.value, found.x


def _reordered(fit: MixedModelFit, at: int | None, terms: tuple[int, ...]) -> _Problem:
    """Put `terms` of level `at` first; only scale its columns."""
    design, work, small = fit.design, fit.work, fit.small_sample
    old = small.criterion
    parts = [small.x[: old.structure.n_parameters]]
    unit = np.sqrt(fit.residual_variance)
    turns, levels = [], []
    for i, (level, turn, factor) in enumerate(
        zip(design.levels, work.turns, old.factors(small.x), strict=True)
    ):
        if i != at or not level.correlated:
            turns.append(turn)
            levels.append(level)
            parts.append(np.array([factor[a, b] for a, b in level.pairs]))
            continue
        order = [*terms, *(a for a in range(len(level.terms)) if a not in terms)]
        size = term_sizes(fit, i)[order]
        turns.append(np.diag(1.0 / size))
        levels.append(
            replace(
                level,
                terms=tuple(level.terms[a] for a in order),
                z=tuple(level.z[a] for a in order),
            )
        )
        g = fit.random_covariances[level.name].to_numpy()[np.ix_(order, order)] / unit**2
        g = g * np.outer(size, size)
        values, vectors = np.linalg.eigh(g)
        floor = 1e-6 * max(float(values.max()), 1e-3)
        root = np.linalg.cholesky((vectors * np.maximum(values, floor)) @ vectors.T)
        parts.append(np.array([root[a, b] for a, b in level.pairs]))
    design = replace(design, levels=tuple(levels))
    work = replace(work, design=design, turns=tuple(turns))
    criterion = replace(
        old,
        structure=build_structure(
            fit.choices.residual, work, by=fit.choices.by, time=fit.choices.time
        ),
        plan=level_plan(design),
        latest=[],
    )
    s = np.log(fit.small_sample.sigma2)
    return _Problem(criterion, np.concatenate([*parts, [s]]))


def _place(criterion: Criterion, at: int, pair: tuple[int, int]) -> int:
    first = criterion.structure.n_parameters
    first += sum(len(level.pairs) for level in criterion.plan[:at])
    return first + criterion.plan[at].pairs.index(pair)


def _fixing(size: int, index: int, number: float) -> Embedding:
    """Hold w[index]; everything else is free."""
    keep = np.delete(np.arange(size), index)
    first = np.eye(size)[:, keep]

    def embedding(v: Array) -> tuple[Array, Array, dict[int, Array]]:
        w = first @ v
        w[index] = number
        return w, first, {}

    return embedding


def _holding_sd(size: int, index: int, sd: float) -> Embedding:
    """Hold w[index] * exp(s / 2) at sd."""
    keep = np.delete(np.arange(size), index)
    base = np.eye(size)[:, keep]

    def embedding(v: Array) -> tuple[Array, Array, dict[int, Array]]:
        w = base @ v
        w[index] = sd * np.exp(-w[-1] / 2.0)
        first = base.copy()
        first[index, -1] = -w[index] / 2.0
        second = np.zeros((size - 1, size - 1))
        second[-1, -1] = w[index] / 4.0
        return w, first, {index: second}

    return embedding


def _holding_correlation(size: int, index: tuple[int, int], rho: float) -> Embedding:
    """Hold the direction of (w[i], w[j]); their length is free."""
    i, j = index
    keep = np.delete(np.arange(size), j)
    first = np.eye(size)[:, keep]
    column = int(np.flatnonzero(keep == i)[0])
    first[i, column], first[j, column] = rho, np.sqrt(max(1.0 - rho**2, 0.0))

    def embedding(v: Array) -> tuple[Array, Array, dict[int, Array]]:
        return first @ v, first, {}

    return embedding


def _moving(size: int, index: int, total: float) -> Embedding:
    """Hold w[index] + s at total (the logarithm of one level's residual variance)."""
    keep = np.delete(np.arange(size), index)
    first = np.eye(size)[:, keep]
    first[index, -1] = -1.0

    def embedding(v: Array) -> tuple[Array, Array, dict[int, Array]]:
        w = first @ v
        w[index] += total
        return w, first, {}

    return embedding


def profile_interval(
    fit: MixedModelFit, kind: str, at: int, pair: tuple[int, int], estimate: float
) -> tuple[float, float]:
    """Find the ends of the profile interval.

    Parameters
    ----------
    fit : MixedModelFit
        The fit.
    kind : str
        "random" (a level's standard deviation or correlation), "residual" (a standard deviation),
        or "correlation" (autoregressive).
    at : int
        Level, or index of the residual parameter (-1: the first standard deviation).
    pair : (int, int)
        Terms; equal for a standard deviation.
    estimate : float
        The estimate, in the units of the data.
    """
    rise = float(special.chdtri(1, 1.0 - fit.ci_level))
    lowest = -2.0 * fit.log_likelihood
    wide: tuple[float, float]
    if kind == "random":
        level = fit.design.levels[at]
        a, b = pair
        problem = _reordered(fit, at, (b, a) if a != b else (a,))
        size = problem.w.size
        if a == b:
            own = (a, a) if not level.correlated else (0, 0)
            index = _place(problem.criterion, at, own)
            scale = fit.work.scale / term_sizes(fit, at)[a]
            wide, keep = (0.0, np.inf), np.delete(problem.w, index)

            def at_value(value: float) -> Embedding:
                return _holding_sd(size, index, value / scale)

        else:
            places = tuple(_place(problem.criterion, at, (1, c)) for c in (0, 1))
            wide, keep = (-1.0, 1.0), np.delete(problem.w, places[1])
            length = np.hypot(problem.w[places[0]], problem.w[places[1]])
            keep[int(np.flatnonzero(np.delete(np.arange(size), places[1]) == places[0])[0])] = (
                length
            )

            def at_value(value: float) -> Embedding:
                return _holding_correlation(size, (places[0], places[1]), value)

    else:
        problem = _reordered(fit, None, ())
        size = problem.w.size
        if kind == "correlation":
            wide, keep = (0.0, 1.0), np.delete(problem.w, 0)
            unit = getattr(problem.criterion.structure, "unit", 1.0)

            def at_value(value: float) -> Embedding:
                return _fixing(size, 0, float(np.log(-np.log(value) * unit)))

        elif at < 0:
            wide, keep = (0.0, np.inf), problem.w[:-1]

            def at_value(value: float) -> Embedding:
                return _fixing(size, size - 1, 2.0 * float(np.log(value / fit.work.scale)))

        else:
            wide, keep = (0.0, np.inf), np.delete(problem.w, at)

            def at_value(value: float) -> Embedding:
                return _moving(size, at, 2.0 * float(np.log(value / fit.work.scale)))

    warm = {"v": keep}

    def excess(value: float) -> float:
        found, warm["v"] = problem.held(at_value(value), warm["v"])
        return found - lowest - rise

    return (
        _end(excess, estimate, wide[0], warm, keep, fit.work.scale),
        _end(excess, estimate, wide[1], warm, keep, fit.work.scale),
    )


def term_sizes(fit: MixedModelFit, at: int) -> Array:
    """Root mean square of the random terms of a level, as rows are weighted."""
    squares = np.square(np.stack(fit.design.levels[at].z))
    if fit.work.root is not None:
        squares *= fit.work.root**2
    return np.sqrt(squares.mean(axis=1))


def _end(
    excess: Callable[[float], float],
    estimate: float,
    limit: float,
    warm: dict[str, Array],
    start: Array,
    unit: float,
) -> float:
    """Search from the estimate towards a limit for where the excess is zero.

    `unit` is a size of the quantity, for a first step where the estimate is zero.
    """
    warm["v"] = start
    inside = estimate
    if np.isfinite(limit):
        if abs(limit - estimate) < 1e-6 * max(1.0, abs(limit)):
            return limit
        for share in (0.25, 0.5, 0.75, 0.9, 0.97, 0.99, 0.999):
            value = estimate + share * (limit - estimate)
            if excess(value) > 0:
                break
            inside = value
        else:
            return limit
    else:
        step = max(0.25 * abs(estimate), 1e-2 * unit)
        value = estimate + step
        for _ in range(60):
            if excess(value) > 0:
                break
            inside, step = value, 1.6 * step
            value += step
        else:
            return np.inf
    if inside == estimate:  # the estimate itself is known to lie inside
        inside = estimate + 1e-3 * (value - estimate)
    return find_root(excess, inside, value)


def find_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Find where a function of one number changes its sign."""
    root: Any = optimize.brentq(function, low, high, xtol=1e-10 * max(abs(low), abs(high)))
    return float(root)
