"""Chances instead of sizes: how often a client improves, how often one group does better.

Notation: ``P+`` share of pairs that favour, ``P-`` share that do not; delta = P+ - P-; ``W+, W-``
signed-rank sums; Phi the normal distribution.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri, stdtrit
from scipy.stats import rankdata

from outcomes.errors import DataError, check_between
from outcomes.results import Estimate
from outcomes.statistics.effect_size._order import kth_difference, rank_sum_quantile
from outcomes.statistics.effect_size.standardised import noncentral_t_interval
from outcomes.statistics.individual_change._rows import improvements

__all__ = ["chance_of_improving", "cliffs_delta", "common_language_effect", "hodges_lehmann_shift"]


def chance_of_improving(
    pairs: pd.DataFrame, *, better: Any = None, confidence: float = 0.95
) -> pd.DataFrame:
    """Give the chance that a client improves, in three ways, and the balance of gains and losses.

    Use to tell colleagues a result without a unit. The chance counts any improvement, however
    small, measurement error included: it is no share of successes.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; at least 5 rows.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        Rows ``share improved`` (unchanged counts half), ``common-language effect`` (from mean and
        SD of the improvements, normal shape) and ``rank-biserial correlation``; columns
        `quantity`, `question`, `estimate`, `ci_low`, `ci_high`, `ci_level`, `n`, `method`,
        `source`.

    Raises
    ------
    DataError
        If values are missing, fewer than 5 clients, or no client changed.

    Notes
    -----
    Common language: Phi(mean(d) / sd(d)), interval from noncentral t. Rank-biserial:
    (W+ - W-) / (W+ + W-); it estimates 2 P(d_i + d_j > 0) - 1, and its interval, around the balance
    of pairs of two clients, is taken on the inverse-tanh scale from the spread of the clients' own
    balances.

    References
    ----------
    McGraw & Wong (1992) Psychol Bull 111:361-365, doi:10.1037/0033-2909.111.2.361. Kerby (2014)
    Compr Psychol 3:11.IT.3.1, doi:10.2466/11.IT.3.1.

    Examples
    --------
    >>> pairs = pd.DataFrame({
    ...     "start_value": [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7],
    ...     "latest_value": [9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9]})
    >>> rows = chance_of_improving(pairs).set_index("quantity")
    >>> print(round(rows.loc["common-language effect", "estimate"], 2))
    0.93

    Checked against: Lakens 2013, McGraw & Wong 1992; simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    _, _, gain = improvements(pairs, better=better)
    n = gain.size
    if n < 5:
        raise DataError(f"a chance must rest on at least 5 clients, got {n}. Show every client.")
    if gain.std() == 0:
        raise DataError("the changes must differ between clients. Report the raw change.")
    d_z = gain.mean() / gain.std(ddof=1)
    low, high = noncentral_t_interval(d_z * np.sqrt(n), n - 1, confidence=confidence)
    rows = [
        (
            "share improved",
            "How many clients had a better latest value than their first?",
            *_share_improved(gain, confidence),
            "share with improvement, unchanged as half; Wilson score interval",
            "Newcombe 1998, Stat Med 17:857",
        ),
        (
            "common-language effect",
            "What is the chance that a client like these improves?",
            float(ndtr(d_z)),
            float(ndtr(low / np.sqrt(n))),
            float(ndtr(high / np.sqrt(n))),
            "Phi(d_z); noncentral t interval",
            "McGraw & Wong 1992, Psychol Bull 111:361",
        ),
        (
            "rank-biserial correlation",
            "How far do gains outweigh losses, large ones counting more?",
            *_rank_biserial(gain, confidence),
            "matched-pairs rank-biserial correlation; interval on the inverse-tanh scale",
            "Kerby 2014, Compr Psychol 3:1",
        ),
    ]
    names = ["quantity", "question", "estimate", "ci_low", "ci_high", "method", "source"]
    frame = pd.DataFrame(rows, columns=pd.Index(names))
    frame.insert(5, "ci_level", confidence)
    frame.insert(6, "n", n)
    return frame


def _share_improved(gain: np.ndarray, confidence: float) -> tuple[float, float, float]:
    """Share with ties as half, and Wilson's interval, which ties only make too wide."""
    n = gain.size
    p = float((np.sum(gain > 0) + np.sum(gain == 0) / 2) / n)
    z2 = float(ndtri(1 - (1 - confidence) / 2)) ** 2
    centre = (p * n + z2 / 2) / (n + z2)
    half = np.sqrt(z2 * n * p * (1 - p) + z2**2 / 4) / (n + z2)
    return p, max(0.0, float(centre - half)), min(1.0, float(centre + half))


def _rank_biserial(gain: np.ndarray, confidence: float) -> tuple[float, float, float]:
    moved = gain[gain != 0]
    ranks = rankdata(np.abs(moved))
    estimate = float(np.sum(np.sign(moved) * ranks) / ranks.sum())
    n = gain.size
    ordered = np.sort(gain)
    # each client's balance of favourable over unfavourable pairs with the others
    above = n - np.searchsorted(ordered, -gain, side="right") - (gain > 0)
    below = np.searchsorted(ordered, -gain, side="left") - (gain < 0)
    own = (above - below) / (n - 1)
    error = 2 * own.std(ddof=1) / np.sqrt(n)
    bounded = np.clip(own.mean(), -1 + 1 / n**2, 1 - 1 / n**2)  # over pairs of two clients
    error = max(error, 2 / n**1.5 * np.sqrt(1 - bounded**2))
    half = stdtrit(n - 1, 1 - (1 - confidence) / 2) * error / (1 - bounded**2)
    centre = np.arctanh(bounded)
    return estimate, float(np.tanh(centre - half)), float(np.tanh(centre + half))


def _two_samples(first: Any, second: Any, least: int) -> tuple[np.ndarray, np.ndarray]:
    x, y = (np.asarray(values, float).ravel() for values in (first, second))
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise DataError("both groups must hold numbers only. Leave out clients without a value.")
    if min(x.size, y.size) < least:
        raise DataError(
            f"each group must have at least {least} clients, got {x.size} and {y.size}. "
            "Show every client."
        )
    return x, y


def common_language_effect(mean: float, sd: float, other_mean: float, other_sd: float) -> float:
    """Give the chance that a client of the first group exceeds one of the second, from summaries.

    Use with printed means and standard deviations, and a normal shape. With the data at hand use
    `cliffs_delta`.

    Parameters
    ----------
    mean, sd, other_mean, other_sd : float
        Means and standard deviations of the groups, in one unit; the SDs above 0.

    Returns
    -------
    float
        Phi((mean - other_mean) / sqrt(sd^2 + other_sd^2)).

    References
    ----------
    McGraw & Wong (1992) Psychol Bull 111:361-365, doi:10.1037/0033-2909.111.2.361.

    Examples
    --------
    >>> round(common_language_effect(69.7, 2.8, 64.3, 2.6), 2)
    0.92
    """
    check_between("sd", sd, 0, np.inf)
    check_between("other_sd", other_sd, 0, np.inf)
    return float(ndtr((mean - other_mean) / np.hypot(sd, other_sd)))


def cliffs_delta(first: Any, second: Any, *, confidence: float = 0.95) -> Estimate:
    """Say how much more often a client of the first group does better than one of the second.

    Use to compare improvements of two separate groups, any shape, also with few distinct scores.

    Parameters
    ----------
    first, second : array-like
        Improvements (higher is better) of the clients of each group; at least 4 each.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    Estimate
        delta = P(first > second) - P(first < second), from -1 to 1; (delta + 1) / 2 is the chance
        of superiority.

    Raises
    ------
    DataError
        If values are missing or a group is too small.

    Notes
    -----
    Asymmetric interval with Cliff's consistent variance and the quantile of t on n + m - 2 df.
    Without overlap, the limit is (k - z^2) / (k + z^2), k the smaller group.

    References
    ----------
    Cliff (1996) Ordinal methods, Erlbaum. Feng & Cliff (2004) J Mod Appl Stat Methods 3:322-332,
    doi:10.22237/jmasm/1099267560.

    Examples
    --------
    >>> round(cliffs_delta([5.0, 7, 9, 12], [1.0, 3, 5, 8]).estimate, 4)
    0.6875

    Checked against: all pairs counted in the test; simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    x, y = _two_samples(first, second, 4)
    n, m = x.size, y.size
    sorted_x, sorted_y = np.sort(x), np.sort(y)
    lower = np.searchsorted(sorted_y, x, side="left")
    upper = m - np.searchsorted(sorted_y, x, side="right")
    rows = (lower - upper) / m
    columns = (n - np.searchsorted(sorted_x, y, "right") - np.searchsorted(sorted_x, y, "left")) / n
    delta = float(rows.mean())
    all_pairs = (lower + upper).sum() - n * m * delta**2
    variance = (
        m**2 * np.sum((rows - delta) ** 2) + n**2 * np.sum((columns - delta) ** 2) - all_pairs
    ) / (n * m * (n - 1) * (m - 1))
    variance = max(float(variance), (1 - delta**2) / (n * m - 1))
    z = float(stdtrit(n + m - 2, 1 - (1 - confidence) / 2))
    if abs(delta) == 1:
        k = min(n, m)
        edge = float((k - z**2) / (k + z**2))
        low, high = (edge, 1.0) if delta > 0 else (-1.0, -edge)
    else:
        half = z * np.sqrt(variance * (1 - 2 * delta**2 + delta**4 + z**2 * variance))
        below = 1 - delta**2 + z**2 * variance
        low, high = ((delta - delta**3 + s * half) / below for s in (-1, 1))
    return Estimate(
        estimate=delta,
        ci_low=float(low),
        ci_high=float(high),
        ci_level=confidence,
        n=n + m,
        method="Cliff's delta; asymmetric interval with the consistent variance",
    )


def hodges_lehmann_shift(
    first: Any, second: Any, *, confidence: float = 0.95, unit: str = ""
) -> Estimate:
    """Give the typical difference between clients of two groups, in the unit of the measure.

    Parameters
    ----------
    first, second : array-like
        Improvements of the clients of each group; at least 4 each.
    confidence : float
        Level in (0, 1).
    unit : str
        Carried into the result.

    Returns
    -------
    Estimate
        Median of all differences first_i - second_j; ends by the rank-sum distribution (exact up
        to 50 clients a group).

    Raises
    ------
    DataError
        If values are missing or a group is too small.

    References
    ----------
    Hodges & Lehmann (1963) Ann Math Stat 34:598-611, doi:10.1214/aoms/1177704172.

    Examples
    --------
    >>> hodges_lehmann_shift([5.0, 7, 9, 12], [1.0, 3, 5, 8]).estimate
    4.0

    Checked against: R's wilcox.test (exact interval); simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    x, y = _two_samples(first, second, 4)
    n_pairs = x.size * y.size
    centre = [kth_difference(x, y, k) for k in ((n_pairs + 1) // 2, n_pairs // 2 + 1)]
    k = max(rank_sum_quantile((1 - confidence) / 2, x.size, y.size), 1)
    return Estimate(
        estimate=float(np.mean(centre)),
        ci_low=kth_difference(x, y, k),
        ci_high=kth_difference(x, y, n_pairs + 1 - k),
        ci_level=confidence,
        unit=unit,
        n=x.size + y.size,
        method="Hodges-Lehmann shift; rank-sum interval",
    )
