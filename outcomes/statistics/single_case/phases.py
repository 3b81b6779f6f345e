"""From a caseload's readings to one series per client, cut into phases.

A frame of `values` has one row per reading: client, value, phase, and a time (week, day or
visit). Columns episode, measure, side, mode and instrument split a client's rows into separate
series where they are present; instruments and modes are never pooled.

Notation: A is a baseline phase, B a treatment phase; m and n are their numbers of readings.
Values are turned so that larger is better before anything is computed (`Series.improved`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import (
    ArgumentError,
    DataError,
    Faults,
    check_choice,
    check_columns,
)

__all__ = [
    "BASELINE",
    "KEYS",
    "PhasePair",
    "Series",
    "add_phases",
    "check_readings",
    "read_series",
]

BASELINE = "baseline"
KEYS = ("client", "episode", "measure", "side", "mode", "instrument")
_TIMES = ("week", "day", "visit")


@dataclass(frozen=True, eq=False)
class PhasePair:
    """A baseline phase and the phase that follows it."""

    comparison: str
    baseline: np.ndarray
    treatment: np.ndarray
    baseline_time: np.ndarray
    treatment_time: np.ndarray


@dataclass(frozen=True, eq=False)
class Series:
    """One client's readings of one measure in order of time.

    Attributes
    ----------
    key : dict of str to str or int
        The columns of `KEYS` that were present.
    time, value : ndarray
        Times (in the unit of the time column) and readings as recorded.
    phase : tuple of str
        Phase of each reading.
    run : ndarray of int
        Number of the phase in order, from 0: it grows wherever the phase changes.
    sign : int
        +1 where a higher reading is better, -1 where a lower one is.
    """

    key: dict[str, object]
    time: np.ndarray
    value: np.ndarray
    phase: tuple[str, ...]
    run: np.ndarray
    sign: int

    @property
    def improved(self) -> np.ndarray:
        """Readings turned so that larger is better."""
        return self.sign * self.value

    @property
    def treated(self) -> np.ndarray:
        """True for every reading outside a baseline phase."""
        return np.array([name != BASELINE for name in self.phase])

    @property
    def run_names(self) -> list[str]:
        """Name of each run; repeated names get a number (baseline 1, treatment 1, ...)."""
        first = [self.phase[int(np.argmax(self.run == r))] for r in range(int(self.run[-1]) + 1)]
        names = []
        for place, name in enumerate(first):
            again = first.count(name) > 1
            names.append(f"{name} {first[: place + 1].count(name)}" if again else name)
        return names

    def pairs(self) -> list[PhasePair]:
        """Every baseline phase with the phase right after it, as recorded (not turned)."""
        names, found = self.run_names, []
        for r in range(len(names) - 1):
            a, b = self.run == r, self.run == r + 1
            if self.phase[int(np.argmax(a))] != BASELINE:
                continue
            found.append(
                PhasePair(
                    f"{names[r]} to {names[r + 1]}",
                    self.value[a],
                    self.value[b],
                    self.time[a],
                    self.time[b],
                )
            )
        return found


def read_series(
    values: pd.DataFrame,
    *,
    better: str | Mapping[str, str] = "higher",
    time: str | None = None,
    need_baseline: bool = True,
) -> list[Series]:
    """Split a frame of readings into one series per client (and measure, side, instrument).

    Use for any single-case statistic: the other functions of this package call it.

    Parameters
    ----------
    values : DataFrame
        One row per reading: client, value, phase and a time (week, day or visit); optional
        episode, measure, side, mode, instrument.
    better : {"higher", "lower"} or mapping of measure to one of them
        Which direction is an improvement.
    time : {"week", "day", "visit"}, optional
        Time column; the first of these present where not given.
    need_baseline : bool
        Refuse series without a baseline phase followed by another phase.

    Returns
    -------
    list of Series
        In order of the keys; readings in order of time, rows with an empty value left out.

    Raises
    ------
    DataError
        Columns missing; values not finite; times or phases missing; two readings of one
        series at one time; no baseline followed by another phase. All faults at once.

    Examples
    --------
    >>> values = pd.DataFrame({"client": "A", "week": [0, 1, 2], "value": [10, 20, 25],
    ...                        "phase": ["baseline", "treatment", "treatment"]})
    >>> [pair.comparison for pair in read_series(values)[0].pairs()]
    ['baseline to treatment']
    """
    time = _time_column(values, time)
    check_columns(values, ["client", "value", "phase", time], thing="the table of readings")
    value = np.asarray(pd.to_numeric(values["value"], errors="coerce"), dtype=float)
    text = values["value"].notna().to_numpy() & np.isnan(value)
    when = np.asarray(pd.to_numeric(values[time], errors="coerce"), dtype=float)
    keys = [key for key in KEYS if key in values.columns]
    group = values.groupby(keys, sort=True, dropna=False).ngroup().to_numpy()
    filled = ~np.isnan(value)
    faults = Faults()
    faults.add_if(values["client"].isna(), "client", "be filled", "Add the client's code")
    faults.add_if(
        text | np.isinf(value), "value", "be a finite number", "Correct or empty the cells"
    )
    faults.add_if(
        filled & ~np.isfinite(when), time, "be known", "Add the date of the visit, or drop the rows"
    )
    faults.add_if(
        filled & values["phase"].isna().to_numpy(),
        "phase",
        "be named",
        "Fill the phase of the visit, or derive it with add_phases",
    )
    same = pd.DataFrame({"g": group, "t": when})[filled].duplicated(keep=False)
    twice = np.zeros(len(values), dtype=bool)
    twice[np.flatnonzero(filled)[same.to_numpy()]] = True
    faults.add_if(
        twice & np.isfinite(when),
        f"{time}",
        "differ between the readings of one series",
        "Average the trials of a visit first (visit_values does)",
    )
    faults.raise_if_any()
    if not filled.any():
        raise DataError("the table of readings must hold at least one value. Add readings.")
    signs = _signs(values, better)
    order = np.flatnonzero(filled)
    order = order[np.lexsort((when[order], group[order]))]
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    names = values["phase"].astype(str).to_numpy()
    columns = {key: values[key].to_numpy() for key in keys}
    series = []
    for rows in np.split(order, starts[1:]):
        phase = names[rows]
        series.append(
            Series(
                {key: columns[key][rows[0]] for key in keys},
                when[rows],
                value[rows],
                tuple(phase),
                np.concatenate([[0], np.cumsum(phase[1:] != phase[:-1])]),
                int(signs[rows[0]]),
            )
        )
    series.sort(key=lambda one: tuple(str(one.key[key]) for key in keys))
    if need_baseline:
        _need_baselines(series)
    return series


def add_phases(
    values: pd.DataFrame, visits: pd.DataFrame, *, treatments: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Say for every reading whether it belongs to the baseline or to a later phase.

    The phase recorded with the visit is used where a client has one. Where a client has none,
    readings up to and including the first treated visit are baseline, because before-treatment
    readings of that visit precede any treatment; all later ones are treatment. The first treated
    visit is the first with a row in `treatments`; without such rows, the first visit.

    Parameters
    ----------
    values : DataFrame
        Rows per visit: client, episode, visit, and whatever else (see `visit_values`).
    visits : DataFrame
        The caseload's visits: client, episode, visit, phase.
    treatments : DataFrame, optional
        The caseload's treatments: client, episode, visit.

    Returns
    -------
    DataFrame
        `values` with the columns phase and phase_rule (``recorded`` or ``first treatment``).

    Raises
    ------
    DataError
        Columns missing, or a client has phases for some visits with readings and not others.

    Examples
    --------
    >>> values = pd.DataFrame({"client": "A", "episode": 1, "visit": [1, 2], "value": [5.0, 9.0]})
    >>> visits = values[["client", "episode", "visit"]].assign(phase=None)
    >>> add_phases(values, visits)["phase"].tolist()
    ['baseline', 'treatment']
    """
    keys = ["client", "episode", "visit"]
    check_columns(values, keys, thing="the table of readings")
    check_columns(visits, keys, thing="the table of visits")
    recorded = visits[keys].assign(
        phase=visits["phase"].astype("str") if "phase" in visits.columns else None
    )
    recorded["phase"] = recorded["phase"].where(recorded["phase"].notna(), None)
    recorded = recorded.drop_duplicates(keys)
    out = values.drop(columns=["phase", "phase_rule"], errors="ignore")
    out = out.merge(recorded, on=keys, how="left", validate="many_to_one")
    named = out["phase"].notna()
    has_any = named.groupby([out["client"], out["episode"]], dropna=False).transform("any")
    if bool(np.any(has_any & ~named)):
        torn = out.loc[has_any & ~named, "client"].nunique()
        raise DataError(
            f"phase must be recorded for all visits of a client or for none; {torn:,} of "
            f"{out['client'].nunique():,} clients {'has' if torn == 1 else 'have'} both. Fill the "
            f"empty phases in the table of visits."
        )
    start = _first_treated(out, treatments)
    derived = np.where(out["visit"].astype(float) <= start, BASELINE, "treatment")
    out["phase"] = out["phase"].where(has_any, pd.Series(derived, index=out.index))
    out["phase_rule"] = np.where(has_any, "recorded", "first treatment")
    out.index = values.index
    return out


def check_readings(name: str, readings: object, *, least: int = 1) -> np.ndarray:
    """Give the readings of one phase as an array, or refuse them."""
    try:
        array = np.asarray(readings, dtype=float)
    except (TypeError, ValueError):
        raise ArgumentError(
            f"{name} must be a row of numbers. Give the readings of that phase in order of time."
        ) from None
    if array.ndim != 1 or not np.all(np.isfinite(array)):
        raise ArgumentError(f"{name} must be a row of finite numbers. Leave missing readings out.")
    if array.size < least:
        raise DataError(
            f"{name} must have at least {least} reading{'s' if least > 1 else ''}, got "
            f"{array.size}. Use an index that needs fewer, or report the readings alone."
        )
    return array


def _time_column(values: pd.DataFrame, time: str | None) -> str:
    if time is not None:
        return check_choice("time", time, _TIMES)
    present = [name for name in _TIMES if name in values.columns]
    if not present:
        raise DataError(
            "the table of readings must have one of the columns week, day, visit. Add one."
        )
    return present[0]


def _signs(values: pd.DataFrame, better: str | Mapping[str, str]) -> np.ndarray:
    if isinstance(better, str):
        check_choice("better", better, ("higher", "lower"))
        return np.full(len(values), 1 if better == "higher" else -1)
    check_columns(values, ["measure"], thing="the table of readings")
    unknown = sorted(set(values["measure"].astype(str)) - set(better))
    if unknown:
        raise ArgumentError(
            f"better must name every measure; missing: {', '.join(unknown)}. Add them."
        )
    for direction in better.values():
        check_choice("better", direction, ("higher", "lower"))
    return np.array([1 if better[str(code)] == "higher" else -1 for code in values["measure"]])


def _need_baselines(series: list[Series]) -> None:
    """Refuse series in which nothing can be compared, naming how many."""
    without = [one for one in series if not one.pairs()]
    if without:
        raise DataError(
            f"every series must have a baseline phase followed by another phase; {len(without):,} "
            f"of {len(series):,} series do not. Leave them out, or use the start-and-end "
            f"functions (sign_test)."
        )


def _first_treated(out: pd.DataFrame, treatments: pd.DataFrame | None) -> np.ndarray:
    pair = ["client", "episode"]
    first_visit = out.groupby(pair, dropna=False)["visit"].transform("min").astype(float)
    if treatments is None or treatments.empty:
        return first_visit.to_numpy()
    treated = treatments.groupby(pair, dropna=False, as_index=False).agg(start=("visit", "min"))
    start = np.asarray(out[pair].merge(treated, on=pair, how="left")["start"], dtype=float)
    return np.where(np.isnan(start), first_visit.to_numpy(), start)
