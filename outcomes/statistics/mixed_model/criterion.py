"""The criterion -2 log-likelihood (REML or ML) as a function of unconstrained parameters.

The parameters x are those of the residual structure, then the free entries of the lower triangular
factor L of every level, innermost first. The residual variance is profiled out. A variance of zero
or a correlation of one is an ordinary point in x, reached with gradient zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.statistics.mixed_model.likelihood import Evaluation, Level, State, evaluate
from outcomes.statistics.mixed_model.optimiser import minimise

__all__ = ["Criterion", "ResidualStructure"]

Array = NDArray[np.float64]


class ResidualStructure(Protocol):
    """What the criterion needs of a residual structure."""

    n_parameters: int

    def start(self) -> Array:
        """Give starting values of the unconstrained parameters."""
        ...

    def state(self, x: Array) -> State:
        """Give the sums per innermost group at x."""
        ...

    def chain(self, x: Array) -> tuple[Array, Array, Array]:
        """Natural parameters, and their first and second derivatives with respect to x."""
        ...

    def describe(self, x: Array, unit: float) -> list[tuple[str, str, float, float]]:
        """Rows (term, other term, variance, standard deviation) for the table of variances."""
        ...

    def relative_variance(self, new: pd.DataFrame, x: Array) -> Array:
        """Residual variance of new rows relative to `residual_variance`."""
        ...


@dataclass(frozen=True)
class Criterion:
    """-2 log-likelihood with derivatives.

    Attributes
    ----------
    structure : ResidualStructure
        Residuals.
    plan : sequence of Level
        Levels from the innermost.
    n_rows, p : int
        Rows and fixed columns.
    reml : bool
        Restricted (True) or full likelihood.
    constant : float
        What the working units and the weights add.
    latest : list
        The latest point and evaluation.
    """

    structure: ResidualStructure
    plan: Sequence[Level]
    n_rows: int
    p: int
    reml: bool
    constant: float
    latest: list[tuple[Array, Evaluation]] = field(default_factory=list, repr=False, compare=False)

    def last(self, x: Array) -> Evaluation:
        """Evaluate at x, or recall the latest evaluation if it was there."""
        if self.latest and np.array_equal(self.latest[0][0], x):
            return self.latest[0][1]
        return self.at(x)

    @property
    def n_effective(self) -> int:
        """Divisor of the residual variance."""
        return self.n_rows - self.p if self.reml else self.n_rows

    @property
    def size(self) -> int:
        """Number of parameters x."""
        return self.structure.n_parameters + sum(len(level.pairs) for level in self.plan)

    def start(self) -> Array:
        """Start from scoring steps in the natural parameters, the first from no random effects.

        At known V the expected quadratic forms are linear in the variances; solving for them is
        the method of moments (MINQUE, Rao 1971), and repeating it is Fisher scoring.
        """
        x = np.concatenate(
            [self.structure.start()] + [np.zeros(len(level.pairs)) for level in self.plan]
        )
        at = self.structure.n_parameters
        if x.size == at:
            return x
        sample = getattr(self.structure, "sample", None)
        if sample is not None:  # many clients: begin where a few thousand of them end
            plan = sample[2] or self.plan
            part = replace(self, structure=sample[0], n_rows=sample[1], plan=plan, latest=[])
            return minimise(part, part.start(), tolerance=1e-3).x
        for _ in range(2):
            x = self._scored(x, self.at(x), at)
        return x

    def _scored(self, x: Array, ev: Evaluation, at: int) -> Array:
        m = x.size - at
        gamma = np.concatenate(
            [
                [(f @ f.T)[a, b] for a, b in level.pairs]
                for level, f in zip(self.plan, self.factors(x), strict=True)
            ]
        )
        n = self.n_rows - self.p
        left = np.empty((m + 1, m + 1))
        left[:m, :m] = ev.info_reml[at:, at:]
        left[m, :m] = left[:m, m] = ev.trace_reml[at:]
        left[m, m] = n
        # V0 = I + sum gamma V_j is the unit; the last unknown is the multiple of V0.
        right = np.append(ev.tau[at:], ev.quadratic)
        solution = np.linalg.lstsq(left, right, rcond=1e-12)[0]
        sigma2 = max(solution[m], 0.05 * ev.quadratic / n)
        relative = gamma + solution[:m] / sigma2
        out, place = x.copy(), 0
        for level in self.plan:
            g = np.zeros((level.q, level.q))
            for a, b in level.pairs:
                g[a, b] = g[b, a] = relative[place]
                place += 1
            values, vectors = np.linalg.eigh(g)
            values = np.clip(values, 0.02 * max(float(values.max()), 0.05), 1e4)
            root = np.linalg.cholesky((vectors * values) @ vectors.T)
            first = at + place - len(level.pairs)
            out[first : at + place] = [root[a, b] for a, b in level.pairs]
        return out

    def factors(self, x: Array) -> list[Array]:
        """Lower triangular L of every level."""
        at = self.structure.n_parameters
        out = []
        for level in self.plan:
            factor = np.zeros((level.q, level.q))
            for a, b in level.pairs:
                factor[a, b] = x[at]
                at += 1
            out.append(factor)
        return out

    def jacobian(self, x: Array) -> tuple[Array, list[Array]]:
        """Differentiate the natural parameters: first (natural, x), second one (x, x) each."""
        size, at = self.size, self.structure.n_parameters
        first = np.zeros((size, size))
        second = [np.zeros((size, size)) for _ in range(size)]
        _, d1, d2 = self.structure.chain(x[:at])
        for i in range(at):
            first[i, i] = d1[i]
            second[i][i, i] = d2[i]
        for level, factor in zip(self.plan, self.factors(x), strict=True):
            place = {pair: at + i for i, pair in enumerate(level.pairs)}
            for (a, b), row in place.items():
                for (c, d), col in place.items():
                    first[row, col] = (a == c) * factor[b, d] + (b == c) * factor[a, d]
                for d in range(level.q):
                    if (a, d) in place and (b, d) in place:
                        i, j = place[a, d], place[b, d]
                        second[row][i, j] += 1.0
                        second[row][j, i] += 1.0
            at += len(level.pairs)
        return first, second

    def at(self, x: Array, *, keep: bool = False) -> Evaluation:
        """Eliminate everything at x."""
        state = self.structure.state(x[: self.structure.n_parameters])
        return evaluate(state, self.plan, self.factors(x), keep=keep)

    def sigma2(self, ev: Evaluation) -> float:
        """Residual variance that is best at the evaluated point (working units)."""
        return ev.quadratic / self.n_effective

    def value(self, ev: Evaluation) -> float:
        """-2 log-likelihood, in the units of the data."""
        n = self.n_effective
        out = n * (np.log(2.0 * np.pi * self.sigma2(ev)) + 1.0) + ev.log_det + self.constant
        return float(out + (ev.log_det_x if self.reml else 0.0))

    def natural(self, ev: Evaluation, s2: float | None = None) -> tuple[Array, Array, Array]:
        """Differentiate in the natural parameters.

        Returns the gradient and Hessian at fixed residual variance (default: the best one), and
        the mixed derivative with the logarithm of the residual variance.
        """
        s2 = self.sigma2(ev) if s2 is None else s2
        trace = ev.trace_reml if self.reml else ev.trace
        info = ev.info_reml if self.reml else ev.info
        curved = ev.curvature_reml if self.reml else ev.curvature
        gradient = trace - ev.tau / s2
        hessian = -info + 2.0 * ev.upsilon / s2 + curved - ev.curvature_y / s2
        return gradient, hessian, ev.tau / s2

    def full_hessian(self, x: Array, ev: Evaluation, s2: float | None = None) -> Array:
        """Hessian in (x, log residual variance)."""
        s2 = self.sigma2(ev) if s2 is None else s2
        gradient, hessian, mixed = self.natural(ev, s2)
        first, second = self.jacobian(x)
        size = self.size
        out = np.zeros((size + 1, size + 1))
        out[:size, :size] = first.T @ hessian @ first
        for g, matrix in zip(gradient, second, strict=True):
            out[:size, :size] += g * matrix
        out[:size, size] = out[size, :size] = first.T @ mixed
        out[size, size] = ev.quadratic / s2
        return out

    def __call__(self, x: Array) -> tuple[float, Array, Array]:
        """Value, gradient and Hessian of the profiled criterion."""
        try:
            ev = self.at(x)
            self.latest[:] = [(x.copy(), ev)]
        except np.linalg.LinAlgError:
            return np.inf, np.zeros(self.size), np.eye(self.size)
        gradient, _, _ = self.natural(ev)
        first, _ = self.jacobian(x)
        full = self.full_hessian(x, ev)
        size = self.size
        profiled = (
            full[:size, :size] - np.outer(full[:size, size], full[:size, size]) / full[-1, -1]
        )
        return self.value(ev), first.T @ gradient, profiled
