"""Charts of shares (p) and of event rates (u), with limits that follow each period's size.

    p chart   centre p = sum(count) / sum(n);         sigma_i = sqrt(p (1 - p) / n_i)
    u chart   centre u = sum(count) / sum(exposure);  sigma_i = sqrt(u / exposure_i)

Exact limits are the smallest and largest counts that are not surprising: the chance of a count
below the lower, or above the upper, is at most 0.00135 each (what 3 sigma means for a normal).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_choice, check_positive, rows_must
from outcomes.statistics.service.charts import frames

__all__ = ["rate_chart", "share_chart"]

_TAIL = float(stats.norm.sf(3))
_LIMITS = ("exact", "normal")


def share_chart(
    count: Sequence[int] | pd.Series | np.ndarray,
    *,
    n: Sequence[int] | pd.Series | np.ndarray,
    periods: Sequence[str] | pd.Series | None = None,
    phase_starts: Sequence[str] = (),
    baseline: int | None = None,
    limits: str = "exact",
    overdispersion: bool = False,
) -> pd.DataFrame:
    """Show whether a share per quarter (improved, followed up) varies by more than chance.

    Use for clients counted once a period. Do not use for events that can happen several times to
    one client (`rate_chart`).

    Parameters
    ----------
    count : sequence of int
        Clients with the outcome, per period in order of time; at least 4 periods.
    n : sequence of int
        Clients of that period, above zero.
    periods, phase_starts, baseline
        As for `individuals_chart`.
    limits : {"exact", "normal"}
        Exact binomial, or centre -/+ 3 sigma cut off at 0 and 1, as handbooks print.
    overdispersion : bool
        Widen (never narrow) sigma by how much neighbouring periods differ beyond chance; needs
        normal limits. For large n, where every period would be flagged otherwise.

    Returns
    -------
    DataFrame
        period, phase, count, n, value (the share), centre, sigma, lower_limit, upper_limit,
        beyond_limits.

    Raises
    ------
    DataError
        Counts that are no counts, or exceed n; an n of zero; fewer than 4 periods.
    ArgumentError
        An unknown kind of limits.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.3.2. Overdispersion: Laney 2002, Qual Eng 14:531,
    doi:10.1081/QEN-120003555.

    Examples
    --------
    >>> chart = share_chart([12, 15, 8, 26], n=[50, 50, 40, 50], limits="normal")
    >>> chart["beyond_limits"].tolist()
    [False, False, False, True]

    Checked against: NIST handbook 6.3.3.2; scipy's binomial (test_service_charts).
    """
    events = frames.counts("count", count, least=4)
    sizes = _sizes("n", n, events.size)
    if (events > sizes).any():
        raise rows_must("count", "not exceed n", events > sizes, "Correct the counts")
    if (sizes != np.floor(sizes)).any():
        raise rows_must("n", "be a whole number", sizes != np.floor(sizes), "Correct the cells")
    check_choice("limits", limits, _LIMITS)
    frame, centre = _base(events, sizes, "n", periods, phase_starts, baseline)
    sigma = np.sqrt(centre * (1 - centre) / sizes)
    if limits == "exact":
        low, high = binomial_limits(sizes, centre)
    else:
        sigma = sigma * _spread(frame, sigma, overdispersion)
        low, high = np.maximum(centre - 3 * sigma, 0), np.minimum(centre + 3 * sigma, 1)
    return _with_limits(frame, sigma, low, high)


def rate_chart(
    count: Sequence[int] | pd.Series | np.ndarray,
    *,
    exposure: Sequence[float] | pd.Series | np.ndarray,
    periods: Sequence[str] | pd.Series | None = None,
    phase_starts: Sequence[str] = (),
    baseline: int | None = None,
    limits: str = "exact",
    overdispersion: bool = False,
) -> pd.DataFrame:
    """Show whether a rate per quarter (unwanted events a visit) varies by more than chance.

    Parameters
    ----------
    count : sequence of int
        Events per period in order of time; at least 4 periods.
    exposure : sequence of float
        Visits (or hundreds of visits, or client-weeks) of that period, above zero.
    periods, phase_starts, baseline
        As for `individuals_chart`.
    limits : {"exact", "normal"}
        Exact Poisson, or centre -/+ 3 sigma cut off at 0.
    overdispersion : bool
        As for `share_chart`.

    Returns
    -------
    DataFrame
        period, phase, count, exposure, value (events per unit of exposure), centre, sigma,
        lower_limit, upper_limit, beyond_limits.

    Raises
    ------
    DataError, ArgumentError
        As for `share_chart`.

    Notes
    -----
    With expected counts below about 1 a period no count of zero can ever be unusual, and the
    lower limit is 0. Pool quarters, or watch the time between events.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.3.1.

    Examples
    --------
    >>> chart = rate_chart([1, 0, 2, 12], exposure=[300, 280, 310, 290])
    >>> chart["beyond_limits"].tolist()
    [False, False, False, True]

    Checked against: scipy's Poisson (test_service_charts).
    """
    events = frames.counts("count", count, least=4)
    sizes = _sizes("exposure", exposure, events.size)
    check_choice("limits", limits, _LIMITS)
    frame, centre = _base(events, sizes, "exposure", periods, phase_starts, baseline)
    sigma = np.sqrt(centre / sizes)
    if limits == "exact":
        low, high = poisson_limits(sizes, centre)
    else:
        sigma = sigma * _spread(frame, sigma, overdispersion)
        low, high = np.maximum(centre - 3 * sigma, 0), centre + 3 * sigma
    return _with_limits(frame, sigma, low, high)


def binomial_limits(n: np.ndarray, centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the smallest and largest unsurprising share, for any shapes that broadcast."""
    return stats.binom.ppf(_TAIL, n, centre) / n, stats.binom.isf(_TAIL, n, centre) / n


def poisson_limits(exposure: np.ndarray, centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the smallest and largest unsurprising rate, for any shapes that broadcast."""
    mean = centre * exposure
    return stats.poisson.ppf(_TAIL, mean) / exposure, stats.poisson.isf(_TAIL, mean) / exposure


def _sizes(name: str, values: object, size: int) -> np.ndarray:
    array = frames.numbers(name, values, least=1)
    if array.size != size:
        raise DataError(f"{name} must have one entry per period, got {array.size} for {size}.")
    if (array <= 0).any():
        raise rows_must(name, "be above zero", array <= 0, "Leave out periods without clients")
    check_positive(name, float(array.min()))
    return array


def _base(
    events: np.ndarray,
    sizes: np.ndarray,
    size_name: str,
    periods: Sequence[str] | pd.Series | None,
    phase_starts: Sequence[str],
    baseline: int | None,
) -> tuple[pd.DataFrame, np.ndarray]:
    labels = frames.point_labels(periods, events.size)
    phases = frames.phase_numbers(labels, phase_starts, least=4)
    used = frames.baseline_mask(phases, baseline, least=4)
    total = np.bincount(phases, weights=events * used)
    whole = np.bincount(phases, weights=sizes * used)
    centre = total[phases] / whole[phases]
    frame = pd.DataFrame(
        {
            "period": labels,
            "phase": phases,
            "count": events.astype("int64"),
            size_name: sizes.astype("int64") if size_name == "n" else sizes,
            "value": events / sizes,
            "centre": centre,
        }
    )
    return frame, centre


def _spread(frame: pd.DataFrame, sigma: np.ndarray, wanted: bool) -> np.ndarray:
    """Give the factor by which neighbours differ more than chance, at least 1, per phase."""
    factor = np.ones(len(frame))
    if not wanted or (sigma == 0).any():
        return factor
    z = (frame["value"] - frame["centre"]) / sigma
    for _, own in z.groupby(frame["phase"]):
        ranges = np.abs(np.diff(own))
        factor[own.index] = max(1.0, float(ranges.mean()) * np.sqrt(np.pi) / 2)
    return factor


def _with_limits(
    frame: pd.DataFrame, sigma: np.ndarray, low: np.ndarray, high: np.ndarray
) -> pd.DataFrame:
    frame["sigma"], frame["lower_limit"], frame["upper_limit"] = sigma, low, high
    slack = 1e-12
    frame["beyond_limits"] = (frame["value"] < low - slack) | (frame["value"] > high + slack)
    return frame
