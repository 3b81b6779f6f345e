"""From the error of one reading to the smallest change that error alone rarely produces.

Notation
--------
s       standard error of measurement: the standard deviation of the error of one reading
s_k     the same for the mean of k trials, s / sqrt(k), if the errors of the trials are independent
z       standard normal quantile at (1 + confidence) / 2
r       reliability (an intraclass correlation, or an internal-consistency coefficient)

A recorded change is the difference of two readings, so its error has the standard deviation
sqrt(2) s. A side-to-side difference is one too. The change of a side-to-side difference rests on
four readings: 2 s.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import ndtri

from outcomes.errors import (
    ArgumentError,
    DataError,
    Faults,
    check_between,
    check_choice,
    check_count,
    rows_must,
)

__all__ = ["minimal_detectable_change", "standard_error_of_measurement"]

#: Standard deviation of the error of each difference, in standard errors of measurement.
_READINGS = {
    "change": np.sqrt(2.0),
    "side difference": np.sqrt(2.0),
    "change of side difference": 2.0,
}


def minimal_detectable_change(
    standard_error_of_measurement: Any,
    *,
    confidence: float = 0.95,
    trials: int = 1,
    of: Literal["change", "side difference", "change of side difference"] = "change",
    clients: int = 1,
) -> Any:
    """Give the smallest change that measurement error alone rarely produces.

    Use it to judge the change of one client (or, with `clients`, of a group's mean) between two
    visits. Do not use it to say that a change matters to the client: that is importance. The
    standard error must fit the design: a same-rater error says nothing about two raters.

    Parameters
    ----------
    standard_error_of_measurement : float or array-like
        Error of ONE trial, in the unit of the measure, zero or more; any shape.
    confidence : float, default 0.95
        In (0, 1). Papers use 0.90 and 0.95.
    trials : int, default 1
        Trials averaged into each recorded value. Only right if the trials' errors are
        independent: placing the instrument once for all trials keeps its error in every trial.
    of : {"change", "side difference", "change of side difference"}
        What is judged: a client's change over time, the difference between left and right at one
        visit, or the change over time of that difference.
    clients : int, default 1
        Clients in the mean that is judged. Error averages out over clients; the spread of their
        true changes does not, so this is no test of a group's change.

    Returns
    -------
    float, array or Series
        In the unit and the shape of the input.

    Raises
    ------
    ArgumentError, DataError
        Confidence outside (0, 1), trials or clients below 1, an unknown `of`; standard errors
        that are missing, infinite or negative (with their rows).

    Notes
    -----
    ``z * sqrt(2) * s / sqrt(trials * clients)``; sqrt(2) is 2 for the change of a side difference.

    References
    ----------
    Weir 2005, J Strength Cond Res 19:231, doi:10.1519/15184.1 (minimal difference).

    Examples
    --------
    >>> round(minimal_detectable_change(3.0), 3)
    8.315
    >>> minimal_detectable_change([2.0, 3.0], confidence=0.90, trials=2).round(3)
    array([3.29 , 4.935])

    Checked against: Weir 2005 (20.947 from 7.556927), tests/statistics/repeatability.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    k = check_count("trials", trials)
    n = check_count("clients", clients)
    check_choice("of", of, _READINGS)
    error = _checked("standard error of measurement", standard_error_of_measurement)
    return _like(error * (ndtri((1 + level) / 2) * _READINGS[of] / np.sqrt(k * n)))


def standard_error_of_measurement(
    trials: Any = None,
    *,
    standard_deviation: Any = None,
    reliability: Any = None,
    shift_is_error: bool = True,
) -> Any:
    """Give the error of one reading, from repeated trials or from a published reliability.

    Use repeated trials where you have them. The route through a reliability is for papers that
    print only that: the standard deviation must then be that of the same people. Do not carry a
    reliability over to clients who differ more, or less, from one another: the error may carry
    over, the reliability does not. For intervals, raters and sessions use `measurement_error`.

    Parameters
    ----------
    trials : array-like or DataFrame, clients x trials, optional
        Repeated readings without true change between them, one row per client; missing readings
        are nan. Clients with fewer than two readings are not used.
    standard_deviation : float or array-like, optional
        Standard deviation between clients, in the unit of the measure.
    reliability : float or array-like, optional
        In [-1, 1], broadcast against the standard deviation.
    shift_is_error : bool, default True
        With `trials`: whether a shift common to all clients between the trials (practice,
        warming up) counts as error. False needs every client to have every trial.

    Returns
    -------
    float, array or Series
        In the unit of the input; one float from `trials`.

    Raises
    ------
    ArgumentError
        Neither or both of the two routes are given; a reliability outside [-1, 1].
    DataError
        No client has two readings; readings are missing where none may be.

    Notes
    -----
    From trials: square root of the within-client mean square, or, without the shift, of the
    residual mean square of clients by trials. From a reliability: ``sd * sqrt(1 - r)``.

    References
    ----------
    Bland & Altman 1996, BMJ 313:744, doi:10.1136/bmj.313.7059.744 (within-subject SD).
    Weir 2005, J Strength Cond Res 19:231, doi:10.1519/15184.1.

    Examples
    --------
    >>> round(standard_error_of_measurement(standard_deviation=7.5, reliability=0.80), 3)
    3.354
    >>> round(standard_error_of_measurement([[150, 154], [162, 160], [171, 175]]), 3)
    2.449

    Checked against: Weir 2005 (7.556927), Jacobson & Truax 1991 (3.35).
    """
    from_reliability = standard_deviation is not None or reliability is not None
    if from_reliability == (trials is not None):
        raise ArgumentError(
            "the error must come from one source, got "
            f"{'two' if from_reliability else 'none'}. Give trials, or give standard_deviation "
            "with reliability."
        )
    if trials is not None:
        return _from_trials(trials, shift_is_error=shift_is_error)
    if standard_deviation is None or reliability is None:
        raise ArgumentError(
            "standard_deviation and reliability must be given together. Add the missing one."
        )
    spread = _checked("standard deviation", standard_deviation)
    r = _checked("reliability", reliability, low=-1.0, high=1.0)
    return _like(spread * np.sqrt(1.0 - r))


def _from_trials(trials: Any, *, shift_is_error: bool) -> float:
    """Pool the within-client variance of a clients x trials table."""
    try:
        table = np.asarray(trials, dtype=float)
    except (TypeError, ValueError):
        raise DataError(
            "trials must be a table of numbers, clients by trials. Give one row per client."
        ) from None
    if table.ndim != 2 or table.shape[1] < 2:
        raise DataError(
            "trials must be a table with one row per client and two or more trials. "
            "Repeat the reading, or use standard_deviation with reliability."
        )
    if np.isinf(table).any():
        raise rows_must("trials", "be finite", np.isinf(table).any(axis=1), "Correct them")
    if not shift_is_error:
        gaps = np.isnan(table).any(axis=1)
        if gaps.any() or table.shape[0] < 2:
            faults = Faults()
            faults.add_if(gaps, "trials", "be complete", "Fill them, or use measurement_error")
            faults.raise_if_any()
            raise DataError("trials must come from two or more clients. Add clients.")
        left = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
        return float(np.sqrt((left**2).sum() / ((table.shape[0] - 1) * (table.shape[1] - 1))))
    count = np.isfinite(table).sum(axis=1)
    table, count = table[count >= 2], count[count >= 2]
    if not len(table):
        raise DataError(
            "trials must hold two or more readings of at least one client. Repeat the reading."
        )
    mean = np.nansum(table, axis=1) / count
    return float(np.sqrt(np.nansum((table - mean[:, None]) ** 2) / (count - 1).sum()))


def _checked(thing: str, value: Any, *, low: float = 0.0, high: float = np.inf) -> Any:
    """Return numbers inside [low, high] as a Series (if it was one) or an array."""
    try:
        numbers = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise ArgumentError(f"{thing} must be a number or an array of numbers. Give one.") from None
    wrong = ~(np.isfinite(numbers) & (numbers >= low) & (numbers <= high))
    if wrong.any():
        rule = f"lie between {low:g} and {high:g}" if np.isfinite(high) else "be zero or more"
        if numbers.ndim == 0:
            raise ArgumentError(f"{thing} must {rule}, got {numbers.item()!r}. Correct it.")
        broken = wrong.reshape(wrong.shape[0], -1).any(axis=1)
        raise rows_must(thing, rule, broken, "Correct or leave out those rows")
    return value.astype(float) if isinstance(value, pd.Series) else numbers


def _like(result: Any) -> Any:
    """Give a plain float for a scalar, else the array or Series."""
    return result if isinstance(result, pd.Series) or np.ndim(result) else float(result)
