"""Exact factors for the limits of agreement.

Notation
--------
n, df      differences, and degrees of freedom of their standard deviation s
p          share of differences that the limits should hold, e.g. 0.95
z          standard normal quantile at (1 + p) / 2
g          probability; a confidence limit of a limit of agreement is mean + factor * s
x          mean of the differences, less its expectation, in true standard deviations
r(x)       half-width, in true standard deviations, that holds the share p about a mean off by x
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from scipy.special import chdtrc, ndtri
from scipy.stats import nct, ncx2

from outcomes.statistics.repeatability.root import root

__all__ = ["pair_factor", "single_factor"]

# The normal density beyond 9 standard deviations is below 1e-18.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(120)


@lru_cache(maxsize=512)
def single_factor(df: int, n: int, coverage: float, probability: float) -> float:
    """Give the factor of one confidence limit of ONE limit of agreement.

    Parameters
    ----------
    df, n : int
    coverage : float
        p.
    probability : float
        Chance that ``mean + factor * s`` exceeds the true upper limit.

    Returns
    -------
    float
        Noncentral t quantile over sqrt(n).

    Notes
    -----
    (mean + f s - mu - z sigma) > 0 in a share g of samples, exactly, if f sqrt(n) is the g
    quantile of t with df degrees of freedom and noncentrality z sqrt(n).

    References
    ----------
    Carkeet 2015, Optom Vis Sci 92:e71, doi:10.1097/OPX.0000000000000513.

    Examples
    --------
    >>> round(single_factor(16, 17, 0.95, 0.975), 4)
    3.1483

    Checked against: Carkeet 2015, table (1.3150 and 3.1483 at df 16).
    """
    z = ndtri((1 + coverage) / 2)
    value: Any = nct.ppf(probability, df, z * np.sqrt(n))
    return float(value / np.sqrt(n))


@lru_cache(maxsize=512)
def pair_factor(df: int, n: int, coverage: float, probability: float) -> float:
    """Give the factor of a confidence limit of BOTH limits of agreement together.

    Parameters
    ----------
    df, n : int
    coverage : float
        p.
    probability : float
        Chance that ``mean - factor * s`` to ``mean + factor * s`` holds a share p or more.

    Returns
    -------
    float

    Notes
    -----
    Solves ``E over x of P(s / sigma >= r(x) / factor) = g``; x is normal with variance 1 / n.

    References
    ----------
    Carkeet 2015, Optom Vis Sci 92:e71, doi:10.1097/OPX.0000000000000513.
    Odeh & Owen 1980, Tables for Normal Tolerance Limits (two-sided, centre controlled).

    Examples
    --------
    >>> round(pair_factor(29, 30, 0.95, 0.975), 4)
    2.6854

    Checked against: Carkeet 2015, table, df 1 to 74.
    """
    x = 4.5 * (_NODES + 1)
    weight = 4.5 * _WEIGHTS * 2 * np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi)
    square: Any = ncx2.ppf(coverage, 1, x**2 / n)

    def gap(log_factor: float) -> float:
        reached = chdtrc(df, df * square * np.exp(-2 * log_factor))
        return float(weight @ reached) - probability

    return float(np.exp(root(gap, np.log(1e-3), np.log(1e6))))
