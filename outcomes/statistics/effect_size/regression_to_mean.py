"""What the calendar alone would give: clients come when they are bad, and bad days pass.

Notation: ``x`` start value, ``y`` latest value, turned so that higher is better; ``mu, s`` mean and
SD of the population that the clients come from; ``r`` correlation of two untreated values of one
person (1 - within-person variance / s^2). Without treatment E(y | x) = mu + r (x - mu): the
expected change is (1 - r)(mu - x).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import log_ndtr, stdtr, stdtrit

from outcomes.errors import ArgumentError, DataError, check_between, check_positive
from outcomes.results import Estimate
from outcomes.statistics.individual_change._rows import improvements, signs

__all__ = ["expected_regression", "mee_chua", "mee_chua_range", "selection_regression"]


def expected_regression(
    pairs: pd.DataFrame,
    *,
    population_mean: float,
    reliability: float,
    better: Any = None,
    population_mean_error: float = 0.0,
    reliability_error: float = 0.0,
    confidence: float = 0.95,
    unit: str = "",
) -> Estimate:
    """Give the mean improvement that regression to the mean alone would bring these clients.

    Use when the usual level of the people whom the clients come from is known. What counts as
    population is a judgement: the clients' own usual level, not that of the healthy.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`.
    population_mean : float
        Usual level of the population, in the measure's unit.
    reliability : float
        Correlation of two untreated values about as far apart as start and latest, in [0, 1).
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    population_mean_error, reliability_error : float
        Standard errors of these two, >= 0.
    confidence : float
        Level in (0, 1).
    unit : str
        Carried into the result.

    Returns
    -------
    Estimate
        Mean of (1 - r)(mu - x), signed so that positive is better.

    Raises
    ------
    DataError
        If values are missing or fewer than 2 clients.
    ArgumentError
        If `reliability` is outside [0, 1).

    Notes
    -----
    Variance by the delta method: (1 - r)^2 (sd(x)^2 / n + se(mu)^2) + (mu - mean x)^2 se(r)^2;
    t interval on n - 1 df.

    References
    ----------
    Barnett, van der Pols & Dobson (2005) Int J Epidemiol 34:215-220, doi:10.1093/ije/dyh299.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": [40.0, 44, 48], "latest_value": [50.0, 52, 51]})
    >>> result = expected_regression(pairs, population_mean=54, reliability=0.7)
    >>> print(round(result.estimate, 2))
    3.0

    Checked against: Barnett 2005's formula under selection by a cut-off; simulated coverage.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    if not 0 <= reliability < 1:
        raise ArgumentError(f"reliability must be in [0, 1), got {reliability!r}.")
    mean_error = check_positive("population_mean_error", population_mean_error, zero=True)
    r_error = check_positive("reliability_error", reliability_error, zero=True)
    start, _, _ = improvements(pairs, better=better)
    if start.size < 2:
        raise DataError("regression to the mean must rest on at least 2 clients. Wait for more.")
    away = signs(better, pairs) * (population_mean - start)
    share = 1 - reliability
    variance = share**2 * (away.var(ddof=1) / away.size + mean_error**2)
    variance += away.mean() ** 2 * r_error**2
    half = float(stdtrit(away.size - 1, 1 - (1 - confidence) / 2) * np.sqrt(variance))
    estimate = float(share * away.mean())
    return Estimate(
        estimate=estimate,
        ci_low=estimate - half,
        ci_high=estimate + half,
        ci_level=confidence,
        unit=unit,
        n=away.size,
        method="expected regression to the population mean; delta-method t interval",
    )


def selection_regression(
    *,
    cutoff: float,
    population_mean: float,
    population_sd: float,
    reliability: float,
    better: str = "higher",
) -> float:
    """Give the regression to the mean of clients taken in because they were worse than a cut-off.

    Use in planning, before there are clients; with clients use `expected_regression`.

    Parameters
    ----------
    cutoff : float
        Clients come when their value is worse than this.
    population_mean, population_sd : float
        Of the population that they come from; SD > 0.
    reliability : float
        As in `expected_regression`.
    better : ``"higher"`` or ``"lower"``
        The good direction.

    Returns
    -------
    float
        Expected mean improvement without treatment: (1 - r) s phi(c) / Phi(-c), c = how many SDs
        the cut-off lies on the bad side of the mean.

    References
    ----------
    Barnett, van der Pols & Dobson (2005) Int J Epidemiol 34:215-220, doi:10.1093/ije/dyh299.

    Examples
    --------
    >>> round(selection_regression(cutoff=40, population_mean=50, population_sd=10,
    ...                            reliability=0.6), 2)
    6.1
    """
    check_positive("population_sd", population_sd)
    if not 0 <= reliability < 1:
        raise ArgumentError(f"reliability must be in [0, 1), got {reliability!r}.")
    if better not in ("higher", "lower"):
        raise ArgumentError(f"better must be 'higher' or 'lower', got {better!r}.")
    sign = 1.0 if better == "higher" else -1.0
    c = sign * (population_mean - cutoff) / population_sd
    hazard = np.exp(-(c**2) / 2 - np.log(2 * np.pi) / 2 - log_ndtr(-c))
    return float((1 - reliability) * population_sd * hazard)


def mee_chua(
    pairs: pd.DataFrame,
    *,
    population_mean: float,
    better: Any = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Split the mean improvement into regression to the mean and what is left of it.

    Use when the population mean is known and the clients' start values differ. What is left is
    change at the population mean; it still holds natural recovery, and it is no proof of effect.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; at least 4 rows.
    population_mean : float
        Usual level of the people whom the clients come from.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        Rows ``mean improvement``, ``regression to the mean``, ``left``; columns `quantity`,
        `estimate`, `standard_error`, `ci_low`, `ci_high`, `ci_level`, `df`, `statistic`,
        `p_value`, `n`, `method`, `source`.

    Raises
    ------
    DataError
        If values are missing, fewer than 4 clients, or all start alike.

    Notes
    -----
    Least squares y = b0 + b1 (x - mu); left = b0 - mu with its t test; regression =
    (b1 - 1)(mean x - mu). If care helps the worst most, that too is counted as regression.

    References
    ----------
    Mee & Chua (1991) Am Stat 45:39-42, doi:10.1080/00031305.1991.10475763. Ostermann, Willich &
    Luedtke (2008) BMC Med Res Methodol 8:52, doi:10.1186/1471-2288-8-52.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.normal(40, 5, 50)
    >>> pairs = pd.DataFrame({"start_value": x, "latest_value": 50 + 0.6 * (x - 50) + 4})
    >>> pairs["latest_value"] += rng.normal(0, 1, 50)
    >>> mee_chua(pairs, population_mean=50)["estimate"].round(0).tolist()
    [8.0, 4.0, 4.0]

    Checked against: statsmodels' OLS; simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    x, y, mu = _turned(pairs, population_mean, better)
    n = x.size
    u = x - mu
    spread = float(np.sum((u - u.mean()) ** 2))
    slope = float(np.sum((u - u.mean()) * y)) / spread
    at_mean = float(y.mean() - slope * u.mean())
    residual = y - at_mean - slope * u
    s2 = float(np.sum(residual**2)) / (n - 2)
    gain = y - x
    rows = [
        ("mean improvement", float(gain.mean()), float(gain.std(ddof=1) / np.sqrt(n)), n - 1),
        (
            "regression to the mean",
            (slope - 1) * float(u.mean()),
            float(np.sqrt(s2 / spread) * abs(u.mean())),
            n - 2,
        ),
        ("left", at_mean - mu, float(np.sqrt(s2 * (1 / n + u.mean() ** 2 / spread))), n - 2),
    ]
    frame = pd.DataFrame(rows, columns=pd.Index(["quantity", "estimate", "standard_error", "df"]))
    estimate, error = frame["estimate"].to_numpy(), frame["standard_error"].to_numpy()
    half = stdtrit(frame["df"].to_numpy(), 1 - (1 - confidence) / 2) * error
    t = estimate / np.where(error > 0, error, np.nan)
    return frame.assign(
        ci_low=estimate - half,
        ci_high=estimate + half,
        ci_level=confidence,
        statistic=t,
        p_value=2 * stdtr(frame["df"].to_numpy(), -np.abs(t)),
        n=n,
        method="least squares of latest on start value, read off at the population mean",
        source="Mee & Chua 1991, Am Stat 45:39",
    )


def _turned(
    pairs: pd.DataFrame, population_mean: float, better: Any
) -> tuple[np.ndarray, np.ndarray, float]:
    start, _, gain = improvements(pairs, better=better)
    sign = signs(better, pairs)
    if start.size < 4:
        raise DataError(
            f"this split must rest on at least 4 clients, got {start.size}. Wait for more."
        )
    if np.unique(sign).size > 1:
        raise ArgumentError("better must be the same for all rows here. Split the measures.")
    if start.std() == 0:
        raise DataError("the start values must differ. Report the raw mean change.")
    x = sign * start
    return x, x + gain, float(sign[0] * population_mean)


def mee_chua_range(
    pairs: pd.DataFrame,
    *,
    population_means: Any,
    better: Any = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Show how what is left depends on the population mean, when nobody knows it.

    Parameters
    ----------
    pairs, better, confidence
        As `mee_chua`.
    population_means : array-like
        Plausible usual levels, in the measure's unit.

    Returns
    -------
    DataFrame
        One row per value: `population_mean`, `estimate` (left), `ci_low`, `ci_high`, `ci_level`,
        `p_value`, `n`.

    Raises
    ------
    DataError
        As `mee_chua`.

    References
    ----------
    Ostermann, Willich & Luedtke (2008) BMC Med Res Methodol 8:52, doi:10.1186/1471-2288-8-52.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": [40.0, 42, 46, 50],
    ...                       "latest_value": [50.0, 50, 52, 54]})
    >>> mee_chua_range(pairs, population_means=[45, 55])["estimate"].round(1).tolist()
    [6.7, 0.9]
    """
    rows = []
    for mean in np.atleast_1d(np.asarray(population_means, float)):
        found = mee_chua(pairs, population_mean=float(mean), better=better, confidence=confidence)
        left = found.iloc[[2]][["estimate", "ci_low", "ci_high", "ci_level", "p_value", "n"]]
        rows.append(left.assign(population_mean=mean))
    return pd.concat(rows, ignore_index=True)
