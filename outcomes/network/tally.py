"""Tallies: what a partition gives back, as plain numbers that add up.

A tally is a nested dictionary of numbers that can stand in JSON. Counts and sums add; lists add
place by place; moments merge without loss:

    n = n1 + n2,  d = mean2 - mean1,  mean = mean1 + d n2 / n,
    m2 = m2_1 + m2_2 + d d' n1 n2 / n            (Chan, Golub and LeVeque 1983, Am Stat 37:242)

so that mean and covariance over all partitions are those over all rows, to the last digits.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

__all__ = [
    "Tally",
    "counts_of",
    "covariance",
    "equivalent_rows",
    "merge",
    "merge_all",
    "moments",
    "quantile_of_counts",
]

Tally = dict[str, Any]


def merge_all(tallies: Iterable[Mapping[str, Any]]) -> Tally:
    """Add up tallies, in the order given."""
    total: Tally = {}
    for one in tallies:
        total = merge(total, one)
    return total


def merge(a: Mapping[str, Any], b: Mapping[str, Any]) -> Tally:
    """Add two tallies.

    Examples
    --------
    >>> merge({"n": 2, "by": {"x": 1}}, {"n": 3, "by": {"y": 4}})
    {'n': 5, 'by': {'x': 1, 'y': 4}}
    """
    if "m2" in a and "m2" in b:
        return _merge_moments(a, b)
    out = dict(a)
    for name, value in b.items():
        out[name] = _added(out[name], value) if name in out else value
    return out


def _added(a: Any, b: Any) -> Any:
    if isinstance(a, Mapping):
        return merge(a, b)
    if isinstance(a, list):
        return [_added(x, y) for x, y in zip(a, b, strict=True)]
    return a + b


def moments(columns: Any) -> Tally:
    """Give n, means and sums of products around them, of columns (rows, k).

    Examples
    --------
    >>> left, right = moments([[1.0], [2.0]]), moments([[6.0]])
    >>> merge(left, right)
    {'n': 3, 'mean': [3.0], 'm2': [[14.0]]}
    """
    values = np.asarray(columns, dtype=float)
    n, k = values.shape
    if n == 0:
        return {"n": 0, "mean": [0.0] * k, "m2": [[0.0] * k] * k}
    mean = values.mean(axis=0)
    rest = values - mean
    return {"n": n, "mean": mean.tolist(), "m2": (rest.T @ rest).tolist()}


def _merge_moments(a: Mapping[str, Any], b: Mapping[str, Any]) -> Tally:
    n = a["n"] + b["n"]
    if n == 0:
        return dict(a)
    first, second = np.asarray(a["mean"]), np.asarray(b["mean"])
    apart = second - first
    m2 = np.asarray(a["m2"]) + np.asarray(b["m2"])
    m2 = m2 + np.outer(apart, apart) * (a["n"] * b["n"] / n)
    return {"n": n, "mean": (first + apart * (b["n"] / n)).tolist(), "m2": m2.tolist()}


def covariance(tally: Mapping[str, Any]) -> np.ndarray:
    """Give the covariance matrix (divisor n - 1) of merged moments."""
    return np.asarray(tally["m2"]) / (tally["n"] - 1)


def equivalent_rows(tally: Mapping[str, Any]) -> np.ndarray:
    """Make rows (n, k) that have exactly these moments, and tell nothing else.

    Whatever depends on data through means and covariances only comes out the same from them, by
    the function that takes rows. There must be more rows than columns.

    Examples
    --------
    >>> rows = equivalent_rows(moments([[1.0, 5.0], [2.0, 3.0], [6.0, 4.0]]))
    >>> rows.mean(axis=0).round(12).tolist(), np.cov(rows.T)[0, 1].round(12).item()
    ([3.0, 4.0], -0.5)
    """
    n, mean, m2 = tally["n"], np.asarray(tally["mean"]), np.asarray(tally["m2"])
    k = mean.size
    basis = np.ones((n, k + 1))
    basis[:, 1:] = np.cos(np.pi * np.outer(np.arange(n) + 0.5, np.arange(1, k + 1)) / n)
    basis[:, 1:] /= np.sqrt(n / 2)  # orthonormal, and orthogonal to one (discrete cosines)
    values, vectors = np.linalg.eigh((m2 + m2.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return mean + basis[:, 1:] @ root.T


def counts_of(values: Any) -> dict[str, int]:
    """Count distinct values; keys are text, for JSON.

    Examples
    --------
    >>> counts_of([7, 7, 14])
    {'7': 2, '14': 1}
    """
    found = pd.Series(values).value_counts(sort=False).sort_index()
    return {str(value): int(count) for value, count in found.items()}


def quantile_of_counts(counts: Mapping[str, int], level: float) -> float:
    """Give the exact quantile (linear between neighbours, as numpy) of counted whole numbers.

    Examples
    --------
    >>> quantile_of_counts({"7": 2, "14": 1, "9": 1}, 0.5)
    8.0
    """
    value = np.array(sorted(float(key) for key in counts))
    upto = np.cumsum([counts[key] for key in sorted(counts, key=float)])
    place = level * (upto[-1] - 1)
    low = int(np.floor(place))
    at = [float(value[np.searchsorted(upto, k, side="right")]) for k in (low, int(np.ceil(place)))]
    return float(at[0] + (at[1] - at[0]) * (place - low))
