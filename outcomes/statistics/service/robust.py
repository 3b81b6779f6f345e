"""Least squares with errors that may cluster in clients: CR2 intervals.

    y = X b + e, rows of client g have any covariance
    V = M sum_g X_g' A_g e_g e_g' A_g X_g M,   M = (X'X)^-1,   A_g = (I - X_g M X_g')^(-1/2)

CR2 (Bell & McCaffrey 2002, Surv Methodol 28:169) is unbiased where errors are in fact independent
with one variance, and its degrees of freedom match the first two moments of the variance
estimate then. With one row a client it is the HC2 estimator; for two group means, Welch's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError

__all__ = ["LeastSquares", "least_squares"]


@dataclass(frozen=True, eq=False)
class LeastSquares:
    """A least-squares fit, ready to give contrasts with cluster-robust intervals."""

    coefficients: np.ndarray
    design: np.ndarray
    inverse: np.ndarray
    residuals: np.ndarray
    order: np.ndarray
    edges: np.ndarray

    def contrast(self, weights: np.ndarray) -> tuple[float, float, float]:
        """Give estimate, standard error and degrees of freedom of a sum of coefficients."""
        direction = self.inverse @ weights
        score, spread, pull = self._clients(direction)
        variance = float(score @ score)
        own = spread - np.einsum("ij,jk,ik->i", pull, self.inverse, pull)
        cross = self.inverse @ (pull.T @ pull)
        second = float(
            (spread**2).sum()
            - 2 * (spread * np.einsum("ij,jk,ik->i", pull, self.inverse, pull)).sum()
            + np.trace(cross @ cross)
        )
        df = float(own.sum() ** 2 / second) if second > 0 else np.inf
        return float(weights @ self.coefficients), float(np.sqrt(variance)), df

    def _clients(self, direction: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Per client: adjusted score, squared length of its weights, and their pull on b."""
        x, residuals = self.design[self.order], self.residuals[self.order]
        along = x @ direction
        leverage = np.einsum("ij,jk,ik->i", x, self.inverse, x)
        starts, sizes = self.edges[:-1], np.diff(self.edges)
        single = sizes == 1
        score, spread = np.zeros(sizes.size), np.zeros(sizes.size)
        pull = np.zeros((sizes.size, x.shape[1]))
        rows = starts[single]
        room = 1 - leverage[rows]
        # a row that the fit passes through exactly tells nothing about error
        scale = np.where(room > 1e-10, 1 / np.sqrt(np.maximum(room, 1e-10)), 0.0)
        score[single] = scale * along[rows] * residuals[rows]
        spread[single] = (scale * along[rows]) ** 2
        pull[single] = x[rows] * (scale * along[rows])[:, None]
        for g in np.flatnonzero(~single):
            part = slice(self.edges[g], self.edges[g + 1])
            room = np.eye(sizes[g]) - x[part] @ self.inverse @ x[part].T
            values, vectors = np.linalg.eigh(room)
            power = np.where(values > 1e-10, 1 / np.sqrt(np.maximum(values, 1e-10)), 0.0)
            weights = (vectors * power) @ vectors.T @ along[part]
            score[g] = weights @ residuals[part]
            spread[g] = weights @ weights
            pull[g] = x[part].T @ weights
        return score, spread, pull


def least_squares(design: np.ndarray, outcome: np.ndarray, clusters: np.ndarray) -> LeastSquares:
    """Fit by least squares; refuse a design whose columns do not tell the coefficients apart."""
    if design.shape[0] <= design.shape[1] or np.linalg.matrix_rank(design) < design.shape[1]:
        raise DataError(
            f"an adjusted comparison must have more clients than adjustments, which must differ "
            f"between clients; got {design.shape[0]} rows for {design.shape[1]} terms. "
            "Adjust for fewer columns."
        )
    inverse = np.linalg.inv(design.T @ design)
    coefficients, *_ = np.linalg.lstsq(design, outcome, rcond=None)
    codes = pd.factorize(np.asarray(clusters))[0]
    order = np.argsort(codes, kind="stable")
    edges = np.concatenate([[0], np.cumsum(np.bincount(codes))])
    return LeastSquares(
        coefficients, design, inverse, outcome - design @ coefficients, order, edges
    )


def t_interval(estimate: float, error: float, df: float, level: float) -> tuple[float, float]:
    """Give estimate -/+ t times standard error."""
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * error
    return estimate - reach, estimate + reach
