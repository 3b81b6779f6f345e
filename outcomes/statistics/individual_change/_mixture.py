"""Mixtures of normals, one per row: what is known of a client's true change.

Notation: ``p_k`` weight of part k, ``m_k`` mean, ``v_k`` variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

__all__ = ["Mixture"]


@dataclass(frozen=True)
class Mixture:
    """Weights, means and variances (k x rows); all operations give one number per row.

    The weights of a row add up to one.
    """

    weights: np.ndarray
    means: np.ndarray
    variances: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        """Mean of the mixture."""
        return np.sum(self.weights * self.means, axis=0)

    @property
    def sd(self) -> np.ndarray:
        """Standard deviation of the mixture."""
        spread = self.variances + (self.means - self.mean) ** 2
        return np.sqrt(np.maximum(np.sum(self.weights * spread, axis=0), 0))

    def row(self, at: int) -> Mixture:
        """Give the mixture of one row alone."""
        return Mixture(self.weights[:, [at]], self.means[:, [at]], self.variances[:, [at]])

    def turned(self, sign: np.ndarray | float) -> Mixture:
        """Give the mixture times +1 or -1, per row."""
        return Mixture(self.weights, self.means * sign, self.variances)

    def shifted(self, by: np.ndarray | float) -> Mixture:
        """Give the mixture with a known number added, per row."""
        return Mixture(self.weights, self.means + by, self.variances)

    def widened(self, variance: np.ndarray | float) -> Mixture:
        """Give the mixture with independent normal noise added."""
        return Mixture(self.weights, self.means, self.variances + variance)

    def chance_above(self, line: np.ndarray | float) -> np.ndarray:
        """Chance of exceeding a line, per row; empty where the line is."""
        spread = np.sqrt(self.variances)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = (self.means - line) / spread
        known = np.where(spread > 0, z, np.where(self.means > line, np.inf, -np.inf))
        each = ndtr(np.where(np.isnan(line + self.means), np.nan, known))
        chance = np.sum(self.weights * each, axis=0)
        return np.clip(chance, 0.0, 1.0)  # weights sum to one but for the last bit

    def quantile(self, level: float) -> np.ndarray:
        """Quantile at one level, per row, by safeguarded Newton steps (exact for a single part)."""
        spread = np.sqrt(self.variances)
        ends = self.means + ndtri(level) * spread
        low, high = ends.min(axis=0), ends.max(axis=0)
        if len(self.means) == 1:
            return low
        found = (low + high) / 2
        close = 1e-12 * np.maximum(high - low, np.abs(found))
        open_rows = np.flatnonzero(high - low > close)
        # a row's steps never depend on other rows, so any partition of rows gives the same
        for _ in range(60):
            if not open_rows.size:
                break
            part, at = self._rows(open_rows), found[open_rows]
            gap = level - (1 - part.chance_above(at))
            below, above = low[open_rows], high[open_rows]
            below, above = np.where(gap > 0, at, below), np.where(gap > 0, above, at)
            with np.errstate(all="ignore"):  # no density between parts far apart
                step = at + gap / part._density(at)
            inside = (step > below) & (step < above)  # an empty step is outside
            new = np.where(inside, step, (below + above) / 2)
            low[open_rows], high[open_rows], found[open_rows] = below, above, new
            open_rows = open_rows[np.abs(new - at) > close[open_rows]]
        return found

    def _rows(self, which: np.ndarray) -> Mixture:
        return Mixture(self.weights[:, which], self.means[:, which], self.variances[:, which])

    def _density(self, at: np.ndarray) -> np.ndarray:
        """Density at one place per row; parts without spread count for nothing."""
        spread = np.sqrt(self.variances)
        z = (at - self.means) / spread
        each = np.exp(-(z**2) / 2) / (spread * np.sqrt(2 * np.pi))
        return np.sum(self.weights * np.where(spread > 0, each, 0), axis=0)
