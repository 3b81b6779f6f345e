"""Thresholds from spread and error: what they are, and that they are not importance."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import chi2

from outcomes.errors import DataError, check_between
from outcomes.statistics.repeatability.detectable_change import minimal_detectable_change

__all__ = ["distribution_thresholds"]

_NOT = "importance: no client was asked"


def distribution_thresholds(
    start_values: object,
    *,
    standard_error_of_measurement: float | None = None,
    confidence: float = 0.95,
    unit: str = "",
) -> pd.DataFrame:
    """List half a standard deviation, one standard error and the detectable change side by side.

    Use them to see how large a threshold is against spread and error. Do not use them as the
    smallest change that matters: they say nothing about what matters to anybody.

    Parameters
    ----------
    start_values : array-like, (clients,)
        Values at the start of care.
    standard_error_of_measurement : float, optional
        Of one recorded value; without it only the first row is given.
    confidence : float, default 0.95
        Of the interval, and at which a change counts as detectable.
    unit : str

    Returns
    -------
    DataFrame
        quantity, estimate, ci_low, ci_high, ci_level, unit, n, method, do_not_use_when. Rows that
        rest on a given standard error carry no sampling of their own: their interval is the
        value itself, as the method says.

    Raises
    ------
    DataError
        Fewer than two values.

    References
    ----------
    Norman, Sloan & Wyrwich 2003, Med Care 41:582, doi:10.1097/01.MLR.0000062554.74615.4C (half a
    standard deviation). Wyrwich et al. 1999, J Clin Epidemiol 52:861 (one standard error).

    Examples
    --------
    >>> distribution_thresholds([20, 30, 40, 50.0])["estimate"].round(3).tolist()
    [6.455]
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    values = np.asarray(start_values, dtype=float)
    values = values[np.isfinite(values)]
    n = len(values)
    if n < 2:
        raise DataError("start values must come from two or more clients. Add clients.")
    sd = float(values.std(ddof=1))
    tails = [chi2.ppf(q, n - 1) for q in ((1 + level) / 2, (1 - level) / 2)]
    low, high = (0.5 * sd * float(np.sqrt((n - 1) / tail)) for tail in tails)
    rows = [("half a standard deviation", 0.5 * sd, low, high, "chi-square interval")]
    if standard_error_of_measurement is not None:
        error = minimal_detectable_change(standard_error_of_measurement, confidence=level)
        one = float(standard_error_of_measurement)
        given = "from the given standard error, taken as known"
        rows.append(("one standard error of measurement", one, one, one, given))
        rows.append(("minimal detectable change", error, error, error, given))
    return pd.DataFrame(
        [
            {
                "quantity": quantity,
                "estimate": estimate,
                "ci_low": left,
                "ci_high": right,
                "ci_level": level,
                "unit": unit,
                "n": n,
                "method": method,
                "do_not_use_when": _NOT,
            }
            for quantity, estimate, left, right, method in rows
        ]
    )
