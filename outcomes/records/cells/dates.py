"""Dates as clinics write them, decided per column.

ISO dates, dates with the month as a word and spreadsheet serial numbers can be read cell by cell.
Day-first and month-first cannot: the order is decided from all values of the column. If no value
settles it, that is an error, never a guess.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError

__all__ = ["ORDERS", "UNDECIDED", "DateColumn", "read_dates"]

ORDERS = ("day-first", "month-first")
UNDECIDED = "undecided"

_SERIAL_START = dt.date(1899, 12, 30)
_LONGEST = 60
_EARLIEST, _LATEST = dt.date(1900, 1, 1), dt.date(2100, 12, 31)

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_COMPACT = re.compile(r"(19|20)(\d{2})(\d{2})(\d{2})")
_NUMERIC = re.compile(r"(\d{1,2})\s*[-/. ]\s*(\d{1,2})\s*[-/. ]\s*(\d{4}|\d{2})")
_DAY_WORD = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[\s\-./]*([^\W\d]+)[\s\-./,']*(\d{4}|\d{2})")
_WORD_DAY = re.compile(r"([^\W\d]+)[\s\-./]*(\d{1,2})(?:st|nd|rd|th)?[\s\-./,']+(\d{4}|\d{2})")
_SERIAL = re.compile(r"\d{4,6}(?:\.\d+)?")
_TIME = re.compile(
    r"(?:T|\s)\s*\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:[ap]\.?m\.?)?\s*"
    r"(?:Z|UTC|[+-]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)
_ISO_TIME = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?"
    r"(?:Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_WEEKDAY = re.compile(r"^(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[.,]?\s+", re.IGNORECASE)

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar janvier enero gennaio januari",
            "feb february februar fevrier février febrero febbraio februari",
            "mar march maerz märz mrz mars marzo maart",
            "apr april avril abril aprile avr",
            "may mai mayo maggio mei",
            "jun june juni juin junio giugno",
            "jul july juli juillet julio luglio",
            "aug august aout août agosto augustus",
            "sep sept september septembre septiembre settembre",
            "oct october okt oktober octobre octubre ottobre",
            "nov november novembre noviembre",
            "dec december dez dezember decembre décembre diciembre dicembre",
        ),
        start=1,
    )
    for name in names.split()
}


@dataclass(frozen=True, eq=False)
class DateColumn:
    """A column read as dates.

    Attributes
    ----------
    values : Series of datetime64[us]
        Missing where blank or unreadable.
    unreadable : array of bool
        Cells that hold something that is no date of the years 1900 to 2100.
    order : str
        ``"day-first"``, ``"month-first"``, ``"undecided"``, or ``""`` where it does not matter.
    kinds : tuple of str
        How the cells are written, for a person to check.
    misfits : array of bool
        Cells that contradict the order that nearly all others show; unreadable as well.
    swapped : bool
        Day and month of the ISO dates may have been swapped: a spreadsheet that expects the other
        order turns the dates up to the 12th into dates, and leaves the others as text.
    """

    values: pd.Series
    unreadable: np.ndarray
    order: str
    kinds: tuple[str, ...]
    misfits: np.ndarray
    swapped: bool = False


def read_dates(text: pd.Series, *, order: str | None = None) -> DateColumn:
    """Read a column of dates.

    Parameters
    ----------
    text : Series of str
    order : str, optional
        ``"day-first"`` or ``"month-first"``, where the mapping settles it.

    Returns
    -------
    DateColumn
        With ``order == "undecided"`` if some cells can be read both ways and no cell settles it.
        Up to one cell in twenty may contradict the order of the others; it is then unreadable.

    Examples
    --------
    >>> read_dates(pd.Series(["03/04/2026", "25/04/2026"])).values.dt.date.tolist()
    [datetime.date(2026, 4, 3), datetime.date(2026, 4, 25)]
    >>> read_dates(pd.Series(["03/04/2026", "05/04/2026"])).order
    'undecided'
    """
    if order not in (None, *ORDERS):
        raise ArgumentError(f"date_order must be one of 'day-first', 'month-first', got {order!r}.")
    codes, uniques = pd.factorize(_without_times(text))
    parsed = [_parse(str(cell)) for cell in uniques]
    weights = np.bincount(codes[codes >= 0], minlength=len(uniques))
    chosen = order or _decide(parsed, weights)
    values = np.full(len(uniques) + 1, np.datetime64("NaT", "us"))
    bad = np.zeros(len(uniques) + 1, dtype=bool)
    misfit = np.zeros(len(uniques) + 1, dtype=bool)
    for i, cell in enumerate(parsed):
        date = cell.date_in(chosen)
        if date is None:
            bad[i] = True
            misfit[i] = cell.kind == "numeric" and cell.date_in(_other(chosen)) is not None
        else:
            values[i] = np.datetime64(date, "us")
    series = pd.Series(values[codes], index=text.index, dtype="datetime64[us]")
    kinds = tuple(sorted({cell.kind for cell in parsed if cell.kind}))
    matters = any(cell.kind == "numeric" for cell in parsed)
    swapped = _looks_swapped(parsed, weights)
    return DateColumn(series, bad[codes], chosen if matters else "", kinds, misfit[codes], swapped)


def _without_times(text: pd.Series) -> pd.Series:
    """Cut the time of day off a column of ISO times, so that few distinct texts are left."""
    first = text.dropna().head(1)
    if first.empty or not re.fullmatch(_ISO_TIME, str(first.iloc[0])):
        return text
    timed = text.str.fullmatch(_ISO_TIME).fillna(False).to_numpy(dtype=bool)
    return text.where(~timed, text.str.slice(0, 10))


@dataclass(frozen=True)
class _Cell:
    """One distinct cell: a date, or two numbers whose order is open (then with the year)."""

    kind: str = ""
    date: dt.date | None = None
    first: int = 0
    second: int = 0
    year: int = 0

    def date_in(self, order: str) -> dt.date | None:
        if self.kind != "numeric":
            return self.date
        if self.first == self.second:
            return _date(self.year, self.first, self.second)
        if order == "day-first":
            return _date(self.year, self.second, self.first)
        if order == "month-first":
            return _date(self.year, self.first, self.second)
        return None


def _looks_swapped(cells: list[_Cell], weights: np.ndarray, least: int = 5) -> bool:
    """All written dates lie after the 12th, and all converted ones up to it."""
    iso = [
        (c.date.day, n) for c, n in zip(cells, weights, strict=True) if c.kind == "iso" and c.date
    ]
    text = [(c, n) for c, n in zip(cells, weights, strict=True) if c.kind == "numeric"]
    if sum(n for _, n in iso) < least or sum(n for _, n in text) < least:
        return False
    return all(day <= 12 for day, _ in iso) and all(max(c.first, c.second) > 12 for c, _ in text)


def _other(order: str) -> str:
    return {"day-first": "month-first", "month-first": "day-first"}.get(order, "")


def _decide(cells: list[_Cell], weights: np.ndarray) -> str:
    day = month = both = 0
    for cell, weight in zip(cells, weights, strict=True):
        if cell.kind != "numeric" or cell.first == cell.second:
            continue
        as_day = cell.date_in("day-first") is not None
        as_month = cell.date_in("month-first") is not None
        day += int(weight) * (as_day and not as_month)
        month += int(weight) * (as_month and not as_day)
        both += int(weight) * (as_day and as_month)
    if day and month <= day * 0.05:
        return "day-first"
    if month and day <= month * 0.05:
        return "month-first"
    if day == month == both == 0:
        return ""
    return UNDECIDED


def _parse(text: str) -> _Cell:
    text = text.strip()
    if len(text) > _LONGEST:
        return _Cell()
    text = _WEEKDAY.sub("", text)
    bare = _TIME.sub("", text).strip()
    if match := _ISO.fullmatch(bare):
        year, month, day = map(int, match.groups())
        return _Cell("iso", _date(year, month, day))
    if match := _COMPACT.fullmatch(bare):
        century, year, month, day = match.groups()
        return _Cell("iso", _date(int(century + year), int(month), int(day)))
    if match := _NUMERIC.fullmatch(bare):
        first, second, year = match.groups()
        return _Cell("numeric", None, int(first), int(second), _whole_year(year))
    if match := _DAY_WORD.fullmatch(bare):
        day, word, year = match.groups()
        return _word_date(word, day, year)
    if match := _WORD_DAY.fullmatch(bare):
        word, day, year = match.groups()
        return _word_date(word, day, year)
    if _SERIAL.fullmatch(bare):
        days = int(float(bare))
        if 20000 <= days <= 73415:  # October 1954 to 2100; below stand years
            return _Cell("serial number", _SERIAL_START + dt.timedelta(days=days))
    return _Cell()


def _word_date(word: str, day: str, year: str) -> _Cell:
    month = _MONTHS.get(word.casefold())
    if month is None:
        return _Cell()
    return _Cell("month in words", _date(_whole_year(year), month, int(day)))


def _whole_year(year: str) -> int:
    """Two-digit years: 70 to 99 are 19xx, 00 to 69 are 20xx."""
    if len(year) == 4:
        return int(year)
    return int(year) + (1900 if int(year) >= 70 else 2000)


def _date(year: int, month: int, day: int) -> dt.date | None:
    try:
        date = dt.date(year, month, day)
    except ValueError:
        return None
    return date if _EARLIEST <= date <= _LATEST else None
