"""Averages of t distributions over a grid of something unknown (a variance, a correlation)."""

from __future__ import annotations

import numpy as np
from scipy import special, stats

__all__: list[str] = []


def mixture_quantile(
    weights: np.ndarray, centre: np.ndarray, spread: np.ndarray, df: float, probability: float
) -> np.ndarray:
    """Find quantiles of mixtures of t distributions, one per column, by safeguarded Newton steps.

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
    log_constant = special.gammaln((df + 1) / 2) - special.gammaln(df / 2)
    height = np.exp(log_constant) / np.sqrt(df * np.pi) / spread
    # start where a normal of the same mean and variance has its quantile
    mean = weights @ centre
    sd = np.sqrt(weights @ (spread**2 + (centre - mean) ** 2))
    at = np.clip(mean + special.ndtri(probability) * sd, low, high)
    for _ in range(100):
        z = (at - centre) / spread
        gap = weights @ special.stdtr(df, z) - probability
        low, high = np.where(gap < 0, at, low), np.where(gap < 0, high, at)
        slope = weights @ (height * (1 + z**2 / df) ** (-(df + 1) / 2))
        step = at - gap / np.maximum(slope, 1e-300)
        # Newton's step where it stays inside the bracket, else the middle of it
        new = np.where((step > low) & (step < high), step, (low + high) / 2)
        if np.all(np.abs(new - at) <= 1e-10 * (high - low + np.abs(new) + reach.max(axis=0))):
            return new
        at = new
    return at


def mixture_above(
    weights: np.ndarray, centre: np.ndarray, spread: np.ndarray, df: float
) -> np.ndarray:
    """Give the chance above zero of mixtures of t distributions, one per column."""
    return weights @ special.stdtr(df, centre / spread)
