"""Checks of the frame of pairs: one row is one client's start and latest value of one measure.

Notation of the subpackage: ``x`` start value, ``y`` latest value, ``s`` +1 where higher is better
and -1 where lower is better, ``improvement = s * (y - x)``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, Faults, check_columns, rows_must

__all__ = ["finite_column", "improvements", "per_row", "signs"]

#: Differences of readings such as 7.3 - 5.3 miss 2.0 by the last bit of the computer's numbers;
#: a gate must not turn on that.
GATE_TOLERANCE = 1e-9


def finite_column(pairs: pd.DataFrame, column: str, faults: Faults) -> np.ndarray:
    """Give a column as floats, adding a fault for rows that are empty, infinite or no number."""
    numbers = pd.Series(pd.to_numeric(pairs[column], errors="coerce"))
    values = numbers.to_numpy(dtype=float, na_value=np.nan)
    faults.add_if(
        ~np.isfinite(values),
        column,
        "be a number",
        "Leave out clients without both values, with start_and_latest or dropna",
    )
    return values


def signs(better: Any, pairs: pd.DataFrame) -> np.ndarray:
    """Turn ``"higher"`` / ``"lower"`` (one word, or one a row) into +1 / -1 per row.

    None takes the column `better` of the frame, or ``"higher"`` where there is none.
    """
    if better is None:
        better = pairs["better"] if "better" in pairs.columns else "higher"
    words = np.asarray(better, dtype=object)
    if words.ndim == 0:
        if better not in ("higher", "lower"):
            raise ArgumentError(f"better must be 'higher' or 'lower', got {better!r}.")
        return np.full(len(pairs), 1.0 if better == "higher" else -1.0)
    if words.size != len(pairs):
        raise ArgumentError(
            f"better must be one word or one per row ({len(pairs):,}), got {words.size:,}."
        )
    higher, lower = words == "higher", words == "lower"
    if not np.all(higher | lower):
        raise rows_must("better", "be 'higher' or 'lower'", ~(higher | lower), "Correct the rows")
    return np.where(higher, 1.0, -1.0)


def improvements(
    pairs: pd.DataFrame, *, better: Any = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give start values, changes and improvements of a frame of pairs, all checked.

    Raises
    ------
    DataError
        If `start_value` or `latest_value` is absent, or not a number in some rows.
    """
    check_columns(pairs, ["start_value", "latest_value"], thing="the table of pairs")
    faults = Faults()
    start = finite_column(pairs, "start_value", faults)
    latest = finite_column(pairs, "latest_value", faults)
    faults.raise_if_any()
    change = latest - start
    return start, change, signs(better, pairs) * change


def per_row(
    name: str, value: Any, pairs: pd.DataFrame, *, zero: bool = False, empty: bool = True
) -> np.ndarray:
    """Spread a threshold over the rows: one number, one a row, or the frame's column of that name.

    Parameters
    ----------
    name : str
        Name of the argument, and of the column taken where `value` is None.
    value : float, array-like or None
        None without such a column gives all-empty.
    pairs : DataFrame
        The rows.
    zero : bool
        Whether 0 is allowed; a threshold is never below it.
    empty : bool
        Whether a row may lack a value.
    """
    if value is None:
        if name not in pairs.columns:
            if not empty:
                raise ArgumentError(f"{name} must be given. Give a number or one per row.")
            return np.full(len(pairs), np.nan)
        value = pairs[name]
    if isinstance(value, str):
        raise ArgumentError(f"{name} must be a number or one per row, got {value!r}.")
    try:
        numbers = pd.array(np.atleast_1d(value), dtype="Float64").to_numpy(float, na_value=np.nan)
    except (TypeError, ValueError):
        raise ArgumentError(f"{name} must be a number or one per row.") from None
    if np.ndim(value) == 0:
        numbers = np.full(len(pairs), numbers[0])
    if numbers.size != len(pairs):
        raise ArgumentError(
            f"{name} must be one number or one per row ({len(pairs):,}), got {numbers.size:,}."
        )
    broken = np.isinf(numbers) | (numbers < 0) | ((numbers == 0) & (not zero))
    broken |= np.isnan(numbers) & (not empty)
    if broken.any():
        rule = "be zero or more" if zero else "be above zero"
        fault: DataError = rows_must(name, rule, broken, "Correct the threshold")
        raise fault
    return numbers
