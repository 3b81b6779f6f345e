"""Residual structures: what the error of one visit has to do with that of another.

- independent: R = I; known weights are already in the columns;
- a variance per level of a column (instrument, occasion, measure): R is diagonal, with the ratio of
  each level's variance to that of the first level; sums are kept per level, so that an evaluation
  still looks at no visit;
- continuous-time first-order autoregression: R_ab = exp(-rate |t_a - t_b|) within a client. Its
  sums are rebuilt at every evaluation, at a cost of visits squared per client.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import DataError, rows_must
from outcomes.statistics.mixed_model.design import Design
from outcomes.statistics.mixed_model.reduction import Work, client_sums
from outcomes.statistics.mixed_model.sums import Level, State, Sums

__all__ = ["Autoregressive", "Independent", "VariancePerLevel", "build_structure"]

Array = NDArray[np.float64]


def build_structure(
    kind: str, work: Work, *, by: str | None = None, time: str | None = None
) -> Independent | VariancePerLevel | Autoregressive:
    """Build the residual structure of a name that `fit_mixed_model` has checked."""
    if kind == "variance_per_level" and by is not None:
        return VariancePerLevel(work, by)
    if kind == "autoregressive" and time is not None:
        return Autoregressive(work, time)
    return Independent(work)


class Independent:
    """Residuals without structure."""

    n_parameters = 0
    #: For starting values: the structure on a sample of clients, its rows, its levels if others.
    sample: tuple[Independent, int, Sequence[Level]] | None = None

    def __init__(self, work: Work) -> None:
        sums, sample = client_sums(work, sample=4)
        self.hold(State(s=sums, log_det=-work.log_weights))
        if sample is not None:
            part = Independent.__new__(Independent)
            part.hold(State(s=sample[0]))
            self.sample = part, sample[1], ()

    def hold(self, state: State) -> None:
        """Keep sums that were made elsewhere."""
        self._state = state

    def start(self) -> Array:
        """Start without parameters."""
        return np.zeros(0)

    def state(self, x: Array) -> State:
        """Return the same sums at every point."""
        return self._state

    def chain(self, x: Array) -> tuple[Array, Array, Array]:
        """Return no parameters."""
        return np.zeros(0), np.zeros(0), np.zeros(0)

    def describe(self, x: Array, unit: float) -> list[tuple[str, str, float, float]]:
        """Rows (term, other term, variance, standard deviation) for the table of variances."""
        return [("", "", unit, float(np.sqrt(unit)))]

    def boundary(self, x: Array) -> list[str]:
        """Say nothing: there are no parameters."""
        return []

    def relative_variance(self, new: pd.DataFrame, x: Array) -> Array:
        """Residual variance of new rows relative to `residual_variance`."""
        return np.ones(len(new))


class VariancePerLevel(Independent):
    """A residual variance for every level of a column, the first level being the unit."""

    def __init__(self, work: Work, by: str) -> None:
        design = work.design
        codes, labels = pd.factorize(design.frame[by], sort=True)
        if len(labels) < 2:
            raise DataError(f"{by} must have at least two levels for a variance per level.")
        self.by, self.labels = by, labels
        self.counts = np.bincount(codes).astype(float)
        if self.counts.min() < 3:
            raise DataError(
                f"every level of {by} must have at least three rows for a variance of its own; "
                f"the smallest has {int(self.counts.min())}. Join levels."
            )
        self._sums = [client_sums(work, (codes == i).astype(float))[0] for i in range(len(labels))]
        self._log_weights = work.log_weights
        self.n_parameters = len(labels) - 1

    def start(self) -> Array:
        """Start from the sizes that least squares left."""
        squares = np.array([sums.rr[:, -1, -1].sum() for sums in self._sums]) / self.counts
        squares = np.maximum(squares, 1e-4 * squares.max())
        return np.log(squares[1:] / squares[0])

    def chain(self, x: Array) -> tuple[Array, Array, Array]:
        """Ratios are exponentials."""
        ratio = np.exp(x)
        return ratio, ratio, ratio

    def state(self, x: Array) -> State:
        """Weigh every level's sums by one over its ratio."""
        ratio = np.exp(x)
        total = self._sums[0]
        for sums, r in zip(self._sums[1:], ratio, strict=True):
            total = _plus(total, sums, 1.0 / r)
        n = self.counts[1:]
        k = range(self.n_parameters)
        nothing = _plus(self._sums[0], self._sums[0], -1.0)
        return State(
            s=total,
            t=[_times(self._sums[i + 1], ratio[i] ** -2) for i in k],
            u={
                (i, j): _times(self._sums[i + 1], ratio[i] ** -3) if i == j else nothing
                for i in k
                for j in range(i + 1)
            },
            log_det=float(n @ np.log(ratio)) - self._log_weights,
            trace=list(n / ratio),
            info={(i, j): n[i] / ratio[i] ** 2 * (i == j) for i in k for j in range(i + 1)},
        )

    def describe(self, x: Array, unit: float) -> list[tuple[str, str, float, float]]:
        """One variance per level."""
        values = unit * np.concatenate([[1.0], np.exp(x)])
        return [
            (f"{self.by}={label}", "", float(v), float(np.sqrt(v)))
            for label, v in zip(self.labels, values, strict=True)
        ]

    def boundary(self, x: Array) -> list[str]:
        """Name levels whose variance vanishes beside the others'."""
        size = np.concatenate([[0.0], x])
        gone = size - size.max() < -25.0
        return [
            f"The residual variance of {self.by}={label} is estimated as zero."
            for label in np.asarray(self.labels)[gone]
        ]

    def relative_variance(self, new: pd.DataFrame, x: Array) -> Array:
        """Look up the ratio of each row's level."""
        at = pd.Index(self.labels).get_indexer(pd.Index(new[self.by]))
        if (at < 0).any():
            raise rows_must(
                self.by, "be one of the levels of the fit", at < 0, "Drop or recode these rows"
            )
        return np.concatenate([[1.0], np.exp(x)])[at]


class Autoregressive(Independent):
    """Correlation exp(-rate * gap) between the errors of two visits of a client.

    The rate is per median gap, so that it does not depend on the unit of time; its logarithm is
    the free parameter.
    """

    n_parameters = 1

    def __init__(self, work: Work, time: str) -> None:
        design = work.design
        moment = design.frame[time].to_numpy(dtype=float)
        order = np.lexsort([moment, design.inner_codes])
        codes, moment = design.inner_codes[order], moment[order]
        same = codes[1:] == codes[:-1]
        gaps = np.diff(moment)[same]
        if gaps.size == 0:
            raise DataError("autoregressive residuals need clients with several rows.")
        if (gaps == 0.0).any():
            tied = np.zeros(design.n_rows, dtype=bool)
            tied[order[1:][same][gaps == 0.0]] = True
            raise rows_must(
                time, "differ between the rows of one client", tied, "Average the readings first"
            )
        self.time, self.unit = time, float(np.median(gaps))
        self._design, self._log_weights = design, work.log_weights
        columns = work.columns.T[order]
        counts = np.bincount(codes)
        first = np.concatenate([[0], np.cumsum(counts)[:-1]])
        self._group = np.zeros(0, np.intp)
        self._batches: list[tuple[Array, Array, NDArray[np.intp]]] = []
        for size in np.unique(counts[counts > 0]):
            rows = first[counts == size][:, None] + np.arange(size)
            t = moment[rows] / self.unit
            group = (
                design.levels[0].codes[order][rows[:, 0]]
                if design.levels
                else np.zeros(len(rows), np.intp)
            )
            self._batches.append((np.abs(t[:, :, None] - t[:, None, :]), columns[rows], group))

    def start(self) -> Array:
        """Start from a correlation of 0.4 at the median gap."""
        return np.array([np.log(-np.log(0.4))])

    def chain(self, x: Array) -> tuple[Array, Array, Array]:
        """Rates are exponentials."""
        rate = np.exp(x)
        return rate, rate, rate

    def state(self, x: Array) -> State:
        """Rebuild the sums at this rate, clients of equal length together."""
        rate = float(np.exp(np.clip(x[0], -25.0, 25.0)))
        log_det, trace, info, curved_trace = -self._log_weights, 0.0, 0.0, 0.0
        s, t, u, v = (_Collector(self._design) for _ in range(4))
        for gap, a, group in self._batches:
            r = np.exp(-rate * gap)
            r1, r2 = -gap * r, gap**2 * r
            inverse = np.linalg.inv(r)
            ra = inverse @ a
            r1a = r1 @ ra
            m1 = inverse @ r1
            log_det += float(np.linalg.slogdet(r)[1].sum())
            trace += float(np.trace(m1, axis1=1, axis2=2).sum())
            info += float(np.sum(m1 * np.swapaxes(m1, 1, 2)))
            curved_trace += float(np.sum(inverse * r2))
            s.add(a, ra, group)
            t.add(ra, r1a, group)
            u.add(r1a, inverse @ r1a, group)
            v.add(ra, r2 @ ra, group)
        return State(
            s=s.sums,
            t=[t.sums],
            u={(0, 0): u.sums},
            curved={(0, 0): v.sums},
            log_det=log_det,
            trace=[trace],
            info={(0, 0): info},
            curved_trace={(0, 0): curved_trace},
        )

    def correlation(self, x: Array, gap: float = 1.0) -> float:
        """Correlation of two errors `gap` units of time apart."""
        return float(np.exp(-np.exp(x[0]) * gap / self.unit))

    def describe(self, x: Array, unit: float) -> list[tuple[str, str, float, float]]:
        """Give the variance, and the correlation one unit of time apart."""
        phi = self.correlation(x)
        return [
            ("", "", unit, float(np.sqrt(unit))),
            (f"1 {self.time} apart", "", phi * unit, phi),
        ]

    def boundary(self, x: Array) -> list[str]:
        """Say whether the correlation is gone, or complete."""
        phi = self.correlation(x, self.unit)
        if phi < 1e-3:
            return ["The correlation between the errors of neighbouring visits is estimated as 0."]
        if phi > 1.0 - 1e-6:
            return ["The correlation between the errors of neighbouring visits is estimated as 1."]
        return []


class _Collector:
    """Sums of left' right per group of the innermost level, filled batch by batch."""

    def __init__(self, design: Design) -> None:
        self.q = len(design.levels[0].terms) if design.levels else 0
        self.n = design.levels[0].n_groups if design.levels else 1
        self.parent: Any = None
        outer = 1
        if design.levels and design.levels[0].outer_starts is not None:
            starts = design.levels[0].outer_starts
            self.parent = np.repeat(
                np.arange(starts.size), np.diff(np.append(starts, design.levels[0].n_groups))
            )
            outer = starts.size
        r = sum(len(level.terms) for level in design.levels[1:]) + len(design.x) + 1
        self.sums = Sums(
            np.zeros((self.q, self.q, self.n)),
            np.zeros((self.q, self.n, r)),
            np.zeros((outer, r, r)),
        )

    def add(self, left: Array, right: Array, group: NDArray[np.intp]) -> None:
        q, sums = self.q, self.sums
        for a in range(q):
            for b in range(q):
                value = np.einsum("cn,cn->c", left[:, :, a], right[:, :, b])
                np.add.at(sums.zz[a, b], group, value)
            np.add.at(sums.zr[a], group, np.einsum("cn,cnr->cr", left[:, :, a], right[:, :, q:]))
        if self.parent is None:
            r = left.shape[2] - q
            sums.rr[0] += left[:, :, q:].reshape(-1, r).T @ right[:, :, q:].reshape(-1, r)
        else:
            np.add.at(
                sums.rr, self.parent[group], np.swapaxes(left[:, :, q:], 1, 2) @ right[:, :, q:]
            )


def _plus(a: Sums, b: Sums, weight: float) -> Sums:
    return Sums(a.zz + weight * b.zz, a.zr + weight * b.zr, a.rr + weight * b.rr)


def _times(a: Sums, weight: float) -> Sums:
    return Sums(weight * a.zz, weight * a.zr, weight * a.rr)
