"""Averages of t distributions over a grid of something unknown (a variance, a correlation)."""

from __future__ import annotations

import numpy as np
from scipy import special, stats

__all__: list[str] = []


def mixture_quantile(
    weights: np.ndarray, centre: np.ndarray, spread: np.ndarray, df: float, probability: float
) -> np.ndarray:
    """Find quantiles of mixtures of t distributions by bisection, one per column.

    Parameters
    ----------
    weights : ndarray, grid
        Weights that sum to 1.
    centre, spread : ndarray, grid x columns
        Location and scale of each part; scales above zero.
    df : float
        Degrees of freedom of every part.
    probability : float
        In (0, 1).
    """
    reach = spread * abs(float(stats.t.ppf(min(probability, 1 - probability) / 2, df)))
    low, high = (centre - reach).min(axis=0), (centre + reach).max(axis=0)
    for _ in range(45):
        middle = (low + high) / 2
        below = weights @ special.stdtr(df, (middle - centre) / spread) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2


def mixture_above(
    weights: np.ndarray, centre: np.ndarray, spread: np.ndarray, df: float
) -> np.ndarray:
    """Give the chance above zero of mixtures of t distributions, one per column."""
    return weights @ special.stdtr(df, centre / spread)
