"""Mean squares of one-way and balanced crossed or nested designs, and what they are expected to be.

Notation
--------
term    a set of factors, e.g. ``("client", "rater")``: their interaction; ``()`` never appears
MS_S    mean square of term S, with df_S degrees of freedom
s2_T    variance component of term T; the residual is the term ``("residual",)``
E(MS_S) = s2_residual + sum over terms T that contain S of (readings per level of T) * s2_T

All sums of squares are sums of squared effects of data that were centred first, never differences
of large totals: with an offset of a million they keep the digits that the data have.
Arrays may carry a batch of data sets in front; every data set is worked on at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

__all__ = ["RESIDUAL", "MeanSquares", "OneWay", "crossed_mean_squares", "one_way"]

RESIDUAL = ("residual",)

Term = tuple[str, ...]


@dataclass(frozen=True)
class OneWay:
    """Between and within sums of squares of a one-way layout."""

    ss_between: float
    ss_within: float
    df_between: int
    df_within: int

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups."""
        return self.ss_within / self.df_within

    @property
    def statistic(self) -> float:
        """F ratio; infinite where nothing varies within groups."""
        return self.ms_between / self.ms_within if self.ss_within > 0 else np.inf


def one_way(values: Any, groups: Any) -> OneWay:
    """Split the sum of squares of readings into between and within groups.

    Use it on any number of readings per group, of two groups or more with one group of two or
    more readings; callers check that.

    Parameters
    ----------
    values : array-like of float, one per reading
    groups : array-like, one label per reading

    Returns
    -------
    OneWay

    Notes
    -----
    The first reading is subtracted from all (exact for close numbers), then group means and
    deviations are taken, each once more corrected by the mean of what is left.

    Examples
    --------
    >>> one_way([1.0, 3.0, 5.0, 7.0], ["a", "a", "b", "b"]).statistic
    8.0

    Checked against: NIST StRD one-way analysis of variance, all 11 files
    (tests/statistics/repeatability/test_analysis_of_variance.py).
    """
    y = np.asarray(values, dtype=float)
    y = y - y[0]
    y = y - y.mean()
    _, codes = np.unique(np.asarray(groups), return_inverse=True)
    size = np.bincount(codes)
    mean = np.bincount(codes, y) / size
    left = y - mean[codes]
    correction = np.bincount(codes, left) / size
    left, mean = left - correction[codes], mean + correction
    grand = np.average(mean, weights=size)
    return OneWay(
        ss_between=float((size * (mean - grand) ** 2).sum()),
        ss_within=float((left**2).sum()),
        df_between=len(size) - 1,
        df_within=len(y) - len(size),
    )


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of a balanced design.

    Attributes
    ----------
    terms : tuple of Term
        In order; the residual last.
    mean_squares : ndarray, (..., terms)
    df : ndarray, (terms,)
    expected : ndarray, (terms, terms)
        Row S, column T: coefficient of the component of T in the expectation of MS_S.
    """

    terms: tuple[Term, ...]
    mean_squares: np.ndarray
    df: np.ndarray
    expected: np.ndarray

    @property
    def components(self) -> np.ndarray:
        """Analysis-of-variance estimates, (..., terms); may be below zero."""
        return self.mean_squares @ self.solve.T

    @property
    def solve(self) -> np.ndarray:
        """Matrix that takes mean squares to components."""
        return np.linalg.inv(self.expected)


def crossed_mean_squares(
    table: np.ndarray, factors: Sequence[str], *, nested: Sequence[str] = ()
) -> MeanSquares:
    """Compute all mean squares of a balanced design.

    Use it when every combination of the factors has the same number of readings. A factor named
    in `nested` has its own levels in each level of the first factor (days of each client), so it
    has no effect apart from the first factor.

    Parameters
    ----------
    table : ndarray, (..., levels of factor 1, ..., levels of factor p, readings per cell)
    factors : sequence of str
        Names of the factors, in the order of the axes.
    nested : sequence of str
        Which of them are nested in the first.

    Returns
    -------
    MeanSquares
        With one reading per cell the highest interaction is the residual.

    Notes
    -----
    Effects by successive centring over axes; sums of squares of nested factors pool the factor
    with its interaction with the first factor.

    References
    ----------
    Searle, Casella & McCulloch 1992, Variance Components, chapters 4 and 5.

    Examples
    --------
    >>> table = np.array([[9, 2, 5, 8], [6, 1, 3, 2.0]])[..., None]
    >>> crossed_mean_squares(table, ("client", "rater")).terms
    (('client',), ('rater',), ('residual',))

    Checked against: Shrout & Fleiss 1979, Eliasziw et al. 1994.
    """
    p = len(factors)
    shape = table.shape[table.ndim - p - 1 :]
    axes = range(table.ndim - p - 1, table.ndim - 1)
    levels = dict(zip(factors, shape, strict=False))
    per_cell, readings = shape[-1], int(np.prod(shape))
    y = table - table.mean(axis=tuple(range(table.ndim - p - 1, table.ndim)), keepdims=True)
    cell = y.mean(axis=-1, keepdims=True)
    sums: dict[Term, Any] = {}
    df: dict[Term, int] = {}
    for size in range(1, p + 1):
        for chosen in combinations(range(p), size):
            effect = cell
            for position, axis in enumerate(axes):
                mean = effect.mean(axis=axis, keepdims=True)
                effect = effect - mean if position in chosen else mean
            squared = (effect**2).sum(axis=tuple(range(table.ndim - p - 1, table.ndim)))
            term = tuple(factors[i] for i in chosen)
            own = set(term) | ({factors[0]} if set(term) & set(nested) else set())
            key = tuple(f for f in factors if f in own)
            count = readings / np.prod([levels[f] for f in term])
            sums[key] = sums.get(key, 0.0) + squared * count
            df[key] = df.get(key, 0) + int(np.prod([levels[f] - 1 for f in term]))
    if per_cell > 1:
        sums[RESIDUAL] = ((y - cell) ** 2).sum(axis=tuple(range(table.ndim - p - 1, table.ndim)))
        df[RESIDUAL] = readings - readings // per_cell
    else:
        top = tuple(factors)
        sums[RESIDUAL], df[RESIDUAL] = sums.pop(top), df.pop(top)
    terms = tuple(sums)
    expected = np.array(
        [
            [
                1.0
                if t == RESIDUAL
                else readings / np.prod([levels[f] for f in t]) * (set(s) <= set(t))
                for t in terms
            ]
            for s in terms
        ]
    )
    freedom = np.array([df[t] for t in terms], dtype=float)
    squares = np.stack([np.asarray(sums[t]) for t in terms], axis=-1) / freedom
    return MeanSquares(terms=terms, mean_squares=squares, df=freedom, expected=expected)
