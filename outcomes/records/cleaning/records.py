"""A caseload laid out for the rules: whole numbers instead of words, visits in their order.

Every rule asks the same things of a million readings: which belong to one series, in what order,
and what their mean is at each visit. This is worked out once here, lazily, and only read by the
rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure
from outcomes.measures.questionnaires import score_forms
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import measure_of

__all__ = ["Records", "VisitMeans", "combine", "starts_of"]

_SERIES = ("client", "episode", "measure", "side", "mode", "instrument")


def combine(*keys: np.ndarray) -> np.ndarray:
    """Join several non-negative whole numbers per row into one, equal where all are equal.

    Examples
    --------
    >>> combine(np.array([0, 0, 1]), np.array([2, 2, 2])).tolist()
    [2, 2, 5]
    """
    joined = np.zeros(len(keys[0]), dtype=np.int64)
    size = 1
    for key in keys:
        most = int(key.max(initial=0)) + 1
        if size * most >= 2**62:
            joined = pd.factorize(joined)[0].astype(np.int64)
            size = int(joined.max(initial=0)) + 1
        joined = joined * most + key
        size *= most
    return joined


def starts_of(ordered: np.ndarray) -> np.ndarray:
    """Mark the first of each run of equal numbers.

    Examples
    --------
    >>> starts_of(np.array([4, 4, 7])).tolist()
    [True, False, True]
    """
    if not len(ordered):
        return np.zeros(0, dtype=bool)
    return np.r_[True, ordered[1:] != ordered[:-1]]


@dataclass(frozen=True, eq=False)
class VisitMeans:
    """Before-treatment means, one per visit of a series, sorted by series and then date.

    Attributes
    ----------
    series : array of int
        Number of the series: one client, episode, measure, side, mode and instrument.
    row : array of int
        Position of the first reading of the visit in the table of measurements.
    day, visit, value : arrays
        Day (days since 1970), visit number, mean of the trials.
    follows : array of bool
        The entry before it belongs to the same series.
    """

    series: np.ndarray
    row: np.ndarray
    day: np.ndarray
    visit: np.ndarray
    value: np.ndarray
    follows: np.ndarray


class Records:
    """The tables of a caseload, with their columns as arrays."""

    def __init__(self, caseload: Caseload) -> None:
        self.caseload = caseload
        self.readings = caseload.measurements
        self._codes: dict[str, tuple[np.ndarray, list[str]]] = {}

    def __len__(self) -> int:
        return len(self.readings)

    def code(self, column: str) -> np.ndarray:
        """Give the words of a column as whole numbers from 1; 0 where nothing is recorded."""
        return self._factor(column)[0]

    def words(self, column: str) -> list[str]:
        """Words of a column, so that ``words(column)[code - 1]`` is the word."""
        return self._factor(column)[1]

    def _factor(self, column: str) -> tuple[np.ndarray, list[str]]:
        if column not in self._codes:
            series = self.readings[column]
            if column in ("episode", "visit", "trial"):
                numbers = series.to_numpy(dtype=np.int64, na_value=0)
                self._codes[column] = (numbers - min(numbers.min(initial=0), 0), [])
            else:
                codes, words = pd.factorize(series)
                self._codes[column] = (codes.astype(np.int64) + 1, [str(w) for w in words])
        return self._codes[column]

    @cached_property
    def measures(self) -> list[Measure]:
        """Measures of the readings, in the order of their codes."""
        return [measure_of(self.caseload, name) for name in self.words("measure")]

    def of_measure(self, attribute: str) -> np.ndarray:
        """Give an attribute of each reading's measure (none for readings without a measure)."""
        values = [getattr(measure, attribute) for measure in self.measures]
        return np.array([values[0] if values else 0, *values])[self.code("measure")]

    @cached_property
    def value(self) -> np.ndarray:
        """Values of the readings."""
        return self.readings["value"].to_numpy(dtype=float)

    @cached_property
    def day(self) -> np.ndarray:
        """Days since 1970 of the readings."""
        return days_of(self.readings)

    @cached_property
    def before(self) -> np.ndarray:
        """Readings taken before treatment."""
        words = self.words("moment")
        after = words.index("after") + 1 if "after" in words else -1
        return self.code("moment") != after

    @cached_property
    def place(self) -> np.ndarray:
        """Client, episode, visit, measure and side of each reading, as one number."""
        columns = ("client", "episode", "visit", "measure", "side")
        return combine(*(self.code(column) for column in columns))

    @cached_property
    def forms(self) -> pd.DataFrame:
        """Scores of all forms that can be scored from their items."""
        return score_forms(self.caseload.answers)

    @cached_property
    def series(self) -> np.ndarray:
        """Series of each reading: client, episode, measure, side, mode and instrument."""
        return combine(*(self.code(column) for column in _SERIES))

    @cached_property
    def means(self) -> VisitMeans:
        """Before-treatment means by visit."""
        rows = np.flatnonzero(self.before & ~np.isnan(self.value))
        series = pd.factorize(self.series[rows])[0].astype(np.int64)
        day, visit = self.day[rows], self.code("visit")[rows]
        shifted = day - day.min(initial=0)
        key = combine(series, shifted, visit)
        order = np.argsort(key, kind="stable")
        ordered = key[order]
        first = np.flatnonzero(starts_of(ordered))
        count = np.diff(np.r_[first, len(ordered)])
        total = np.add.reduceat(self.value[rows][order], first) if len(first) else np.zeros(0)
        at = order[first]
        return VisitMeans(
            series=series[at],
            row=rows[at],
            day=day[at],
            visit=visit[at],
            value=total / np.maximum(count, 1),
            follows=~starts_of(series[at]),
        )


def days_of(table: pd.DataFrame, column: str = "date") -> np.ndarray:
    """Give dates as days since 1970 (a far past day where there is none)."""
    return table[column].to_numpy(dtype="datetime64[D]").astype(np.int64).clip(-100_000, 100_000)
