"""From rows to per-client sums: the only step whose cost grows with the number of visits.

Columns are first put into working units, in which every later number is near one whatever the
units of the data: X is made orthogonal (X = X_work R), the outcome is replaced by its residual
from least squares, in units of that residual's size, and the random terms of each level are made
orthogonal (Z = Z_work T^-1; only rescaled where they are uncorrelated, because mixing them would
change the model). Estimates are turned back in `fit`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import DataError, ModelError
from outcomes.statistics.mixed_model.design import Design
from outcomes.statistics.mixed_model.likelihood import Level, Sums

__all__ = ["Work", "client_sums", "level_plan", "prepare", "rank_fault", "working_columns"]

Array = NDArray[np.float64]

#: A column is called dependent if this share of its sum of squares is left after the others.
DEPENDENT = 1e-11


@dataclass(frozen=True)
class Work:
    """Columns in working units.

    Attributes
    ----------
    x, y : arrays
        Columns of the fixed part (rows, p), and the outcome.
    z : tuple of arrays (rows, q)
        Random terms per level, from the innermost.
    r : array (p, p)
        X = x r, so that coefficients are r^-1 times the working ones.
    start : array (p,)
        Least-squares coefficients (working), to be added to the working coefficients.
    scale : float
        Unit of the working outcome.
    turns : tuple of arrays (q, q)
        z = Z turn for each level.
    log_weights : float
        Sum of the logarithms of the weights.
    """

    x: Array
    y: Array
    z: tuple[Array, ...]
    r: Array
    start: Array
    scale: float
    turns: tuple[Array, ...]
    log_weights: float


def _root_of_gram(gram: Array) -> tuple[Array, list[int]]:
    """Upper triangular R with R'R = gram, and the columns that depend on earlier ones."""
    p = gram.shape[0]
    size = np.sqrt(np.maximum(np.diagonal(gram), np.finfo(float).tiny))
    unit = gram / np.outer(size, size)
    r = np.zeros((p, p))
    dependent = []
    for j in range(p):
        for i in range(j):
            known = r[:i, i] @ r[:i, j]
            r[i, j] = (unit[i, j] - known) / r[i, i] if r[i, i] > 0 else 0.0
        left = unit[j, j] - r[:j, j] @ r[:j, j]
        if left < DEPENDENT or gram[j, j] == 0.0:
            dependent.append(j)
        else:
            r[j, j] = np.sqrt(left)
    return r * size, dependent


def rank_fault(names: Sequence[str], dependent: Sequence[int], thing: str) -> DataError:
    """Name the columns that carry no information of their own."""
    listed = ", ".join(names[j] for j in dependent)
    return DataError(
        f"{thing} must have columns that differ from each other; constant, empty or a combination "
        f"of the others within these data: {listed}. Drop {'it' if len(dependent) == 1 else 'them'}"
        f" from the formula."
    )


def prepare(design: Design, weights: Array | None = None) -> Work:
    """Put the columns of a design into working units, refusing dependent ones by name."""
    root = None if weights is None else np.sqrt(weights)
    x = np.column_stack(design.x) if design.x else np.zeros((design.n_rows, 0))
    y = design.y if root is None else design.y * root
    if root is not None:
        x = x * root[:, None]
    r, dependent = _root_of_gram(x.T @ x)
    if dependent:
        raise rank_fault(design.x_names, dependent, "the fixed part")
    x = x @ np.linalg.inv(r)
    x *= np.sqrt(design.n_rows)
    r /= np.sqrt(design.n_rows)
    start = np.linalg.solve(x.T @ x, x.T @ y)
    rest = y - x @ start
    again = np.linalg.solve(x.T @ x, x.T @ rest)
    start += again
    rest -= x @ again
    scale = float(np.sqrt(rest @ rest / rest.size))
    if scale <= 1e-12 * float(np.sqrt(y @ y / y.size)):
        raise ModelError(
            "the outcome must not be an exact combination of the fixed part; nothing is left to "
            "estimate a variance from. Drop terms from the formula."
        )
    turns, columns = [], []
    for level in design.levels:
        z = np.column_stack(level.z)
        if root is not None:
            z = z * root[:, None]
        gram = z.T @ z / design.n_rows
        t, dependent = _root_of_gram(gram)
        if dependent:
            raise rank_fault(level.terms, dependent, f"the random terms of {level.name}")
        turn = np.linalg.inv(t) if level.correlated else np.diag(1 / np.sqrt(np.diagonal(gram)))
        turns.append(turn)
        columns.append(z @ turn)
    log_weights = 0.0 if weights is None else float(np.log(weights).sum())
    return Work(x, rest / scale, tuple(columns), r, start, scale, tuple(turns), log_weights)


class GroupSums:
    """Sums over the rows of each group, whether or not its rows stand together."""

    def __init__(self, codes: NDArray[np.intp], n_groups: int) -> None:
        self.codes, self.n_groups = codes, n_groups
        together = bool((codes[1:] >= codes[:-1]).all())
        self.starts = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]]) if together else None

    def __call__(self, values: Array) -> Array:
        """Sum one column."""
        if self.starts is not None:
            return np.add.reduceat(values, self.starts)
        return np.bincount(self.codes, weights=values, minlength=self.n_groups)


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


def client_sums(
    design: Design, left: Sequence[Array], right: Sequence[Array] | None = None
) -> Sums:
    """Sums of left' right per innermost group, for columns [z_inner, z_outer..., x, y].

    Parameters
    ----------
    design : Design
        For the groups.
    left : sequence of arrays (rows,)
        Columns.
    right : sequence of arrays, optional
        Other columns, where the product is not of the columns with themselves; the result is
        then left' right + right' left.
    """
    if not design.levels:
        a = np.column_stack(left)
        b = a if right is None else np.column_stack(right)
        full = a.T @ b if right is None else a.T @ b + b.T @ a
        return Sums(np.zeros((0, 0, 1)), np.zeros((0, 1, len(left))), full[None])
    inner = design.levels[0]
    q, n = len(inner.terms), inner.n_groups
    r = len(left) - q
    add = GroupSums(inner.codes, n)

    def product(i: int, j: int) -> Array:
        if right is None:
            return left[i] * left[j]
        return left[i] * right[j] + right[i] * left[j]

    zz = np.empty((q, q, n))
    zr = np.empty((q, n, r))
    for a in range(q):
        for b in range(a + 1):
            zz[a, b] = zz[b, a] = add(product(a, b))
        for j in range(r):
            zr[a, :, j] = add(product(a, q + j))
    if inner.outer_starts is None:
        a = np.column_stack(left[q:])
        b = a if right is None else np.column_stack(right[q:])
        full = a.T @ b if right is None else a.T @ b + b.T @ a
        return Sums(zz, zr, full[None])
    outer = design.levels[1]
    add = GroupSums(outer.codes, outer.n_groups)
    rr = np.empty((outer.n_groups, r, r))
    for i in range(r):
        for j in range(i + 1):
            rr[:, i, j] = rr[:, j, i] = add(product(q + i, q + j))
    return Sums(zz, zr, rr)


def working_columns(work: Work) -> list[Array]:
    """Columns in the order in which levels are eliminated, the outcome last."""
    columns = [z[:, j] for z in work.z for j in range(z.shape[1])]
    return [*columns, *(work.x[:, j] for j in range(work.x.shape[1])), work.y]
