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
    """A least-squares fit, ready to give contrasts with cluster-robust intervals.

    Rows stand in order of clients; `starts` is the first row of each.
    """

    coefficients: np.ndarray
    design: np.ndarray
    inverse: np.ndarray
    residuals: np.ndarray
    adjusted: np.ndarray
    starts: np.ndarray

    def contrast(self, weights: np.ndarray) -> tuple[float, float, float]:
        """Give estimate, standard error and degrees of freedom of a sum of coefficients."""
        pull = self.adjusted @ (self.inverse @ weights)
        score = np.add.reduceat(pull * self.residuals, self.starts)
        spread = np.add.reduceat(pull**2, self.starts)
        through = np.add.reduceat(self.design * pull[:, None], self.starts, axis=0)
        shared = np.einsum("ij,jk,ik->i", through, self.inverse, through)
        cross = self.inverse @ (through.T @ through)
        trace = float((spread - shared).sum())
        square = float((spread**2).sum() - 2 * (spread * shared).sum() + np.trace(cross @ cross))
        df = trace**2 / square if square > 0 else np.inf
        return float(weights @ self.coefficients), float(np.sqrt(score @ score)), df


def least_squares(design: np.ndarray, outcome: np.ndarray, clusters: np.ndarray) -> LeastSquares:
    """Fit by least squares; refuse a design whose columns do not tell the coefficients apart."""
    if design.shape[0] <= design.shape[1] or np.linalg.matrix_rank(design) < design.shape[1]:
        raise DataError(
            f"an adjusted comparison must have more clients than adjustments, which must differ "
            f"between clients; got {design.shape[0]} rows for {design.shape[1]} terms. "
            "Adjust for fewer columns."
        )
    codes = pd.factorize(np.asarray(clusters))[0]
    order = np.argsort(codes, kind="stable")
    x, y = design[order].astype(float), np.asarray(outcome, dtype=float)[order]
    coefficients = np.linalg.lstsq(x, y, rcond=None)[0]
    inverse = np.linalg.inv(x.T @ x)
    sizes = np.bincount(codes)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    return LeastSquares(
        coefficients=coefficients,
        design=x,
        inverse=inverse,
        residuals=y - x @ coefficients,
        adjusted=_adjusted(x, inverse, starts, sizes),
        starts=starts,
    )


def _adjusted(
    x: np.ndarray, inverse: np.ndarray, starts: np.ndarray, sizes: np.ndarray
) -> np.ndarray:
    """Give A_g X_g of every client, clients with equally many rows together.

    A direction in which the fit passes exactly through a client tells nothing about error, and its
    root counts as zero.
    """
    out = np.empty_like(x)
    for size in np.unique(sizes):
        rows = starts[sizes == size][:, None] + np.arange(size)
        own = x[rows]
        room = np.eye(size) - own @ inverse @ np.swapaxes(own, 1, 2)
        values, vectors = np.linalg.eigh(room)
        root = np.where(values > 1e-10, 1 / np.sqrt(np.maximum(values, 1e-10)), 0.0)
        out[rows] = (vectors * root[:, None, :]) @ np.swapaxes(vectors, 1, 2) @ own
    return out


def t_interval(estimate: float, error: float, df: float, level: float) -> tuple[float, float]:
    """Give estimate -/+ t times standard error."""
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * error
    return estimate - reach, estimate + reach
