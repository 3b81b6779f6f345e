"""Calendar quarters: the label of a date, the first and last day of a label, earlier quarters.

A quarter is written ``2026Q2``. Labels sort as text in order of time.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_count, rows_must

__all__ = ["ALL", "earlier_quarter", "quarter_dates", "quarter_of", "quarter_range", "quarters_of"]

#: Stands for the whole caseload in place of one quarter.
ALL = "all"

_LABEL = re.compile(r"(\d{4})Q([1-4])")


def quarter_of(date: object) -> str:
    """Name the calendar quarter of one day.

    Parameters
    ----------
    date : date, datetime, Timestamp or ISO text
        The day.

    Returns
    -------
    str
        As ``2026Q2``.

    Raises
    ------
    ArgumentError
        If it is not a date.

    See Also
    --------
    quarters_of : the same for a column of dates.

    Examples
    --------
    >>> quarter_of("2026-06-30"), quarter_of("2026-07-01")
    ('2026Q2', '2026Q3')
    """
    try:
        day = pd.Timestamp(date)  # pyright: ignore[reportArgumentType]
    except (TypeError, ValueError):
        day = pd.NaT
    if not isinstance(day, pd.Timestamp) or pd.isna(day):
        raise ArgumentError("date must be a calendar date. Give it as 2026-06-30.")
    return f"{day.year:04d}Q{(day.month - 1) // 3 + 1}"


def quarters_of(dates: pd.Series) -> pd.Series:
    """Name the calendar quarter of every day in a column.

    Parameters
    ----------
    dates : Series of datetime64
        Days; no empty cells.

    Returns
    -------
    Series of str
        Labels, with the index of `dates`.

    Raises
    ------
    DataError
        If a cell is empty or the column does not hold dates.

    Examples
    --------
    >>> quarters_of(pd.Series(pd.to_datetime(["2025-12-31", "2026-01-01"]))).tolist()
    ['2025Q4', '2026Q1']
    """
    if not pd.api.types.is_datetime64_any_dtype(dates):
        raise rows_must(
            "date", "be stored as a date", np.ones(len(dates), bool), "Read the file again"
        )
    if dates.isna().any():
        raise rows_must("date", "be filled in", dates.isna(), "Set these rows aside first")
    years, numbers = dates.dt.year, dates.dt.quarter
    return years.astype(str).str.zfill(4) + "Q" + numbers.astype(str)


def quarter_dates(quarter: str) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Give the first and the last day of a quarter; ``"all"`` is the whole of time.

    Examples
    --------
    >>> [str(day.date()) for day in quarter_dates("2026Q2")]
    ['2026-04-01', '2026-06-30']
    """
    if quarter == ALL:
        return pd.Timestamp("1800-01-01"), pd.Timestamp("2199-12-31")
    year, number = _parts(quarter)
    first = pd.Timestamp(year=year, month=3 * number - 2, day=1)
    return first, first + pd.DateOffset(months=3) - pd.Timedelta(days=1)


def earlier_quarter(quarter: str, *, by: int = 1) -> str:
    """Name the quarter that lies `by` quarters earlier; 4 is the same quarter a year ago.

    Examples
    --------
    >>> earlier_quarter("2026Q1"), earlier_quarter("2026Q1", by=4)
    ('2025Q4', '2025Q1')
    """
    year, number = _parts(quarter)
    count = 4 * year + number - 1 - check_count("by", by, least=0)
    return f"{count // 4:04d}Q{count % 4 + 1}"


def quarter_range(first: str, last: str) -> list[str]:
    """List the quarters from `first` to `last`, both included.

    Examples
    --------
    >>> quarter_range("2025Q3", "2026Q1")
    ['2025Q3', '2025Q4', '2026Q1']
    """
    start, stop = (4 * year + number - 1 for year, number in map(_parts, (first, last)))
    if stop < start:
        raise ArgumentError(f"last must not lie before first, got {first!r} and {last!r}.")
    return [f"{count // 4:04d}Q{count % 4 + 1}" for count in range(start, stop + 1)]


def _parts(quarter: str) -> tuple[int, int]:
    found = _LABEL.fullmatch(quarter) if isinstance(quarter, str) else None
    if found is None:
        raise ArgumentError(f"quarter must be written like 2026Q2, got {quarter!r}.")
    return int(found[1]), int(found[2])
