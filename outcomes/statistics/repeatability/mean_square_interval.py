"""Intervals of sums and differences of mean squares.

Notation
--------
S_i, n_i   mean squares with their degrees of freedom; n_i S_i / E(S_i) is chi-square, independent
c_i        weights; the quantity is sum of c_i E(S_i)
a          error rate of one side

One mean square alone has an exact chi-square interval. Sums with weights of both signs have the
modified large-sample interval of Ting et al. (1990), which is exact when all E(S_i) but one vanish
and whose coverage stays near nominal in between. A ratio of components, such as an intraclass
correlation, is the value r at which a difference of two mixtures of mean squares vanishes; its
limits are where the ratio of the mixtures meets quantiles of F with Satterthwaite df.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from outcomes.statistics.repeatability.analysis_of_variance import MeanSquares
from outcomes.statistics.repeatability.root import root

__all__ = ["mean_square_interval", "ratio_interval", "ratio_interval_large_sample"]


def mean_square_interval(
    mean_squares: Any, df: Any, weights: Any, *, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give the interval of a weighted sum of mean squares; ends may be below zero.

    Parameters
    ----------
    mean_squares : ndarray, (..., m)
        Zero or more; a batch may stand in front.
    df : ndarray, (m,)
    weights : ndarray, (m,) or (..., m)
        Of the same sign throughout a batch.
    confidence : float

    Returns
    -------
    tuple of ndarray, (...)

    Notes
    -----
    Lower end: estimate - sqrt(V_L), V_L = sum over positive weights of (G_i c_i S_i)^2
    + sum over negative of (H_j c_j S_j)^2 + cross terms, with G = 1 - n / chi2(1-a, n) and
    H = n / chi2(a, n) - 1; upper end with the roles changed.

    References
    ----------
    Ting, Burdick, Graybill, Jeyaratnam & Lu 1990, J Stat Comput Simul 35:135,
    doi:10.1080/00949659008811240. Burdick & Graybill 1992, Confidence Intervals on Variance
    Components, section 3.3.

    Examples
    --------
    >>> low, high = mean_square_interval([2.0], [10], [1.0], confidence=0.95)
    >>> round(float(low), 4), round(float(high), 4)
    (0.9764, 6.1596)

    Checked against: exact chi-square limits for one mean square; coverage in
    tests/evidence/results/repeatability_measurement_error_coverage.json.
    """
    c = np.asarray(weights, dtype=float)
    largest = np.abs(c).reshape(-1, c.shape[-1]).max(axis=0)
    use = largest > 1e-12 * largest.max()
    n = np.asarray(df, dtype=float)[use]
    a = (1 - confidence) / 2
    terms = (c * np.asarray(mean_squares, dtype=float))[..., use]
    estimate = terms.sum(axis=-1)
    low = estimate - np.sqrt(np.maximum(_lower_square(terms, n, a), 0.0))
    high = estimate + np.sqrt(np.maximum(_lower_square(-terms, n, a), 0.0))
    return low, high


def _lower_square(terms: np.ndarray, n: np.ndarray, a: float) -> np.ndarray:
    """Squared distance from the estimate to its lower end; `terms` are the c_i S_i.

    The upper end of a sum is minus the lower end of minus the sum, so this serves both ends.
    """
    below = 1 - n / chi2.ppf(1 - a, n)
    above = n / chi2.ppf(a, n) - 1
    size = np.abs(terms)
    # Signs are those of the weights, the same in every data set of a batch.
    sign = np.sign(terms.reshape(-1, len(n)).sum(axis=0))
    plus, minus = np.flatnonzero(sign > 0), np.flatnonzero(sign < 0)
    total = ((below[plus] * size[..., plus]) ** 2).sum(axis=-1)
    total = total + ((above[minus] * size[..., minus]) ** 2).sum(axis=-1)
    for q in plus:
        for r in minus:
            f = f_distribution.ppf(1 - a, n[q], n[r])
            cross = ((f - 1) ** 2 - (below[q] * f) ** 2 - above[r] ** 2) / f
            total = total + cross * size[..., q] * size[..., r]
    for i, q in enumerate(plus):
        for other in plus[i + 1 :]:
            both = n[q] + n[other]
            joint = (1 - both / chi2.ppf(1 - a, both)) ** 2 * both**2 / (n[q] * n[other])
            joint -= below[q] ** 2 * n[q] / n[other] + below[other] ** 2 * n[other] / n[q]
            total = total + joint / (len(plus) - 1) * size[..., q] * size[..., other]
    return total


def ratio_interval(
    squares: MeanSquares,
    shared: np.ndarray,
    error: np.ndarray,
    estimate: float,
    *,
    confidence: float,
) -> tuple[float, float]:
    """Give the interval of shared variance over shared and error variance, inside [0, 1].

    Parameters
    ----------
    squares : MeanSquares
        Of one balanced data set.
    shared, error : ndarray, (terms,)
        Weights of the components in either part.
    estimate : float
        The ratio at the estimated components.
    confidence : float

    Returns
    -------
    tuple of float

    Notes
    -----
    ``(1 - r) * shared - r * error`` in terms of mean squares has positive and negative weights;
    the positive mixture over the negative one is compared with F, its df by Satterthwaite at the
    estimate. For one reading per cell and clients by raters these are the limits of McGraw &
    Wong 1996 for agreement; with replicates those of Eliasziw et al. 1994 between raters.
    """
    solve = squares.solve

    def mixtures(r: float) -> tuple[np.ndarray, np.ndarray]:
        parts = (((1 - r) * shared - r * error) @ solve) * squares.mean_squares
        return np.maximum(parts, 0.0), np.maximum(-parts, 0.0)

    above, below = mixtures(min(max(estimate, 1e-6), 1 - 1e-9))
    df1, df2 = (
        float(part.sum() ** 2 / (part**2 / squares.df).sum()) if part.any() else 1.0
        for part in (above, below)
    )
    tail = (1 + confidence) / 2

    def find(quantile: float) -> float:
        def gap(r: float) -> float:
            over, under = mixtures(r)
            return float(over.sum() - quantile * under.sum())

        if gap(0.0) <= 0:
            return 0.0
        return root(gap, 0.0, 1.0) if gap(1.0) < 0 else 1.0

    low = find(float(f_distribution.ppf(tail, df1, df2)))
    high = find(float(f_distribution.ppf(1 - tail, df1, df2)))
    return min(low, estimate), max(high, estimate)


def ratio_interval_large_sample(
    squares: MeanSquares, shared: np.ndarray, error: np.ndarray, *, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give the interval of a ratio from modified large-sample limits, for a whole batch at once.

    Use it where a mean square with one to three degrees of freedom (few raters) takes part:
    Satterthwaite's df make `ratio_interval` too short there.

    Parameters
    ----------
    squares : MeanSquares
    shared, error : ndarray, (terms,)
    confidence : float

    Returns
    -------
    tuple of ndarray, (...)
        Inside [0, 1].

    Notes
    -----
    A ratio r belongs to the interval if the interval of ``(1 - r) * shared - r * error`` holds
    zero; either end by halving.

    References
    ----------
    Cappelleri & Ting 2003, Stat Med 22:1861, doi:10.1002/sim.1402.
    """
    solve, shape = squares.solve, squares.mean_squares.shape[:-1]

    def ends(r: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        weights = ((1 - r)[..., None] * shared - r[..., None] * error) @ solve
        return mean_square_interval(
            squares.mean_squares, squares.df, weights, confidence=confidence
        )

    found = []
    for side in (0, 1):
        low, high = np.full(shape, 1e-9), np.full(shape, 1 - 1e-9)
        for _ in range(45):
            middle = (low + high) / 2
            above = ends(middle)[side] > 0
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        found.append(np.where(low < 2e-9, 0.0, low))
    return found[0], found[1]
