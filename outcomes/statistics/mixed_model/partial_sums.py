"""Sums over the rows of one data frame or file, and adding up those of several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import DataError
from outcomes.statistics.mixed_model.likelihood import Sums
from outcomes.statistics.mixed_model.reduction import Work

__all__ = ["Recipe", "add_sums", "file_gram", "file_sums", "unpacked"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Recipe:
    """Which columns are multiplied to make a design.

    Attributes
    ----------
    group, response : str
        Column of the clients, and of the outcome.
    x, z : tuple of tuples of str
        Columns whose product is each fixed column and random term; empty for the intercept.
    """

    group: str
    response: str
    x: tuple[tuple[str, ...], ...]
    z: tuple[tuple[str, ...], ...]

    @property
    def used(self) -> list[str]:
        """Numeric columns that a complete row must have."""
        return list(dict.fromkeys([self.response, *(c for term in self.x + self.z for c in term)]))


def _products(frame: pd.DataFrame, terms: Sequence[Sequence[str]]) -> Array:
    """Columns of products, (terms, rows)."""
    out = np.ones((len(terms), len(frame)))
    for row, term in zip(out, terms, strict=True):
        for name in term:
            row *= frame[name].to_numpy(dtype=float)
    return out


def _complete(frame: pd.DataFrame, recipe: Recipe) -> pd.DataFrame:
    if np.asarray(pd.isna(frame[recipe.group]), dtype=bool).any():
        raise DataError(
            f"group column {recipe.group} must be filled in; some rows of the files are not. Fill "
            f"it in, or remove these rows first."
        )
    return frame.dropna(subset=recipe.used)


def file_gram(file: str, *, recipe: Recipe) -> tuple[Array, int, list[str]]:
    """Sum products of [1, z, x, y] over a file; also its rows, and columns that are not finite."""
    frame = pd.read_parquet(file, columns=[recipe.group, *recipe.used])
    n = len(frame)
    frame = _complete(frame, recipe)
    infinite = [name for name in recipe.used if np.isinf(frame[name].to_numpy(dtype=float)).any()]
    a = _products(frame, [(), *recipe.z, *recipe.x, (recipe.response,)])
    return a @ a.T, n, infinite


def file_sums(
    file: str, *, recipe: Recipe, work: Work
) -> tuple[pd.Series, NDArray[np.intp], Array, Array]:
    """Sum products of the working columns of a file per client.

    Returns the clients, their rows, (clients, sums) as `unpacked` reads them, and the sums over
    all rows of products of the fixed columns and the outcome.
    """
    frame = _complete(pd.read_parquet(file, columns=[recipe.group, *recipe.used]), recipe)
    codes, labels = pd.factorize(frame[recipe.group])
    z = work.turns[0].T @ _products(frame, recipe.z)
    x = work.inverse.T @ _products(frame, recipe.x)
    y = (frame[recipe.response].to_numpy(dtype=float) - work.start @ x) / work.scale
    rest = np.concatenate([x, y[None]])
    n = len(labels)
    sums = [
        np.bincount(codes, weights=product, minlength=n)
        for i in range(len(z))
        for product in [*(z[i] * z[i:]), *(z[i] * rest)]
    ]
    counts = np.bincount(codes, minlength=n)
    return pd.Series(labels), counts, np.array(sums, dtype=np.float64).T, rest @ rest.T


def add_sums(
    parts: Sequence[tuple[pd.Series, NDArray[np.intp], Array, Array]],
) -> tuple[pd.Series, NDArray[np.intp], Array, Array]:
    """Add the results of `file_sums`: a client may have rows in several files."""
    keys = pd.concat([part[0] for part in parts], ignore_index=True)
    codes, labels = pd.factorize(keys)
    n = len(labels)
    counts = np.bincount(codes, weights=np.concatenate([p[1] for p in parts]), minlength=n)
    rows = np.concatenate([part[2] for part in parts])
    if n < len(rows):
        rows = np.column_stack([np.bincount(codes, weights=c, minlength=n) for c in rows.T])
    else:
        order = np.argsort(codes, kind="stable")
        rows = rows[order]
    rr = np.asarray(np.sum([part[3] for part in parts], axis=0), dtype=np.float64)
    return pd.Series(labels), counts.astype(np.intp), np.asarray(rows, dtype=np.float64), rr


def unpacked(rows: Array, rr: Array, q: int, p: int) -> Sums:
    """Arrange (clients, sums) as the likelihood reads them."""
    n, r = len(rows), p + 1
    zz, zr = np.empty((q, q, n)), np.empty((q, n, r))
    at = 0
    for i in range(q):
        for j in range(i, q):
            zz[i, j] = zz[j, i] = rows[:, at]
            at += 1
        zr[i] = rows[:, at : at + r]
        at += r
    return Sums(zz, zr, rr[None])
