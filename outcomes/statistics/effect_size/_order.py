"""Order statistics of all pairwise means or differences, without building the pairs.

A value's rank among all pairs is counted by a sorted search, so that the k-th smallest is found by
halving the range: memory grows with the clients, not with their square.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

__all__ = [
    "kth_difference",
    "kth_walsh_average",
    "rank_sum_quantile",
    "signed_rank_quantile",
]

_EXACT_UP_TO = 50


def _kth(count_at_most: Callable[[float], int], low: float, high: float, k: int) -> float:
    """Find the smallest value v in [low, high] with at least k pairs <= v, by halving."""
    while True:
        middle = low + (high - low) / 2
        if not low < middle < high:
            return low if count_at_most(low) >= k else high
        if count_at_most(middle) >= k:
            high = middle
        else:
            low = middle


def _snap(
    found: float,
    ordered: np.ndarray,
    partners: np.ndarray,
    pair_value: Callable[[np.ndarray], np.ndarray],
) -> float:
    """Give the pair's own value next to the one found, which halving misses by the last bit."""
    after = np.searchsorted(ordered, partners)
    near = [ordered[np.clip(after + shift, 0, ordered.size - 1)] for shift in (-1, 0)]
    candidates = np.concatenate([pair_value(values) for values in near])
    return float(candidates[np.argmin(np.abs(candidates - found))])


def kth_walsh_average(values: np.ndarray, k: int) -> float:
    """Give the k-th smallest (from 1) of the means of all pairs i <= j of the values."""
    ordered = np.sort(values)
    here = np.arange(1, ordered.size + 1)

    def count(v: float) -> int:
        # partners j with (x_i + x_j) / 2 <= v; pairs counted twice but for i = j
        partners = np.searchsorted(ordered, 2 * v - ordered, side="right")
        return int((partners.sum() + (partners >= here).sum()) // 2)

    found = _kth(count, float(ordered[0]), float(ordered[-1]), k)
    return _snap(found, ordered, 2 * found - ordered, lambda near: (ordered + near) / 2)


def kth_difference(first: np.ndarray, second: np.ndarray, k: int) -> float:
    """Give the k-th smallest (from 1) of all differences first_i - second_j."""
    ordered = np.sort(first)

    def count(v: float) -> int:
        return int(np.searchsorted(ordered, second + v, side="right").sum())

    low = float(ordered[0] - second.max())
    found = _kth(count, low, float(ordered[-1] - second.min()), k)
    return _snap(found, ordered, second + found, lambda near: near - second)


def _quantile(counts: np.ndarray, p: float) -> int:
    share = np.cumsum(counts / counts.sum())
    return int(np.searchsorted(share, p * (1 - 64 * np.finfo(float).eps)))


@lru_cache(maxsize=256)
def signed_rank_quantile(p: float, n: int) -> int:
    """Give the smallest w with P(W <= w) >= p, W the signed-rank sum; exact up to 50 clients."""
    if n > _EXACT_UP_TO:
        mean, variance = n * (n + 1) / 4, n * (n + 1) * (2 * n + 1) / 24
        return int(np.round(mean + ndtri(p) * np.sqrt(variance)))
    counts = np.zeros(n * (n + 1) // 2 + 1)
    counts[0] = 1
    for rank in range(1, n + 1):
        counts[rank:] = (counts[rank:] + counts[: counts.size - rank]) / 2
        counts[:rank] /= 2
    return _quantile(counts, p)


@lru_cache(maxsize=256)
def rank_sum_quantile(p: float, n: int, m: int) -> int:
    """Give the smallest u with P(U <= u) >= p, U of Mann and Whitney; exact up to 50 a group."""
    if max(n, m) > _EXACT_UP_TO:
        return int(np.round(n * m / 2 + ndtri(p) * np.sqrt(n * m * (n + m + 1) / 12)))
    counts = np.zeros(n * m + 1, dtype=object)  # whole numbers of any size: exact
    counts[0] = 1
    for i in range(1, m + 1):  # multiply by (1 - x^(n + i)), divide by (1 - x^i)
        counts[n + i :] = counts[n + i :] - counts[: max(counts.size - n - i, 0)]
        for k in range(i, counts.size):
            counts[k] += counts[k - i]
    total = counts.sum()
    return _quantile(np.array([float(c / total) for c in counts]), p)
