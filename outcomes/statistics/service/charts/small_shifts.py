"""Charts that add up small, lasting shifts: EWMA and CUSUM.

    EWMA    z_i = w x_i + (1 - w) z_(i-1), z_0 = target
            sigma of z_i = sigma sqrt(w / (2 - w) (1 - (1 - w)^(2 i)))
    CUSUM   high_i = max(0, high_(i-1) + (x_i - target) / sigma - k)
            low_i  = max(0, low_(i-1)  - (x_i - target) / sigma - k);  alarm above h

An average run length is the mean number of points until the first alarm. It is computed by the
Markov chain of Brook & Evans 1972 (Biometrika 59:539): the range between the limits is cut into
cells, and the expected number of steps solves a linear system.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import check_between, check_positive
from outcomes.statistics.service.charts import frames

__all__ = ["cusum_chart", "cusum_run_length", "ewma_chart", "ewma_run_length"]


def ewma_chart(
    values: Sequence[float] | pd.Series | np.ndarray,
    *,
    target: float,
    sigma: float,
    periods: Sequence[str] | pd.Series | None = None,
    weight: float = 0.2,
    width: float = 2.86,
    steady: bool = False,
) -> pd.DataFrame:
    """Follow a level with a weighted running mean, which shows a small lasting shift early.

    Use beside `individuals_chart`, for shifts of 0.5 to 1.5 standard deviations. Do not take
    target and sigma from the very points that are judged: use an earlier, quiet phase.

    Parameters
    ----------
    values : sequence of float
        The points in order of time.
    target, sigma : float
        Level and standard deviation of a point when nothing changes (sigma above 0).
    periods : sequence of str, optional
        Label of each point.
    weight : float
        Weight of the newest point, in (0, 1].
    width : float
        Limits in standard deviations. With weight 0.2 the default gives one false alarm in about
        370 points: see `ewma_run_length`.
    steady : bool
        Use the limits of a long series from the first point on, as some handbooks do. They are
        too wide at the start.

    Returns
    -------
    DataFrame
        period, value, running_mean, centre, sigma (of the running mean), lower_limit,
        upper_limit, beyond_limits.

    Raises
    ------
    DataError
        A point that is not a finite number.
    ArgumentError
        weight outside (0, 1], or sigma or width not above zero.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4. Lucas & Saccucci 1990, Technometrics 32:1,
    doi:10.1080/00401706.1990.10484583.

    Examples
    --------
    >>> chart = ewma_chart([10, 11, 13, 12, 13, 14], target=10, sigma=1)
    >>> chart["beyond_limits"].tolist()
    [False, False, False, True, True, True]

    Checked against: NIST handbook 6.3.2.4; the run lengths of Lucas & Saccucci
    (test_service_charts).
    """
    points = frames.numbers("the values", values, least=1)
    labels = frames.point_labels(periods, points.size)
    weight = check_between("weight", weight, 0, 1, closed=True)
    check_positive("weight", weight)
    sigma, width = check_positive("sigma", sigma), check_positive("width", width)
    running = running_means(points[None, :], target=target, weight=weight)[0]
    spread = sigma * running_spread(points.size, weight, steady=steady)
    return pd.DataFrame(
        {
            "period": labels,
            "value": points,
            "running_mean": running,
            "centre": float(target),
            "sigma": spread,
            "lower_limit": target - width * spread,
            "upper_limit": target + width * spread,
            "beyond_limits": np.abs(running - target) > width * spread * (1 + 1e-12),
        }
    )


def cusum_chart(
    values: Sequence[float] | pd.Series | np.ndarray,
    *,
    target: float,
    sigma: float,
    periods: Sequence[str] | pd.Series | None = None,
    allowance: float = 0.5,
    decision: float = 4.77,
) -> pd.DataFrame:
    """Add up departures from a target in either direction until they are too many for chance.

    Use for a lasting shift of about twice the allowance. Do not use where the target is only a
    wish: it must be the level at which the clinic has been.

    Parameters
    ----------
    values : sequence of float
        The points in order of time.
    target, sigma : float
        Level and standard deviation of a point when nothing changes (sigma above 0).
    periods : sequence of str, optional
        Label of each point.
    allowance : float
        Departure that is let pass at each point, in sigma (k); half of the shift sought.
    decision : float
        Sum that raises the alarm, in sigma (h). The default gives one false alarm in about 370
        points with allowance 0.5: see `cusum_run_length`.

    Returns
    -------
    DataFrame
        period, value, sum_high, sum_low (both in sigma, zero or above), upper_limit (h),
        beyond_limits.

    Raises
    ------
    DataError
        A point that is not a finite number.
    ArgumentError
        sigma or decision not above zero, allowance below zero.

    References
    ----------
    Page 1954, Biometrika 41:100, doi:10.1093/biomet/41.1-2.100. NIST/SEMATECH e-Handbook 6.3.2.3.

    Examples
    --------
    >>> chart = cusum_chart([10, 12, 12, 12, 12, 13], target=10, sigma=1, decision=4)
    >>> chart["beyond_limits"].tolist()
    [False, False, False, True, True, True]

    Checked against: NIST handbook 6.3.2.3; published run lengths (test_service_charts).
    """
    points = frames.numbers("the values", values, least=1)
    labels = frames.point_labels(periods, points.size)
    sigma, decision = check_positive("sigma", sigma), check_positive("decision", decision)
    allowance = check_positive("allowance", allowance, zero=True)
    high, low = running_sums((points[None, :] - target) / sigma, allowance=allowance)
    return pd.DataFrame(
        {
            "period": labels,
            "value": points,
            "sum_high": high[0],
            "sum_low": low[0],
            "upper_limit": decision,
            "beyond_limits": np.maximum(high[0], low[0]) > decision,
        }
    )


def running_means(series: np.ndarray, *, target: float, weight: float) -> np.ndarray:
    """Smooth many series at once (series x points)."""
    out = np.empty_like(series, dtype=float)
    level = np.full(len(series), float(target))
    for i in range(series.shape[1]):
        level = weight * series[:, i] + (1 - weight) * level
        out[:, i] = level
    return out


def running_spread(points: int, weight: float, *, steady: bool = False) -> np.ndarray:
    """Give the standard deviation of the running mean at each point, for sigma 1."""
    built_up = 1 - (1 - weight) ** (2.0 * np.arange(1, points + 1))
    return np.sqrt(weight / (2 - weight) * (np.ones(points) if steady else built_up))


def running_sums(z: np.ndarray, *, allowance: float) -> tuple[np.ndarray, np.ndarray]:
    """Add up departures of many standardised series at once (series x points)."""
    high, low = np.zeros_like(z), np.zeros_like(z)
    up, down = np.zeros(len(z)), np.zeros(len(z))
    for i in range(z.shape[1]):
        up = np.maximum(0, up + z[:, i] - allowance)
        down = np.maximum(0, down - z[:, i] - allowance)
        high[:, i], low[:, i] = up, down
    return high, low


def ewma_run_length(
    *, weight: float = 0.2, width: float = 2.86, shift: float = 0.0, cells: int = 301
) -> float:
    """Give the mean number of points until a steady EWMA chart raises an alarm.

    Parameters
    ----------
    weight, width : float
        As for `ewma_chart`.
    shift : float
        Lasting shift of the level, in sigma; 0 gives the spacing of false alarms.
    cells : int
        Cells of the Markov chain, odd.

    Examples
    --------
    >>> abs(ewma_run_length(weight=0.1, width=2.814) - 500) < 1.5  # Lucas & Saccucci 1990: 500
    True
    """
    edge = width * np.sqrt(weight / (2 - weight))
    half = edge / cells
    middles = -edge + half * (2 * np.arange(cells) + 1)
    to_high = (middles[None, :] + half - (1 - weight) * middles[:, None]) / weight - shift
    to_low = (middles[None, :] - half - (1 - weight) * middles[:, None]) / weight - shift
    moves = stats.norm.cdf(to_high) - stats.norm.cdf(to_low)
    lengths = np.linalg.solve(np.eye(cells) - moves, np.ones(cells))
    return float(lengths[cells // 2])


def cusum_run_length(
    *, allowance: float = 0.5, decision: float = 4.77, shift: float = 0.0, cells: int = 400
) -> float:
    """Give the mean number of points until a two-sided CUSUM raises an alarm.

    Parameters
    ----------
    allowance, decision : float
        As for `cusum_chart`.
    shift : float
        Lasting shift of the level, in sigma; 0 gives the spacing of false alarms.
    cells : int
        Cells of the Markov chain.

    Examples
    --------
    >>> round(cusum_run_length(allowance=0.5, decision=4))  # Montgomery, table of run lengths: 168
    168
    """
    one = 1 / _one_sided(allowance, decision, shift, cells)
    other = 1 / _one_sided(allowance, decision, -shift, cells)
    return 1 / (one + other)


def _one_sided(allowance: float, decision: float, shift: float, cells: int) -> float:
    step = 2 * decision / (2 * cells - 1)
    places = step * np.arange(cells)
    gap = places[None, :] - places[:, None] + allowance - shift
    moves = stats.norm.cdf(gap + step / 2) - stats.norm.cdf(gap - step / 2)
    moves[:, 0] = stats.norm.cdf(gap[:, 0] + step / 2)
    return float(np.linalg.solve(np.eye(cells) - moves, np.ones(cells))[0])
