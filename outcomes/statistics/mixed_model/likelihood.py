"""Likelihood, gradient and Hessian from per-client sums, one level of grouping at a time.

Every level, from the innermost outwards, is *eliminated*: the sums of products over its groups,
``A' V^-1 A`` for A = [Z, the outer levels' Z, X, y], are replaced by the same sums under the
covariance that includes this level, ``V + Z G Z'``:

    K = L (I + L' S_zz L)^-1 L',  S_new = S_rr - S_rz K S_zr,  log|V_new| = log|V| + log|M|.

Along go, for each covariance parameter j with dV/d(theta_j) = V_j,

    T_j = A' V^-1 V_j V^-1 A,  U_jl = A' V^-1 V_j V^-1 V_l V^-1 A,
    t_j = tr(V^-1 V_j),        I_jl = tr(V^-1 V_j V^-1 V_l),

which are all that gradient, observed and expected information, Satterthwaite and Kenward-Roger
need. The fixed part is eliminated last, as a level of infinite variance. No step looks at a visit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from outcomes.statistics.mixed_model.sums import (
    Elimination,
    Level,
    State,
    Sums,
    added_up,
    pieces,
    too_many,
)

__all__ = ["Elimination", "Evaluation", "Level", "State", "Sums", "eliminate_levels", "evaluate"]

Array = NDArray[np.float64]

#: From so many groups in a run on, each run's product is formed by itself.
LONG_RUN = 64


@dataclass
class Evaluation:
    """The likelihood's ingredients at one point, relative to the residual variance.

    Matrices have p + 1 rows and columns, for X and y.
    """

    s: Array
    t: Array
    u: dict[tuple[int, int], Array]
    curved: dict[tuple[int, int], Array]
    log_det: float
    trace: Array
    info: Array
    curved_trace: dict[tuple[int, int], float]
    levels: list[Elimination]

    def __post_init__(self) -> None:
        """Eliminate the fixed part."""
        p = self.s.shape[0] - 1
        m = self.trace.size
        factor = np.linalg.cholesky(self.s[:p, :p])
        half = np.linalg.solve(factor, np.eye(p))
        self.c = half.T @ half
        self.log_det_x = 2.0 * float(np.log(np.diagonal(factor)).sum())
        self.beta = self.c @ self.s[:p, p]
        j = np.append(-self.beta, 1.0)
        self.quadratic = float(self.s[p, p] - self.s[:p, p] @ self.beta)
        tj = self.t @ j if m else np.zeros((0, p + 1))
        self.tau = tj @ j
        self.upsilon = np.zeros((m, m))
        self.trace_reml = self.trace.copy()
        self.info_reml = self.info.copy()
        for a in range(m):
            ct = self.c @ self.t[a, :p, :p]
            self.trace_reml[a] -= np.trace(ct)
            for b in range(a + 1):
                u = self.u[a, b]
                ups = float(j @ u @ j - tj[a, :p] @ self.c @ tj[b, :p])
                exp = -2.0 * np.sum(self.c * u[:p, :p]) + np.sum(
                    ct.T * (self.c @ self.t[b, :p, :p])
                )
                self.upsilon[a, b] = self.upsilon[b, a] = ups
                self.info_reml[a, b] += exp
                self.info_reml[b, a] = self.info_reml[a, b]
        self.curvature = np.zeros((m, m))
        self.curvature_reml = np.zeros((m, m))
        self.curvature_y = np.zeros((m, m))
        for (a, b), matrix in self.curved.items():
            trace = self.curved_trace[a, b]
            reml = trace - float(np.sum(self.c * matrix[:p, :p]))
            y = float(j @ matrix @ j)
            for pair in {(a, b), (b, a)}:
                self.curvature[pair], self.curvature_reml[pair] = trace, reml
                self.curvature_y[pair] = y


def evaluate(
    state: State, levels: Sequence[Level], factors: Sequence[Array], *, keep: bool = False
) -> Evaluation:
    """Eliminate every level and the fixed part; `keep` what predictions need."""
    state, kept = eliminate_levels(state, levels, factors, keep=keep)
    m = len(state.t)
    info = np.zeros((m, m))
    for (a, b), number in state.info.items():
        info[a, b] = info[b, a] = number
    size = state.s.rr.shape[-1]
    return Evaluation(
        s=state.s.rr[0],
        t=np.array([sums.rr[0] for sums in state.t]).reshape(m, size, size),
        u={pair: sums.rr[0] for pair, sums in state.u.items()},
        curved={pair: sums.rr[0] for pair, sums in state.curved.items()},
        log_det=state.log_det,
        trace=np.array(state.trace),
        info=info,
        curved_trace=state.curved_trace,
        levels=kept,
    )


def eliminate_levels(
    state: State, levels: Sequence[Level], factors: Sequence[Array], *, keep: bool = False
) -> tuple[State, list[Elimination]]:
    """Eliminate every level of grouping, innermost first."""
    kept: list[Elimination] = []
    for level, factor in zip(levels, factors, strict=True):
        if too_many(state):
            with ThreadPoolExecutor(2) as pool:
                one = partial(_eliminate_piece, factor=factor)
                done = list(pool.map(one, pieces(state, level)))
            state = _carried(added_up([new for new, _ in done], level), level)
            if keep:
                kept.append(
                    Elimination(
                        np.concatenate([e.k for _, e in done], axis=2),
                        np.concatenate([e.b for _, e in done], axis=1),
                    )
                )
            continue
        state, elimination = _eliminate(state, level, factor)
        if keep:
            kept.append(elimination)
    return state, kept


def _eliminate_piece(piece: tuple[State, Level], factor: Array) -> tuple[State, Elimination]:
    return _eliminate(*piece, factor)


def _carried(state: State, level: Level) -> State:
    """Do for sums that were added up over pieces what `_eliminate` does where there are none."""
    state.s = _carry(state.s.rr, level)
    state.t = [_carry(sums.rr, level) for sums in state.t]
    state.u = {pair: _carry(u.rr, level, symmetric=False) for pair, u in state.u.items()}
    state.curved = {pair: _carry(sums.rr, level) for pair, sums in state.curved.items()}
    return state


def _cross(left: Array, right: Array, starts: NDArray[np.intp] | None) -> Array:
    """Sum of left' right over groups, as (outer groups, r, r)."""
    if starts is None:
        return (left.T @ right)[None]
    n = left.shape[0]
    if n >= LONG_RUN * starts.size:
        ends = np.append(starts[1:], n)
        return np.stack([left[a:b].T @ right[a:b] for a, b in zip(starts, ends, strict=True)])
    left, right = np.ascontiguousarray(left.T), np.ascontiguousarray(right.T)
    return np.moveaxis(np.add.reduceat(left[:, None] * right, starts, axis=2), 2, 0)


def _total(parts: Iterable[Array]) -> Array:
    """Add up matrices (in a loop: there are one, two or four)."""
    first, *rest = parts
    for part in rest:
        first = first + part
    return first


def _turn(matrices: Array) -> Array:
    return np.swapaxes(matrices, -1, -2)


def _product(left: Array, right: Array) -> Array:
    """Matrix product with the group axis last: (a, b, n) x (b, c, n)."""
    return np.einsum("abn,bcn->acn", left, right)


def _weigh(square: Array, rows: Array) -> Array:
    """Product of (a, b, n) with (b, n, r)."""
    q = square.shape[0]
    out = np.zeros_like(rows)
    for a in range(q):
        for b in range(q):
            out[a] += square[a, b][:, None] * rows[b]
    return out


def _relative_precision(zz: Array, factor: Array) -> tuple[Array, float]:
    """K = L (I + L' S_zz L)^-1 L' for every group, and the sum of the log determinants."""
    q, n = zz.shape[0], zz.shape[2]
    middle = np.einsum("ba,bcn,cd->adn", factor, zz, factor)
    for a in range(q):
        middle[a, a] += 1.0
    root = np.zeros_like(middle)
    log_det = 0.0
    for a in range(q):
        for b in range(a + 1):
            rest = middle[a, b] - np.sum(root[a, :b] * root[b, :b], axis=0)
            if a == b:
                log_det += float(np.log(rest).sum())
                root[a, a] = np.sqrt(rest)
            else:
                root[a, b] = rest / root[b, b]
    half = np.empty((q, q, n))  # root^-1 L'
    for a in range(q):
        for c in range(q):
            known = np.sum(root[a, :a] * half[:a, c], axis=0)
            half[a, c] = (factor[c, a] - known) / root[a, a]
    return np.einsum("can,cbn->abn", half, half), log_det


def _eliminate(state: State, level: Level, factor: Array) -> tuple[State, Elimination]:
    s, q, starts = state.s, level.q, level.starts
    k, log_det = _relative_precision(s.zz, factor)
    b = _weigh(k, s.zr)
    w = s.zr - _weigh(s.zz, b)
    new = State(s=Sums(s.zz, s.zr, s.rr), log_det=state.log_det + log_det)
    new.s = _carry(s.rr - sum(_cross(s.zr[a], b[a], starts) for a in range(q)), level)

    def through(sums: Sums) -> tuple[Array, Array, float]:
        tz = sums.zr - _weigh(sums.zz, b)
        full = sums.rr.copy()
        for a in range(q):
            full -= _cross(sums.zr[a], b[a], starts) + _cross(b[a], tz[a], starts)
        return tz, full, float(np.sum(k * sums.zz))

    turned: list[Array] = []
    for sums, trace in zip(state.t, state.trace, strict=True):
        tz, full, less = through(sums)
        turned.append(tz)
        new.t.append(_carry(full, level))
        new.trace.append(trace - less)
    for pair, sums in state.curved.items():
        _, full, less = through(sums)
        new.curved[pair] = _carry(full, level)
        new.curved_trace[pair] = state.curved_trace[pair] - less
    for (j, i), sums in state.u.items():
        rz = sums.zr if sums.rz is None else sums.rz
        ub = _weigh(sums.zz, b)
        kt = _weigh(k, turned[i])
        full = sums.rr.copy()
        for a in range(q):
            full -= _cross(rz[a], b[a], starts)
            full -= _cross(b[a], sums.zr[a] - ub[a], starts)
            full -= _cross(turned[j][a], kt[a], starts)
        new.u[j, i] = _carry(full, level, symmetric=j == i)
        ktj, ktl = _product(k, state.t[j].zz), _product(k, state.t[i].zz)
        new.info[j, i] = (
            state.info[j, i]
            - 2.0 * float(np.sum(k * sums.zz))
            + float(np.sum(ktj * np.swapaxes(ktl, 0, 1)))
        )
    _add_own_parameters(state, new, level, k, w, turned)
    return new, Elimination(k, b)


def _add_own_parameters(
    state: State, new: State, level: Level, k: Array, w: Array, turned: list[Array]
) -> None:
    """Add the derivatives with respect to this level's own covariances."""
    s, starts = state.s, level.starts
    before = len(state.t)
    ks = _product(k, s.zz)
    big_q = s.zz - _product(s.zz, ks)
    shrink = -ks
    for a in range(level.q):
        shrink[a, a] += 1.0
    ways = [((a, b),) if a == b else ((a, b), (b, a)) for a, b in level.pairs]
    mixed = [_weigh(np.swapaxes(shrink, 0, 1), tz) for tz in turned]
    held = [_product(np.swapaxes(shrink, 0, 1), _product(t.zz, shrink)) for t in state.t]
    found: dict[tuple[int, int, int, int], Array] = {}

    def w_q_w(x: int, y: int, u: int, v: int) -> Array:
        y, u = (y, u) if y <= u else (u, y)
        if (x, y, u, v) not in found:
            if (v, y, u, x) in found:
                return _turn(found[v, y, u, x])
            found[x, y, u, v] = _cross(w[x], big_q[y, u][:, None] * w[v], starts)
        return found[x, y, u, v]

    for index, way in enumerate(ways):
        here = before + index
        new.t.append(_carry(_total(_cross(w[x], w[y], starts) for x, y in way), level))
        new.trace.append(float(sum(big_q[x, y].sum() for x, y in way)))
        for j in range(before):
            full = _total(_cross(w[y], mixed[j][x], starts) for x, y in way)
            new.u[here, j] = _carry(full, level, symmetric=False)
            new.info[here, j] = float(sum(held[j][x, y].sum() for x, y in way))
        for other in range(index + 1):
            crossed = [(x, y, u, v) for x, y in way for u, v in ways[other]]
            full = _total(w_q_w(*four) for four in crossed)
            number = float(sum(np.sum(big_q[y, u] * big_q[v, x]) for x, y, u, v in crossed))
            new.u[here, before + other] = _carry(full, level, symmetric=False)
            new.info[here, before + other] = number


def _carry(full: Array, level: Level, *, symmetric: bool = True) -> Sums:
    """Split the sums over (z of the next level, rest), and sum the rest over the level after."""
    full = np.asarray(full)
    q = level.q_outer
    if level.partly or (q == 0 and level.starts is None):
        none = np.zeros((0, 0, full.shape[0]))
        return Sums(none, np.zeros((0, full.shape[0], full.shape[-1])), full)
    zz = np.ascontiguousarray(np.moveaxis(full[:, :q, :q], 0, -1))
    zr = np.ascontiguousarray(np.moveaxis(full[:, :q, q:], 0, 1))
    rest = full[:, q:, q:]
    outer = level.starts_outer
    rr = rest.sum(axis=0)[None] if outer is None else np.add.reduceat(rest, outer, axis=0)
    rz = None if symmetric else np.ascontiguousarray(np.moveaxis(full[:, q:, :q], 2, 0))
    return Sums(zz, zr, rr, rz)
