"""The raw mean change, in the unit of the measure: always reported first."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import DataError, check_between
from outcomes.results import Estimate
from outcomes.statistics.individual_change._rows import improvements

__all__ = ["mean_change"]


def mean_change(
    pairs: pd.DataFrame,
    *,
    better: Any = None,
    confidence: float = 0.95,
    measure: str = "",
    unit: str = "",
) -> Estimate:
    """Give the mean improvement of the clients measured twice, with its t interval.

    Use as the first number of every group report. Do not read it as the effect of treatment:
    without a comparison group it also holds what time alone would have brought.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`, at least 2 rows.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).
    measure, unit : str
        Carried into the result.

    Returns
    -------
    Estimate
        Mean improvement (positive: better), in the unit of the measure.

    Raises
    ------
    DataError
        If values are missing or there are fewer than 2 clients.

    Notes
    -----
    mean(d) +- t(n - 1) * sd(d) / sqrt(n), d the improvements.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": [50.0, 60, 55], "latest_value": [60.0, 64, 66]})
    >>> result = mean_change(pairs, unit="deg")
    >>> print(f"{result.estimate:.2f} ({result.ci_low:.2f} to {result.ci_high:.2f})")
    8.33 (-1.07 to 17.74)

    Checked against: scipy.stats.ttest_rel and its interval.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    _, _, gain = improvements(pairs, better=better)
    if gain.size < 2:
        raise DataError(
            f"a mean change must rest on at least 2 clients measured twice, got {gain.size}. "
            "Wait for more clients, or look at each client alone."
        )
    mean = float(gain.mean())
    half = float(stdtrit(gain.size - 1, 1 - (1 - confidence) / 2) * gain.std(ddof=1))
    half /= float(np.sqrt(gain.size))
    return Estimate(
        measure=measure,
        estimate=mean,
        ci_low=mean - half,
        ci_high=mean + half,
        ci_level=confidence,
        unit=unit,
        n=gain.size,
        method="mean improvement; t interval",
    )
