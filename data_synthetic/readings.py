"""Ranges of motion and tape measures: true courses, and what a hand with an instrument records.

reading = true level + rater's bias + session error + trial error + drift, then rounded.
The session error is one draw per visit, measure, side and mode (shared by before and after); the
trial error is new at every trial. So the recorded mean of k trials has the standard error of
measurement sqrt(session_sd^2 + trial_sd^2 / k).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from data_synthetic.people import AFFECTED
from data_synthetic.scenario import day_number, words
from data_synthetic.world import World, limit_gain, sign_of

__all__ = ["MODES", "SIDES", "make_ranges", "measurement_columns"]

SIDES = ["left", "right", "midline"]
MODES = ["active", "passive"]
LEFT, RIGHT, BOTH, MIDLINE = range(len(AFFECTED))

#: Of visits, those at which a range is read; of these, those at which it is read after treatment.
_READ_BEFORE, _READ_AFTER = 0.92, 0.7
#: A side that is less affected starts nearer to its end by this part of the gain it lacks.
_NEARER = 0.8


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
    every: int = 1
    after: bool = True

    def passive(self, chosen: np.ndarray) -> Part:
        """Passive range of some of them: further by a constant, same gain; read every other visit.

        A passive range that would pass the hard limit stays at it.
        """
        top = self.settings["hard"][1] - 2
        start = np.minimum(self.start[chosen] + self.settings["passive"]["more"], top)
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
            every=2,
            after=False,
        )


def make_ranges(world: World) -> None:
    """Add readings to the rows of "measurements", and true "courses" and "levels"."""
    rng, episodes = world.rng, world.episodes
    for number, measure in enumerate(world.scenario["ranges"].values()):
        unit = world.members(measure["who"])
        start = world.true_starts(measure, unit)
        improvement = world.improvements(measure, unit)
        instrument = _instruments(world, measure, episodes.site[unit])
        for which, side, share in _split_by_side(rng, measure, episodes.affected[unit]):
            own_start = _start_of_side(rng, measure, start[which], share)
            part = Part(
                measure=number,
                settings=measure,
                unit=unit[which],
                side=np.broadcast_to(side, which.shape),
                mode=0,
                affected=share == 1,
                start=own_start,
                total=limit_gain(measure, own_start, improvement[which] * share),
                instrument=instrument[which],
                every=1 if share else 4,
                after=share > 0,
            )
            _record(world, part)
            if "passive" in measure and share:
                chosen = rng.random(len(which)) < measure["passive"]["share"]
                _record(world, part.passive(np.flatnonzero(chosen)))


def _instruments(world: World, measure: dict[str, Any], site: np.ndarray) -> np.ndarray:
    """One instrument per episode and measure."""
    if measure.get("tape"):
        return np.full(len(site), world.instruments.index("tape"))
    return np.where(world.rng.random(len(site)) < measure["goniometer"], 0, 2 + site)


def _split_by_side(
    rng: np.random.Generator, measure: dict[str, Any], affected: np.ndarray
) -> list[tuple[np.ndarray, Any, float]]:
    """Split the members: positions, side, and share of the gain (0: the sound side)."""
    everyone = np.arange(len(affected))
    if measure["sides"] == "none":
        return [(everyone, SIDES.index("midline"), 1.0)]
    if measure["sides"] == "one":
        return [(everyone, np.where(affected == LEFT, 0, 1), 1.0)]
    parts: list[tuple[np.ndarray, Any, float]] = []
    for side, other in ((0, RIGHT), (1, LEFT)):
        parts.append((np.flatnonzero(affected != other), side, 1.0))
        rest = np.flatnonzero(affected == other)
        if measure["sides"] == "both":
            parts.append((rest, side, 0.5))
        elif "other_side" in measure:
            chosen = rng.random(len(rest)) < measure["other_side"]["share"]
            parts.append((rest[chosen], side, 0.0))
    return parts


def _start_of_side(
    rng: np.random.Generator, measure: dict[str, Any], start: np.ndarray, share: float
) -> np.ndarray:
    """Draw the true start of a side that gains `share` of the full gain."""
    if share == 0:
        mean, sd = measure["other_side"]["start"]
        own = mean + sd * np.clip(rng.standard_normal(len(start)), -2.5, 2.5)
        return np.minimum(own, measure["limit"])
    return start + sign_of(measure) * (1 - share) * measure["gain"] * _NEARER


def _record(world: World, part: Part) -> None:
    """Add true levels, the course, and the readings before and after treatment."""
    rng, schedule, unit = world.rng, world.schedule, part.unit
    if not len(unit):
        return
    shape = (len(unit), schedule.day.shape[1])
    progress = schedule.progress[unit]
    before = part.start[:, None] + part.total[:, None] * progress
    step = 1 - np.exp(-1 / world.episodes.scale[unit])
    room = part.total[:, None] * (1 - progress)
    after = before + room * (step / part.settings["kept"])[:, None]

    due = schedule.attended[unit] & (rng.random(shape) < _READ_BEFORE)
    due[:, 0] = True
    due &= np.arange(shape[1]) % part.every == 0
    session = _session_errors(world, shape)
    treated = schedule.treated[unit]
    due_after = due & treated & (rng.random(shape) < _READ_AFTER) & part.after
    whole = rng.random(shape) >= world.scenario["raters"]["short_of_trials"]
    trials = np.where(whole, part.settings["trials"], 1)

    row, visit = np.nonzero(due)
    world.rows.add(
        "levels",
        unit=unit[row],
        visit=visit,
        measure=part.measure,
        side=part.side[row],
        mode=part.mode,
        true_before=before[row, visit],
        true_after=np.where(treated, after, np.nan)[row, visit],
    )
    world.rows.add(
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
        first_immediate=(after - before)[:, 0],
        share_kept=part.settings["kept"],
    )
    for moment, wanted, level in ((0, due, before), (1, due_after, after)):
        row, visit = np.nonzero(wanted)
        number = trials[row, visit]
        trial = np.concatenate([np.arange(n) for n in number]) if len(number) else number
        row, visit = np.repeat(row, number), np.repeat(visit, number)
        error = part.settings["session_sd"] * session[row, visit]
        rater, instrument = schedule.rater[unit[row], visit], part.instrument[row]
        day = schedule.day[unit[row], visit]
        world.rows.add(
            "measurements",
            unit=unit[row],
            visit=visit,
            measure=part.measure,
            side=part.side[row],
            moment=moment,
            trial=trial + 1,
            value=_read(world, part.settings, level[row, visit], error, rater, instrument, day),
            rater=rater,
            instrument=instrument,
            mode=part.mode,
        )


def _session_errors(world: World, shape: tuple[int, int]) -> np.ndarray:
    """Draw standard normal errors with the stated serial correlation from visit to visit."""
    draw = world.rng.standard_normal(shape)
    tie = world.scenario["course"]["serial_correlation"]
    if tie:
        for visit in range(1, shape[1]):
            draw[:, visit] = tie * draw[:, visit - 1] + np.sqrt(1 - tie**2) * draw[:, visit]
    return draw


def _read(
    world: World,
    measure: dict[str, Any],
    level: np.ndarray,
    session_error: np.ndarray,
    rater: np.ndarray,
    instrument: np.ndarray,
    day: np.ndarray,
) -> np.ndarray:
    """Give what is written down: all errors added, rounded as the rater rounds."""
    scenario, raters = world.scenario, world.scenario["raters"]
    factors = scenario["instruments"]["error_factor"]
    factor = np.array([factors.get(name.split()[0], 1.0) for name in world.instruments])[instrument]
    trial_sd = measure["trial_sd"] * np.array(raters["trial_error_factor"])[rater]
    trial_error = trial_sd * world.rng.standard_normal(len(level))
    value = level + factor * (session_error + trial_error)
    step = np.full(len(level), 0.1)
    if measure["unit"] == "deg":
        drift = scenario["drift"]
        drifts = instrument == world.instruments.index(drift["instrument"])
        late = np.maximum(day - day_number(drift["from"]), 0) / 30
        value = value + np.array(raters["bias_deg"])[rater]
        value = value + drifts * late * drift["deg_per_30_days"]
        codes = scenario["practitioners"]["codes"]
        rounds = np.array([code == raters["rounds_to_5_deg"] for code in codes])
        step = np.where(rounds[rater], 5.0, 1.0)
    return np.clip(np.round(np.rint(value / step) * step, 1), *measure["hard"])


def measurement_columns(world: World, arrays: dict[str, np.ndarray]) -> pd.DataFrame:
    """Words for the numbers of the rows of "measurements" (without client, visit and date)."""
    return pd.DataFrame(
        {
            "measure": words(world.measures, arrays["measure"]),
            "side": words(SIDES, arrays["side"]),
            "moment": words(["before", "after"], arrays["moment"]),
            "trial": pd.array(arrays["trial"], dtype="Int64"),
            "value": arrays["value"],
            "unit": words(world.units, arrays["measure"]),
            "rater": words(world.scenario["practitioners"]["codes"], arrays["rater"]),
            "instrument": words(world.instruments, arrays["instrument"]),
            "mode": words(MODES, arrays["mode"]),
        }
    )
