"""Rule about instruments that start to read differently from some day on.

For each instrument and measure, the value at visit v of series i is taken as

    y = f(v) + c(instrument) + d * [instrument is this one and day >= T] + a_i + error,

f the usual course over visits (shared by all instruments), c the level of each instrument, a_i the
client's own level (random), d the size of the change and T its day. With the two variances found
by moments, y and the steps are whitened (each value less a share of its client's mean), the course
is taken out of both, and d follows by least squares. Its standard error is that of sums over
clients (cluster-robust), brought to the normal scale by Wallace's approximation for the number of
clients on the smaller side of T. T is the day, of a grid over the days of use, with the largest
statistic. Measures in one unit are tried one by one and together.

Both the clients who were measured before and after T tell of it, and the starting levels of
clients who came before and after. What is told apart only badly is a drift and a true change of
who comes: this is a question for the clinic, who can put the instrument against a known angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.records.cleaning.findings import WHOLE, findings, none_found
from outcomes.records.cleaning.records import Records, starts_of

__all__ = ["drifting_instrument"]

#: Statistic above which an instrument is asked about. In simulated clinics of 60 and 120 clients
#: (tests/evidence/instrument_drift.py) under 1% of steady instruments pass it by chance; a shift
#: of three error SDs is found in 50% and 84% of them, one of two in 55% of the larger.
LIMIT = 4.0
#: Days tried.
GRID = 24
#: Visit means of an instrument and measure needed, clients needed on either side of the day, and
#: the most visit means used of one measure.
ENOUGH = 60
CLIENTS = 6
MOST = 10_000
#: Visits beyond this one count as this one in the usual course.
LAST_VISIT = 12


def drifting_instrument(records: Records) -> pd.DataFrame:
    """Ask about instruments whose readings shift from a day on, against the same clients before."""
    courses = _courses(records)
    if not courses:
        return none_found()
    tools = np.unique(np.concatenate([course.instrument for course in courses]))
    parts = []
    for tool in tools[tools > 0]:
        mine = [course for course in courses if (course.instrument == tool).sum() >= ENOUGH]
        units = {course.unit for course in mine}
        tries = [[course] for course in mine]
        tries += [
            together
            for unit in sorted(units)
            if len(together := [course for course in mine if course.unit == unit]) > 1
        ]
        shifts = [_largest(tried, int(tool)) for tried in tries]
        best = max(shifts, key=lambda shift: abs(shift.statistic), default=None)
        if best is not None and abs(best.statistic) > LIMIT:
            parts.append(_told(records.words("instrument")[tool - 1], best))
    return pd.concat(parts, ignore_index=True) if parts else none_found()


@dataclass(frozen=True)
class _Shift:
    """The clearest shift of one instrument in some measures."""

    statistic: float = 0.0
    size: float = 0.0
    day: int = 0
    unit: str = ""
    names: tuple[str, ...] = ()


class _Course:
    """Visit means of one measure, on the scale where client and error together are white."""

    def __init__(self, records: Records, here: np.ndarray) -> None:
        means = records.means
        row = means.row[here]
        measure = records.measures[int(records.code("measure")[row[0]]) - 1]
        self.name, self.unit = measure.name.lower(), measure.unit
        self.day = means.day[here]
        self.client = records.code("client")[row]
        self.instrument = records.code("instrument")[row]
        series = means.series[here]
        self._first = np.flatnonzero(starts_of(series))
        self._size = np.diff(np.r_[self._first, len(series)])
        place = np.arange(len(series)) - np.repeat(self._first, self._size)
        visit = np.minimum(place, LAST_VISIT)
        usual = (visit[:, None] == np.unique(visit)).astype(float)
        tools = (self.instrument[:, None] == np.unique(self.instrument)[1:]).astype(float)
        value = means.value[here]
        error, between = self._variances(value, usual)
        self.scatter = error
        self._share = np.repeat(1 - np.sqrt(error / (error + self._size * between)), self._size)
        self._basis = np.linalg.qr(self._whiten(np.hstack([usual, tools])))[0]
        self.residual = self.without_course(value[:, None])

    def without_course(self, columns: np.ndarray) -> np.ndarray:
        """Whiten every column and take the usual course and the instruments' levels out of it."""
        white = self._whiten(columns)
        return white - self._basis @ (self._basis.T @ white)

    def _whiten(self, columns: np.ndarray) -> np.ndarray:
        return columns - self._share[:, None] * self._level(columns.astype(float))

    def _level(self, columns: np.ndarray) -> np.ndarray:
        level = np.add.reduceat(columns, self._first, axis=0) / self._size[:, None]
        return np.repeat(level, self._size, axis=0)

    def _variances(self, value: np.ndarray, usual: np.ndarray) -> tuple[float, float]:
        """Variance of one visit's error and between series, by moments."""
        inside = np.column_stack([value, usual])
        inside = inside - self._level(inside)
        course = np.linalg.lstsq(inside[:, 1:], inside[:, 0], rcond=None)[0]
        rest = value - usual @ course
        df = len(value) - len(self._first) - usual.shape[1] + 1
        level = self._level(rest[:, None])[self._first, 0]
        error = max(float(((rest - np.repeat(level, self._size)) ** 2).sum()) / max(df, 1), 1e-9)
        between = float(level.var(ddof=1)) - error * float((1 / self._size).mean())
        return error, max(between, 0.0)


def _courses(records: Records) -> list[_Course]:
    means = records.means
    measure = records.code("measure")[means.row]
    courses = []
    for number in np.unique(measure[measure > 0]):
        if records.measures[number - 1].self_report:
            continue
        here = np.flatnonzero(measure == number)
        here = here[_kept(means.series[here])]
        if len(here) >= ENOUGH:
            courses.append(_Course(records, here))
    return courses


def _kept(series: np.ndarray) -> np.ndarray:
    """Series with at least two visits, thinned by whole series to at most `MOST` entries."""
    several = np.bincount(series)[series] > 1
    every = int(np.ceil(several.sum() / MOST))
    return several & (series % max(every, 1) == 0)


def _largest(courses: list[_Course], tool: int) -> _Shift:
    """Day, size and statistic of the clearest shift of one instrument in some measures."""
    mine = [course.instrument == tool for course in courses]
    used = np.concatenate([course.day[own] for course, own in zip(courses, mine, strict=True)])
    days = np.unique(np.quantile(used, np.linspace(0.03, 0.97, GRID)).astype(np.int64))
    late = [
        own[:, None] & (course.day[:, None] >= days)
        for course, own in zip(courses, mine, strict=True)
    ]
    early = [own[:, None] & ~part for own, part in zip(mine, late, strict=True)]
    clients = np.minimum(_count_clients(courses, early), _count_clients(courses, late))
    usable = clients >= CLIENTS
    if not usable.any():
        return _Shift()
    days, clients = days[usable], clients[usable]
    steps = [c.without_course(part[:, usable]) for c, part in zip(courses, late, strict=True)]
    pairs = list(zip(courses, steps, strict=True))
    weight = np.sum([(step**2).sum(axis=0) / c.scatter for c, step in pairs], axis=0)
    pull = np.sum([(step * c.residual).sum(axis=0) / c.scatter for c, step in pairs], axis=0)
    size = np.divide(pull, weight, out=np.zeros_like(pull), where=weight > 1e-9)
    parts = [step * (c.residual - size * step) / c.scatter for c, step in pairs]
    by_client = _sum_by(np.concatenate([c.client for c in courses]), np.vstack(parts))
    error = np.sqrt((by_client**2).sum(axis=0))
    ratio = np.divide(size * weight, error, out=np.zeros_like(size), where=error > 1e-9)
    normal = _to_normal(ratio, clients - 1)
    at = int(np.argmax(np.abs(normal)))
    names = tuple(course.name for course in courses)
    return _Shift(float(normal[at]), float(size[at]), int(days[at]), courses[0].unit, names)


def _count_clients(courses: list[_Course], chosen: list[np.ndarray]) -> np.ndarray:
    """Count the different clients in the chosen entries of each column."""
    client = np.concatenate([course.client for course in courses])
    picked = np.vstack(chosen)
    return np.array([len(np.unique(client[column])) for column in picked.T])


def _sum_by(key: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Add up the rows that share a key."""
    order = np.argsort(key, kind="stable")
    return np.add.reduceat(rows[order], np.flatnonzero(starts_of(key[order])), axis=0)


def _to_normal(t: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Bring t statistics to the normal scale (Wallace 1959, Ann Math Stat 30:1124)."""
    size = np.sqrt(df * np.log1p(t**2 / df))
    return np.sign(t) * size * (8 * df + 1) / (8 * df + 3)


def _told(instrument: str, shift: _Shift) -> pd.DataFrame:
    """One question about one instrument."""
    day = str(np.datetime64(shift.day, "D"))
    where = shift.names[0] if len(shift.names) == 1 else f"{len(shift.names)} measures together"
    return findings(
        "measurements",
        [WHOLE],
        f"{instrument} reads {shift.size:+.2g} {shift.unit} from about {day} on, against the same "
        f"clients before and the usual course ({where}; z {shift.statistic:.1f})",
        column="instrument",
        old=instrument,
    )
