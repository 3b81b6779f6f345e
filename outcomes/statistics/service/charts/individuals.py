"""Individuals chart (XmR): one number per period, limits from how much neighbours differ.

moving range MR_i = |x_i - x_(i-1)|,   sigma = mean(MR) / d2,   d2 = 2 / sqrt(pi) = 1.12838
limits       mean(x) -/+ 3 sigma,      upper limit of MR = 3.26653 mean(MR)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.statistics.service.charts import frames

__all__ = ["individuals_chart"]

#: Mean and standard deviation of the range of two standard normal values.
D2 = 2 / np.sqrt(np.pi)
_D3 = np.sqrt(2 - 4 / np.pi)


def individuals_chart(
    values: Sequence[float] | pd.Series | np.ndarray,
    *,
    periods: Sequence[str] | pd.Series | None = None,
    phase_starts: Sequence[str] = (),
    baseline: int | None = None,
) -> pd.DataFrame:
    """Show whether a number per quarter varies as it always does, or something changed.

    Use for one number per period of roughly equal weight, as the mean improvement or the days
    to first appointment. Do not use for shares or event rates (`share_chart`, `rate_chart`), nor
    for a series with a steady trend, which makes the limits too narrow.

    Parameters
    ----------
    values : sequence of float
        The points in order of time, at least 4.
    periods : sequence of str, optional
        Label of each point, as ``2026Q2``; default its number.
    phase_starts : sequence of str
        Periods at which a new phase begins, with its own centre and limits.
    baseline : int, optional
        Points at the start of each phase that set centre and limits; default all of them. Frozen
        limits make a later change easier to see.

    Returns
    -------
    DataFrame
        period, phase, value, moving_range (empty at the start of a phase), centre, sigma,
        lower_limit, upper_limit, moving_range_limit, beyond_limits.

    Raises
    ------
    DataError
        Fewer than 4 points, or a point that is not a finite number.
    ArgumentError
        A phase with fewer than 4 points, or an unknown period.

    Notes
    -----
    The textbook's false alarm in 0.27% of points holds for known limits. Limits frozen from 8
    points give about 3%: see `false_alarms`.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> chart = individuals_chart(flow)
    >>> round(float(chart["upper_limit"].iloc[0]), 2), bool(chart["beyond_limits"].any())
    (55.8, False)

    Checked against: NIST handbook 6.3.2.2 (test_service_charts).
    """
    points = frames.numbers("the values", values, least=4)
    labels = frames.point_labels(periods, points.size)
    phases = frames.phase_numbers(labels, phase_starts, least=4)
    used = frames.baseline_mask(phases, baseline, least=4)
    first = np.concatenate([[True], phases[1:] != phases[:-1]])
    ranges = np.abs(np.diff(points, prepend=points[0]))
    ranges[first] = np.nan
    centre, mean_range = np.empty(points.size), np.empty(points.size)
    for phase in np.unique(phases):
        own = phases == phase
        centre[own] = points[own & used].mean()
        mean_range[own] = ranges[own & used & ~first].mean()
    sigma = mean_range / D2
    return pd.DataFrame(
        {
            "period": labels,
            "phase": phases,
            "value": points,
            "moving_range": ranges,
            "centre": centre,
            "sigma": sigma,
            "lower_limit": centre - 3 * sigma,
            "upper_limit": centre + 3 * sigma,
            "moving_range_limit": mean_range * (1 + 3 * _D3 / D2),
            "beyond_limits": np.abs(points - centre) > 3 * sigma * (1 + 1e-12),
        }
    )
