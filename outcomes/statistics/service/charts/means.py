"""Chart of means: one mean per quarter, with limits that follow how many clients stand behind it.

centre   sum n_i mean_i / sum n_i
within   s^2 = sum (n_i - 1) sd_i^2 / sum (n_i - 1)
sigma_i  s sqrt(1 / n_i); limits at 3 sigma of a t distribution with sum (n_i - 1) df
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, rows_must
from outcomes.statistics.service.charts import frames

__all__ = ["mean_chart"]


def mean_chart(
    mean: Sequence[float] | pd.Series | np.ndarray,
    *,
    sd: Sequence[float] | pd.Series | np.ndarray,
    n: Sequence[int] | pd.Series | np.ndarray,
    periods: Sequence[str] | pd.Series | None = None,
    phase_starts: Sequence[str] = (),
    baseline: int | None = None,
) -> pd.DataFrame:
    """Show whether the mean improvement per quarter varies by more than its clients explain.

    Use where periods differ in size, as quarters do. Do not use for shares (`share_chart`), nor
    where quarters differ for reasons of their own beside who came: `individuals_chart` takes its
    limits from the quarters themselves.

    Parameters
    ----------
    mean, sd, n : sequence of float
        Mean and standard deviation of the improvement, and clients, per period in order of time;
        at least 4 periods, each with 2 clients.
    periods, phase_starts, baseline
        As for `individuals_chart`.

    Returns
    -------
    DataFrame
        period, phase, n, value (the mean), centre, sigma, lower_limit, upper_limit, beyond_limits.

    Raises
    ------
    DataError
        Fewer than 4 periods, a period with fewer than 2 clients, or a negative sd.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.1 (means, here with varying sizes).

    Examples
    --------
    >>> chart = mean_chart([8, 9, 7, 15], sd=[10, 9, 11, 10], n=[40, 60, 35, 50])
    >>> chart["beyond_limits"].tolist()
    [False, False, False, True]

    Checked against: false alarms in simulated series (test_service_charts).
    """
    value = frames.numbers("mean", mean, least=4)
    spread, sizes = frames.numbers("sd", sd, least=4), frames.counts("n", n, least=4)
    if not value.size == spread.size == sizes.size:
        raise DataError(
            f"mean, sd and n must have one entry per period, got {value.size}, {spread.size} and "
            f"{sizes.size}."
        )
    if (spread < 0).any() or (sizes < 2).any():
        wrong = (spread < 0) | (sizes < 2)
        raise rows_must("n", "be at least 2, with an sd of zero or more", wrong, "Pool periods")
    labels = frames.point_labels(periods, value.size)
    phases = frames.phase_numbers(labels, phase_starts, least=4)
    used = frames.baseline_mask(phases, baseline, least=4)
    centre, sigma, reach = np.empty(value.size), np.empty(value.size), np.empty(value.size)
    for phase in np.unique(phases):
        own = phases == phase
        base = own & used
        df = float((sizes[base] - 1).sum())
        within = np.sqrt(((sizes[base] - 1) * spread[base] ** 2).sum() / df)
        centre[own] = (sizes[base] * value[base]).sum() / sizes[base].sum()
        sigma[own] = within / np.sqrt(sizes[own])
        reach[own] = stats.t.isf(stats.norm.sf(3), df)
    return pd.DataFrame(
        {
            "period": labels,
            "phase": phases,
            "n": sizes.astype("int64"),
            "value": value,
            "centre": centre,
            "sigma": sigma,
            "lower_limit": centre - reach * sigma,
            "upper_limit": centre + reach * sigma,
            "beyond_limits": np.abs(value - centre) > reach * sigma * (1 + 1e-12),
        }
    )
