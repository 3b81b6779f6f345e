"""From rows to per-client sums: the only step whose cost grows with the number of visits.

Columns are first put into working units, in which every later number is near one whatever the
units of the data: X is made orthogonal (X = X_work R), the outcome is replaced by its residual
from least squares, in units of that residual's size, and the random terms of each level are made
orthogonal (Z_work = Z T; only rescaled where they are uncorrelated, because mixing them would
change the model). Estimates are turned back in `fit`.

Rows are read in blocks that fit the processor's cache, on two threads where there are many.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import DataError, ModelError
from outcomes.statistics.mixed_model.design import Design
from outcomes.statistics.mixed_model.likelihood import Level, Sums

__all__ = ["Work", "client_sums", "level_plan", "prepare", "rank_fault", "root_of_gram"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: A column is called dependent if this share of its sum of squares is left after the others.
DEPENDENT = 1e-11
#: Rows handled at a time.
BLOCK = 16_384


@dataclass(frozen=True)
class Work:
    """How columns are put into working units.

    Attributes
    ----------
    design : Design
        The columns themselves; its outermost levels may be without terms.
    root : array (rows,) or None
        Square roots of the weights.
    r, inverse : arrays (p, p)
        X = X_work r; coefficients are r^-1 times the working ones.
    start : array (p,)
        Least-squares coefficients (working), to be added to the working coefficients.
    scale : float
        Unit of the working outcome.
    turns : tuple of arrays (q, q)
        Z_work = Z turn for each level.
    log_weights : float
        Sum of the logarithms of the weights.
    """

    design: Design
    root: Array | None
    r: Array
    inverse: Array
    start: Array
    scale: float
    turns: tuple[Array, ...]
    log_weights: float

    def block(self, rows: slice | Index) -> Array:
        """Columns [z inner, z outer..., x, y] of some rows, as (columns, rows)."""
        design = self.design
        root = None if self.root is None else self.root[rows]
        x = np.stack([column[rows] for column in design.x])
        y = design.y[rows]
        parts = []
        for level, turn in zip(design.levels, self.turns, strict=True):
            if level.z:
                parts.append(turn.T @ np.stack([column[rows] for column in level.z]))
        x = self.inverse.T @ x
        y = (y - self.start @ x) / self.scale if root is None else y
        if root is not None:
            parts = [part * root for part in parts]
            x *= root
            y = (y * root - self.start @ x) / self.scale
        return np.concatenate([*parts, x, y[None]])

    @cached_property
    def columns(self) -> Array:
        """All rows of `block`."""
        return self.block(slice(None))


def root_of_gram(gram: Array) -> tuple[Array, list[int]]:
    """Upper triangular R with R'R = gram, and the columns that depend on earlier ones."""
    p = gram.shape[0]
    size = np.sqrt(np.maximum(np.diagonal(gram), np.finfo(float).tiny))
    unit = gram / np.outer(size, size)
    r = np.zeros((p, p))
    dependent = []
    for j in range(p):
        for i in range(j):
            if r[i, i] > 0:
                r[i, j] = (unit[i, j] - r[:i, i] @ r[:i, j]) / r[i, i]
        left = unit[j, j] - r[:j, j] @ r[:j, j]
        if left < DEPENDENT or gram[j, j] == 0.0:
            dependent.append(j)
        else:
            r[j, j] = np.sqrt(left)
    return r * size, dependent


def rank_fault(names: Sequence[str], dependent: Sequence[int], thing: str) -> DataError:
    """Name the columns that carry no information of their own."""
    listed = ", ".join(names[j] for j in dependent)
    natural = any(names[j].startswith(("cs(", "cr(")) for j in dependent)
    hint = " (a natural spline beside an intercept needs constraints='center')" if natural else ""
    return DataError(
        f"{thing} must have columns that differ from each other; constant, empty or a combination "
        f"of the others within these data: {listed}. Drop {'it' if len(dependent) == 1 else 'them'}"
        f" from the formula{hint}."
    )


def _blocks(n: int) -> list[slice]:
    return [slice(i, min(i + BLOCK, n)) for i in range(0, n, BLOCK)]


def _map(function, items):  # noqa: ANN001, ANN202
    """Apply in order, on two threads where there is much to do."""
    if len(items) < 8:
        return [function(item) for item in items]
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(function, items))


def prepare(design: Design, weights: Array | None = None) -> Work:
    """Find the working units of a design, refusing dependent columns by name."""
    root = None if weights is None else np.sqrt(weights)
    p = len(design.x)

    def gram(rows: slice) -> Array:
        a = np.stack([column[rows] for column in (*design.x, design.y)])
        if root is not None:
            a *= root[rows]
        return a @ a.T

    total = np.sum(_map(gram, _blocks(design.n_rows)), axis=0)
    work = work_from_gram(
        design.x_names,
        [(level.name, level.terms, level.correlated) for level in design.levels],
        total,
        [_level_gram(design, level.z, root) for level in design.levels],
        design.n_rows,
    )
    log_weights = 0.0 if weights is None else float(np.log(weights).sum())
    work = replace(work, design=design, root=root, log_weights=log_weights)

    def rest(rows: slice) -> Array:
        a = work.block(rows)[-p - 1 :]
        return a @ a[-1]

    again = np.sum(_map(rest, _blocks(design.n_rows)), axis=0)
    start = work.start + again[:p] / design.n_rows * work.scale
    squares = again[p] * work.scale**2 / design.n_rows
    if squares <= 1e-24 * total[p, p] / design.n_rows:
        raise ModelError(
            "the outcome must not be an exact combination of the fixed part; nothing is left to "
            "estimate a variance from. Drop terms from the formula."
        )
    return replace(work, start=start, scale=float(np.sqrt(squares)))


def _level_gram(design: Design, z: Sequence[Array], root: Array | None) -> Array:
    def gram(rows: slice) -> Array:
        a = np.stack([column[rows] for column in z])
        if root is not None:
            a *= root[rows]
        return a @ a.T

    if not z:
        return np.zeros((0, 0))
    return np.sum(_map(gram, _blocks(design.n_rows)), axis=0)


def work_from_gram(
    x_names: Sequence[str],
    levels: Sequence[tuple[str, Sequence[str], bool]],
    gram: Array,
    level_grams: Sequence[Array],
    n_rows: int,
) -> Work:
    """Find working units from sums of products: (p + 1, p + 1) of X and y, (q, q) of each Z."""
    p = gram.shape[0] - 1
    r, dependent = root_of_gram(gram[:p, :p])
    if dependent:
        raise rank_fault(x_names, dependent, "the fixed part")
    r /= np.sqrt(n_rows)
    inverse = np.linalg.inv(r)
    start = inverse.T @ gram[:p, p] / n_rows
    turns = []
    for (name, terms, correlated), own in zip(levels, level_grams, strict=True):
        t, dependent = root_of_gram(own / n_rows)
        if dependent:
            raise rank_fault(terms, dependent, f"the random terms of {name}")
        size = np.sqrt(np.diagonal(own) / n_rows)
        turns.append(np.linalg.inv(t) if correlated else np.diag(1.0 / size))
    scale = float(np.sqrt(max(gram[p, p] / n_rows - start @ start, 1e-8 * gram[p, p] / n_rows)))
    nothing: Design = None  # type: ignore[assignment]
    return Work(nothing, None, r, inverse, start, scale, tuple(turns), 0.0)


def level_plan(design: Design) -> list[Level]:
    """How `likelihood.evaluate` walks the levels of a design."""
    plan = []
    for i, level in enumerate(design.levels):
        outer = design.levels[i + 1] if i + 1 < len(design.levels) else None
        plan.append(
            Level(
                pairs=level.pairs,
                starts=level.outer_starts,
                q=len(level.terms),
                q_outer=0 if outer is None else len(outer.terms),
                starts_outer=None if outer is None else outer.outer_starts,
            )
        )
    return plan


def _ordered(codes: Index) -> Index | None:
    """Row order that brings each group's rows together; None where they are already."""
    if bool((codes[1:] >= codes[:-1]).all()):
        return None
    return np.argsort(codes, kind="stable")


def _pieces(starts: Index, n_rows: int, most: int = BLOCK) -> Iterator[tuple[int, int]]:
    """Yield runs of whole groups, (first group, first group after), about `most` rows each."""
    ends = np.append(starts[1:], n_rows)
    first = 0
    while first < starts.size:
        after = int(np.searchsorted(ends, starts[first] + most, side="right"))
        after = max(after, first + 1)
        yield first, after
        first = after


def client_sums(
    work: Work, multiplier: Array | None = None, *, sample: int = 0
) -> tuple[Sums, tuple[Sums, int] | None]:
    """Sum products of the working columns per innermost group.

    Parameters
    ----------
    work : Work
        Columns and groups.
    multiplier : array (rows,), optional
        Factor of every row's columns (0 and 1 to select rows).
    sample : int
        If above 0, also the sums of this many evenly spaced pieces, for starting values.

    Returns
    -------
    (Sums, (Sums, rows) or None)
        Of everything; of the sample, with its number of rows.
    """
    design = work.design
    if not design.levels:
        parts = _map(
            lambda rows: _times(work.block(rows), multiplier, rows), _blocks(design.n_rows)
        )
        full = np.sum([a @ a.T for a in parts], axis=0)
        return Sums(np.zeros((0, 0, 1)), np.zeros((0, 1, full.shape[0])), full[None]), None
    inner = design.levels[0]
    q, n = len(inner.terms), inner.n_groups
    order = _ordered(inner.codes)
    codes = inner.codes if order is None else inner.codes[order]
    starts = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]])
    r = sum(len(level.terms) for level in design.levels[1:]) + len(design.x) + 1
    outer = inner.outer_starts
    zz, zr = np.empty((q, q, n)), np.empty((q, n, r))
    rr = np.zeros((1 if outer is None else outer.size, r, r))
    parent = np.zeros(0, np.intp)
    if outer is not None:
        parent = np.repeat(np.arange(outer.size), np.diff(np.append(outer, n)))

    def piece(groups: tuple[int, int]) -> Array:
        first, after = groups
        last = starts[after] if after < starts.size else design.n_rows
        rows = slice(starts[first], last) if order is None else order[starts[first] : last]
        a = _times(work.block(rows), multiplier, rows)
        own = starts[first:after] - starts[first]
        for i in range(q):
            sums = np.add.reduceat(a[i] * a[i:], own, axis=1)
            zz[i, i:, first:after] = zz[i:, i, first:after] = sums[: q - i]
            zr[i, first:after] = sums[q - i :].T
        right = a[q:]
        if outer is None:
            return right @ right.T
        of = parent[first:after]
        change = np.flatnonzero(np.r_[True, of[1:] != of[:-1]])
        heads = own[change]
        out = np.empty((change.size, r, r))
        for i in range(r):
            out[:, i, i:] = np.add.reduceat(right[i] * right[i:], heads, axis=1).T
            out[:, i:, i] = out[:, i, i:]
        return out

    pieces = list(_pieces(starts, design.n_rows))
    found = _map(piece, pieces)
    for (first, after), part in zip(pieces, found, strict=True):
        if outer is None:
            rr[0] += part
        else:
            rr[parent[first] : parent[after - 1] + 1] += part
    total = Sums(zz, zr, rr)
    if not sample or len(pieces) < 4 * sample or outer is not None:
        return total, None
    chosen = np.linspace(0, len(pieces) - 1, sample).astype(int)
    groups = np.concatenate([np.arange(*pieces[i]) for i in chosen])
    ends = np.append(starts, design.n_rows)
    rows = int(sum(ends[pieces[i][1]] - ends[pieces[i][0]] for i in chosen))
    part = np.sum([found[i] for i in chosen], axis=0)[None]
    return total, (Sums(zz[:, :, groups], zr[:, groups], part), rows)


def _times(a: Array, multiplier: Array | None, rows: slice | Index) -> Array:
    return a if multiplier is None else a * multiplier[rows]
