"""Ranges of motion and tape measures: true courses, and what a hand with an instrument records.

reading = true level + rater's bias + session error + trial error + drift, then rounded.
The session error is one draw per visit, measure, side and mode (shared by before and after); the
trial error is new at every trial. So the recorded mean of k trials has the standard error of
measurement sqrt(session_sd^2 + trial_sd^2 / k).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from data_synthetic.people import AFFECTED, Episodes
from data_synthetic.scenario import day_number, words
from data_synthetic.schedule import Schedule

__all__ = ["Rows", "limit_gain", "make_ranges", "members_of", "start_values"]

SIDES = ["left", "right", "midline"]
MODES = ["active", "passive"]
LEFT, RIGHT, BOTH, MIDLINE = range(len(AFFECTED))


@dataclass
class Rows:
    """Pieces of long tables, kept as arrays until all are there."""

    pieces: dict[str, list[dict[str, Any]]] = field(default_factory=dict)

    def add(self, table: str, **columns: Any) -> None:
        """Keep one piece; `unit` gives its length, a number stands for a whole column."""
        self.pieces.setdefault(table, []).append(columns)

    def arrays(self, table: str) -> dict[str, np.ndarray]:
        """All pieces of one table, end to end."""
        pieces = self.pieces[table]
        length = [len(piece["unit"]) for piece in pieces]
        return {
            name: np.concatenate(
                [np.broadcast_to(piece[name], n) for piece, n in zip(pieces, length, strict=True)]
            )
            for name in pieces[0]
        }


def members_of(
    rng: np.random.Generator, scenario: dict[str, Any], episodes: Episodes, who: dict[str, float]
) -> np.ndarray:
    """Positions of the episodes that get a measure; a client keeps it in a later episode."""
    share = np.array([who.get(name, 0.0) for name in scenario["complaints"]["names"]])
    draw = rng.random(episodes.client.max() + 1)[episodes.client]
    return np.flatnonzero(draw < share[episodes.complaint])


def start_values(
    rng: np.random.Generator, measure: dict[str, Any], severity: np.ndarray
) -> np.ndarray:
    """Draw true starts; who is severe starts worse on every measure (correlation 0.6)."""
    mean, sd = measure["start"]
    worse = 0.6 * severity + 0.8 * rng.standard_normal(len(severity))
    sign = 1 if measure["better"] == "higher" else -1
    return mean - sign * sd * np.clip(worse, -2.5, 2.5)


def limit_gain(measure: dict[str, Any], start: np.ndarray, improvement: np.ndarray) -> np.ndarray:
    """Total change, signed in the measure's unit, that never passes the measure's limit."""
    sign = 1 if measure["better"] == "higher" else -1
    room = np.maximum(sign * (measure["limit"] - start), 0)
    return sign * np.minimum(improvement, room)


def make_ranges(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    schedule: Schedule,
    rows: Rows,
) -> None:
    """Add readings to rows["measurements"], true courses to "courses" and "levels"."""
    instruments = instrument_names(scenario)
    for number, measure in enumerate(scenario["ranges"].values()):
        unit = members_of(rng, scenario, episodes, measure["who"])
        start = start_values(rng, measure, episodes.severity[unit])
        scatter = 1 + scenario["response"]["sd_between_measures"] * rng.standard_normal(len(unit))
        improvement = measure["gain"] * (
            episodes.own_response[unit] * scatter + episodes.added_response[unit]
        )
        instrument = _instrument(rng, scenario, measure, episodes.site[unit], instruments)
        parts = _parts(rng, measure, episodes.affected[unit])
        for which, side, share, sound in parts:
            own_start = start[which]
            if sound:
                mean, sd = measure["other_side"]["start"]
                own_start = mean + sd * np.clip(rng.standard_normal(len(which)), -2.5, 2.5)
                own_start = np.minimum(own_start, measure["limit"])
            elif share < 1:  # the less affected side: nearer to its end, gains less
                sign = 1 if measure["better"] == "higher" else -1
                own_start = own_start + sign * (1 - share) * measure["gain"] * 0.8
            total = limit_gain(measure, own_start, improvement[which] * share)
            part = Part(
                measure=number,
                settings=measure,
                unit=unit[which],
                side=np.broadcast_to(side, which.shape),
                mode=0,
                affected=share == 1,
                start=own_start,
                total=total,
                instrument=instrument[which],
                seldom=sound,
            )
            _record(rng, scenario, episodes, schedule, rows, part, instruments)
            if "passive" in measure and not sound:
                chosen = np.flatnonzero(rng.random(len(which)) < measure["passive"]["share"])
                passive = part.passive(chosen, measure["passive"]["more"])
                _record(rng, scenario, episodes, schedule, rows, passive, instruments)


def instrument_names(scenario: dict[str, Any]) -> list[str]:
    """Every instrument of the clinic, goniometer and tape first, then an inclinometer a site."""
    inclinometers = scenario["instruments"]["inclinometer"]
    return ["goniometer", "tape", *(inclinometers[site] for site in scenario["sites"]["codes"])]


def _instrument(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    measure: dict[str, Any],
    site: np.ndarray,
    instruments: list[str],
) -> np.ndarray:
    """One instrument per episode and measure."""
    if measure.get("tape"):
        return np.full(len(site), instruments.index("tape"))
    return np.where(rng.random(len(site)) < measure["goniometer"], 0, 2 + site)


def _parts(
    rng: np.random.Generator, measure: dict[str, Any], affected: np.ndarray
) -> list[tuple[np.ndarray, Any, float, bool]]:
    """Split the members by side: positions, side, share of the gain, and whether it is sound."""
    everyone = np.arange(len(affected))
    if measure["sides"] == "none":
        return [(everyone, 2, 1.0, False)]
    if measure["sides"] == "one":
        return [(everyone, np.where(affected == LEFT, 0, 1), 1.0, False)]
    parts: list[tuple[np.ndarray, Any, float, bool]] = []
    for side, other in ((0, RIGHT), (1, LEFT)):
        parts.append((np.flatnonzero(affected != other), side, 1.0, False))
        rest = np.flatnonzero(affected == other)
        if measure["sides"] == "both":
            parts.append((rest, side, 0.5, False))
        elif "other_side" in measure:
            chosen = rest[rng.random(len(rest)) < measure["other_side"]["share"]]
            parts.append((chosen, side, 0.0, True))
    return parts


@dataclass
class Part:
    """Episodes that share a measure, a mode and a kind of side; arrays are per episode."""

    measure: int
    settings: dict[str, Any]
    unit: np.ndarray
    side: np.ndarray
    mode: int
    affected: bool
    start: np.ndarray
    total: np.ndarray
    instrument: np.ndarray
    seldom: bool

    def passive(self, chosen: np.ndarray, more: float) -> Part:
        """Passive range of some of them: further by a constant, same gain; read every other visit.

        A passive range that would pass the hard limit stays at it.
        """
        top = self.settings["hard"][1] - 2
        start = np.minimum(self.start[chosen] + more, top)
        return Part(
            measure=self.measure,
            settings=self.settings,
            unit=self.unit[chosen],
            side=self.side[chosen],
            mode=1,
            affected=self.affected,
            start=start,
            total=np.minimum(self.total[chosen], top - start),
            instrument=self.instrument[chosen],
            seldom=False,
        )


def _record(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    schedule: Schedule,
    rows: Rows,
    part: Part,
    instruments: list[str],
) -> None:
    unit = part.unit
    if not len(unit):
        return
    shape = (len(unit), schedule.day.shape[1])
    visit = np.arange(shape[1])
    progress, attended = schedule.progress[unit], schedule.attended[unit]
    before = part.start[:, None] + part.total[:, None] * progress
    step = 1 - np.exp(-1 / episodes.scale[unit])
    immediate = part.total[:, None] * (1 - progress) * (step / part.settings["kept"])[:, None]

    due = attended & (rng.random(shape) < 0.92)
    due[:, 0] = True
    if part.mode:
        due &= visit % 2 == 0
    if part.seldom:
        due &= visit % 4 == 0
    session = _session_errors(rng, scenario, shape)
    after_too = due & (rng.random(shape) < 0.7) & (part.mode == 0) & (not part.seldom)
    whole = rng.random(shape) >= scenario["raters"]["short_of_trials"]

    row, column = np.nonzero(due)
    rows.add(
        "levels",
        unit=unit[row],
        visit=column,
        measure=part.measure,
        side=part.side[row],
        mode=part.mode,
        true_before=before[row, column],
        true_after=(before + immediate)[row, column],
    )
    rows.add(
        "courses",
        unit=unit,
        measure=part.measure,
        side=part.side,
        mode=part.mode,
        affected=int(part.affected),
        instrument=part.instrument,
        settled_start=part.start,
        transient=0.0,
        total_change=part.total,
        first_immediate=immediate[:, 0],
        share_kept=part.settings["kept"],
    )
    for moment, due_now, level in ((0, due, before), (1, after_too, before + immediate)):
        row, column = np.nonzero(due_now)
        trials = np.where(whole[row, column], part.settings["trials"], 1)
        again = np.repeat(np.arange(len(row)), trials)
        row, column = row[again], column[again]
        trial = np.arange(len(again)) - np.repeat(np.cumsum(trials) - trials, trials)
        rater = schedule.rater[unit[row], column]
        day = schedule.day[unit[row], column]
        instrument = part.instrument[row]
        value = _read(
            rng,
            scenario,
            part.settings,
            level[row, column],
            session[row, column],
            rater,
            instrument,
            day,
            instruments,
        )
        rows.add(
            "measurements",
            unit=unit[row],
            visit=column,
            measure=part.measure,
            side=part.side[row],
            moment=moment,
            trial=trial + 1,
            value=value,
            rater=rater,
            instrument=instrument,
            mode=part.mode,
        )


def _session_errors(
    rng: np.random.Generator, scenario: dict[str, Any], shape: tuple[int, int]
) -> np.ndarray:
    """Draw standard normal errors with the stated serial correlation from visit to visit."""
    draw = rng.standard_normal(shape)
    tie = scenario["course"]["serial_correlation"]
    if tie:
        for visit in range(1, shape[1]):
            draw[:, visit] = tie * draw[:, visit - 1] + np.sqrt(1 - tie**2) * draw[:, visit]
    return draw


def _read(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    measure: dict[str, Any],
    level: np.ndarray,
    session: np.ndarray,
    rater: np.ndarray,
    instrument: np.ndarray,
    day: np.ndarray,
    instruments: list[str],
) -> np.ndarray:
    raters, drift = scenario["raters"], scenario["drift"]
    codes = scenario["practitioners"]["codes"]
    factor = np.array(
        [scenario["instruments"]["error_factor"][name.split()[0]] for name in instruments]
    )[instrument]
    value = level + factor * measure["session_sd"] * session
    value = value + (
        factor
        * measure["trial_sd"]
        * np.array(raters["trial_error_factor"])[rater]
        * rng.standard_normal(len(level))
    )
    step = np.full(len(level), 0.1)
    if measure["unit"] == "deg":
        value = value + np.array(raters["bias_deg"])[rater]
        drifts = instrument == instruments.index(drift["instrument"])
        late = np.maximum(day - day_number(drift["from"]), 0) / 30
        value = value + drifts * late * drift["deg_per_30_days"]
        rounds = np.array([code == raters["rounds_to_5_deg"] for code in codes])
        step = np.where(rounds[rater], 5.0, 1.0)
    value = np.round(np.rint(value / step) * step, 1)
    return np.clip(value, *measure["hard"])


def measurement_columns(
    scenario: dict[str, Any], arrays: dict[str, np.ndarray], measures: list[str], units: list[str]
) -> pd.DataFrame:
    """Words for the numbers of rows["measurements"] (client, episode and date are added later)."""
    return pd.DataFrame(
        {
            "measure": words(measures, arrays["measure"]),
            "side": words(SIDES, arrays["side"]),
            "moment": words(["before", "after"], arrays["moment"]),
            "trial": pd.array(arrays["trial"], dtype="Int64"),
            "value": arrays["value"],
            "unit": words(units, arrays["measure"]),
            "rater": words(scenario["practitioners"]["codes"], arrays["rater"]),
            "instrument": words([*instrument_names(scenario), "form"], arrays["instrument"]),
            "mode": words(MODES, arrays["mode"]),
        }
    )
