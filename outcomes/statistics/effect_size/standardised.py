"""Standardised mean change: the mean improvement in standard deviations, and of which ones.

Notation: ``d`` improvement, ``s1, s2`` SD of start and latest values, ``r`` their correlation,
``s_D`` SD of the improvements, ``n`` clients, ``J`` Hedges' correction.

    d_z     mean(d) / s_D                       also called standardised response mean
    d_av    mean(d) / ((s1 + s2) / 2)
    d_rm    mean(d) / s_D * sqrt(2 (1 - r))
    becker  mean(d) / s1

Intervals: t = mean(d) sqrt(n) / s_D is noncentral t with n - 1 degrees of freedom, which makes
the interval of d_z exact. For the others the limits for the noncentrality are multiplied by
s_D / (denominator * sqrt(n)), with degrees of freedom matched to the variance of the log of the
denominator (a Wishart delta approximation): n - 1 for Becker's, 2 (n - 1) / (1 + r^2) for d_av
with equal SDs, the value that Cousineau found for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gammaln, nctdtrinc

from outcomes.errors import ArgumentError, DataError, check_between, check_choice
from outcomes.statistics.individual_change._rows import improvements, signs

__all__ = ["STANDARDISERS", "hedges_correction", "noncentral_t_interval", "standardised_change"]


@dataclass(frozen=True)
class _Standardiser:
    question: str
    denominator: str
    source: str


#: What each standardised change asks, divides by, and rests on.
STANDARDISERS: dict[str, _Standardiser] = {
    "d_z": _Standardiser(
        "How consistent was the improvement from client to client?",
        "SD of the improvements",
        "Cohen 1988; Lakens 2013, Front Psychol 4:863, doi:10.3389/fpsyg.2013.00863",
    ),
    "d_av": _Standardiser(
        "How large was the improvement against the usual spread of clients?",
        "mean of the SDs of start and latest values",
        "Lakens 2013, Front Psychol 4:863, doi:10.3389/fpsyg.2013.00863",
    ),
    "d_rm": _Standardiser(
        "How large would the improvement be as a difference of two separate groups?",
        "SD of the improvements / sqrt(2 (1 - r))",
        "Morris & DeShon 2002, Psychol Methods 7:105, doi:10.1037/1082-989X.7.1.105",
    ),
    "becker": _Standardiser(
        "How large was the improvement against the spread of clients before treatment?",
        "SD of the start values",
        "Becker 1988, Br J Math Stat Psychol 41:257, doi:10.1111/j.2044-8317.1988.tb00901.x",
    ),
}


def hedges_correction(df: Any) -> Any:
    """Give the exact factor J that takes the small-sample bias out of a standardised difference.

    Parameters
    ----------
    df : float or array
        Degrees of freedom of the standard deviation in the denominator, above 1.

    Returns
    -------
    float or array
        J = gamma(df / 2) / (sqrt(df / 2) gamma((df - 1) / 2)), below 1.

    Raises
    ------
    ArgumentError
        If `df` is not above 1.

    References
    ----------
    Hedges (1981) J Educ Stat 6:107-128, doi:10.3102/10769986006002107.

    Examples
    --------
    >>> print([round(float(j), 4) for j in hedges_correction([2, 5, 10, 20])])
    [0.5642, 0.8407, 0.9227, 0.9619]
    """
    half = np.asarray(df, float) / 2
    if not np.all(half > 0.5):
        raise ArgumentError("df must be above 1 for Hedges' correction. Use more clients.")
    correction = np.exp(gammaln(half) - gammaln(half - 0.5)) / np.sqrt(half)
    return float(correction) if np.ndim(df) == 0 else correction


def noncentral_t_interval(
    t: Any, df: Any, *, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Give the interval of the noncentrality for which `t` is not surprising, for one t or many.

    Parameters
    ----------
    t, df : float or array
        Observed t and its degrees of freedom.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    tuple of arrays
        Low and high noncentrality: P(T >= t; low) = P(T <= t; high) = (1 - confidence) / 2.

    Notes
    -----
    The inversion is scipy's `nctdtrinc`, right to about seven digits.

    References
    ----------
    Cumming & Finch (2001) Educ Psychol Meas 61:532-574, doi:10.1177/0013164401614002.

    Examples
    --------
    >>> low, high = noncentral_t_interval(4.743416, 9)
    >>> print(f"{low / 10**0.5:.4f} {high / 10**0.5:.4f}")
    0.5605 2.4034

    Checked against: root finding on scipy's noncentral t distribution.
    """
    tail = (1 - check_between("confidence", confidence, 0, 1, remedy="Give 0.95")) / 2
    t, df = np.broadcast_arrays(np.asarray(t, float), np.asarray(df, float))
    return nctdtrinc(df, 1 - tail, t), nctdtrinc(df, tail, t)


def standardised_change(
    pairs: pd.DataFrame,
    *,
    better: Any = None,
    confidence: float = 0.95,
    which: tuple[str, ...] = ("d_z", "d_av", "d_rm", "becker"),
) -> pd.DataFrame:
    """Give the mean improvement in standard deviations, in four ways that answer four questions.

    Use beside the raw mean change, to compare measures with different units. Do not compare two
    reports that divided by different standard deviations: `denominator` says which.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; at least 3 rows, not all equal.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).
    which : tuple of str
        Any of ``"d_z"``, ``"d_av"``, ``"d_rm"``, ``"becker"``.

    Returns
    -------
    DataFrame
        One row per quantity: `quantity`, `question`, `denominator`, `denominator_value`,
        `estimate` (with Hedges' exact correction), `uncorrected`, `ci_low`, `ci_high`,
        `ci_level`, `df`, `n`, `method`, `source`.

    Raises
    ------
    DataError
        If values are missing, fewer than 3 clients, or a standard deviation is zero.

    Notes
    -----
    Formulas and degrees of freedom: head of this module. The interval is for the population value,
    so it belongs to the corrected and to the uncorrected estimate alike.

    References
    ----------
    As in `STANDARDISERS`; degrees of freedom of d_av: Cousineau (2020) Quant Meth Psychol
    16:418-421, doi:10.20982/tqmp.16.4.p418.

    Examples
    --------
    >>> pairs = pd.DataFrame({
    ...     "start_value": [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7],
    ...     "latest_value": [9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9]})
    >>> rows = standardised_change(pairs, which=("d_z",))
    >>> print(f"{rows['uncorrected'][0]:.2f} ({rows['ci_low'][0]:.2f} to {rows['ci_high'][0]:.2f})")
    1.50 (0.56 to 2.40)

    Checked against: Lakens 2013; simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    for name in which:
        check_choice("which", name, STANDARDISERS)
    start, _, gain = improvements(pairs, better=better)
    signed_start = signs(better, pairs) * start
    moments = _moments(signed_start, signed_start + gain)
    rows = [_one_row(name, moments, confidence) for name in which]
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class _Moments:
    n: int
    mean: float
    start_variance: float
    latest_variance: float
    covariance: float

    @property
    def change_variance(self) -> float:
        return self.start_variance + self.latest_variance - 2 * self.covariance


def _moments(start: np.ndarray, latest: np.ndarray) -> _Moments:
    if start.size < 3:
        raise DataError(
            f"a standardised change must rest on at least 3 clients, got {start.size}. "
            "Report the raw changes."
        )
    (a, c), (_, b) = np.cov(start, latest)
    found = _Moments(start.size, float((latest - start).mean()), float(a), float(b), float(c))
    tiny = 1e-12 * max(found.start_variance, found.latest_variance)
    if min(a, b) <= 0 or found.change_variance <= tiny:
        raise DataError(
            "a standardised change must have clients that differ; the start values, latest values "
            "or changes are all the same. Report the raw mean change."
        )
    return found


def _one_row(name: str, m: _Moments, confidence: float) -> dict[str, Any]:
    denominator, gradient = _denominator(name, m)
    df = 1 / (2 * _log_variance(gradient, m))
    change_sd = float(np.sqrt(m.change_variance))
    low, high = noncentral_t_interval(m.mean * np.sqrt(m.n) / change_sd, df, confidence=confidence)
    scale = change_sd / (denominator * np.sqrt(m.n))
    about = STANDARDISERS[name]
    return {
        "quantity": name,
        "question": about.question,
        "denominator": about.denominator,
        "denominator_value": denominator,
        "estimate": m.mean / denominator * hedges_correction(df),
        "uncorrected": m.mean / denominator,
        "ci_low": float(low * scale),
        "ci_high": float(high * scale),
        "ci_level": confidence,
        "df": df,
        "n": m.n,
        "method": "exact Hedges correction; noncentral t interval"
        + ("" if name == "d_z" else " with matched degrees of freedom"),
        "source": about.source,
    }


def _denominator(name: str, m: _Moments) -> tuple[float, np.ndarray]:
    """Give the denominator and the gradient of its log by (start, latest) variance, covariance."""
    a, b, c, v = m.start_variance, m.latest_variance, m.covariance, m.change_variance
    if name == "d_z":
        return float(np.sqrt(v)), np.array([0.5, 0.5, -1.0]) / v
    if name == "becker":
        return float(np.sqrt(a)), np.array([0.5 / a, 0.0, 0.0])
    if name == "d_av":
        total = np.sqrt(a) + np.sqrt(b)
        return float(total / 2), np.array([0.5 / np.sqrt(a), 0.5 / np.sqrt(b), 0.0]) / total
    both = np.sqrt(a * b)
    apart = 1 - c / both  # 1 - r
    slope = np.array([c / (2 * a * both), c / (2 * b * both), -1 / both]) / apart  # of log(1 - r)
    return float(np.sqrt(v / (2 * apart))), (np.array([1.0, 1.0, -2.0]) / v - slope) / 2


def _log_variance(gradient: np.ndarray, m: _Moments) -> float:
    """Variance of the log of a denominator, from the Wishart covariance of the three moments."""
    a, b, c = m.start_variance, m.latest_variance, m.covariance
    spread = np.array(
        [
            [2 * a * a, 2 * c * c, 2 * a * c],
            [2 * c * c, 2 * b * b, 2 * b * c],
            [2 * a * c, 2 * b * c, a * b + c * c],
        ]
    ) / (m.n - 1)
    return float(gradient @ spread @ gradient)
