"""What surrounds the measurements: procedures, exercise diaries, unwanted events."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from data_synthetic.people import Episodes
from data_synthetic.scenario import as_dates, day_number, words
from data_synthetic.schedule import Schedule

__all__ = ["events_table", "home_exercise_table", "treatments_table"]

TECHNIQUES = ["joint mobilisation", "soft tissue work", "muscle stretching", "graded exercise"]
DOSES = ["minutes", "minutes", "minutes", "sets"]
REGIONS = ["neck", "upper back", "shoulder"]
EXERCISES = ["neck turning", "upper back over a roll", "arm slides on the wall", "breathing drill"]


def treatments_table(
    rng: np.random.Generator, episodes: Episodes, schedule: Schedule, codes: Any
) -> pd.DataFrame:
    """Two or three procedures at every visit with treatment."""
    unit, visit = np.nonzero(schedule.treated)
    wanted = rng.random((len(unit), len(TECHNIQUES))).argsort(axis=1) < rng.choice(
        [2, 3], (len(unit), 1), p=[0.6, 0.4]
    )
    row, technique = np.nonzero(wanted)
    region = episodes.complaint[unit[row]]
    region = np.where(rng.random(len(row)) < 0.2, rng.integers(0, 3, len(row)), region)
    dose = np.where(technique == 3, rng.integers(2, 5, len(row)), 5 * rng.integers(1, 5, len(row)))
    return pd.DataFrame(
        {
            "client": codes.take(episodes.client[unit[row]]),
            "episode": pd.array(episodes.episode[unit[row]], dtype="Int64"),
            "visit": pd.array(visit[row] + 1, dtype="Int64"),
            "technique": words(TECHNIQUES, technique),
            "region": words(REGIONS, region),
            "dose": dose.astype(float),
            "dose_unit": words(DOSES, technique),
        }
    )


def home_exercise_table(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    schedule: Schedule,
    codes: Any,
) -> pd.DataFrame:
    """Write a line a day from the first treatment to the day before the last visit."""
    exercise = scenario["exercise"]
    keeps = np.flatnonzero(rng.random(len(episodes)) < exercise["diary"])
    most = schedule.day.shape[1]
    gap = np.diff(schedule.day, axis=1)[keeps]
    number = np.arange(most - 1)
    inside = (number < schedule.last[keeps][:, None]) & (
        number >= episodes.baseline[keeps][:, None]
    )
    row, visit = np.nonzero(inside)
    days = gap[row, visit]
    again = np.repeat(np.arange(len(row)), days)
    offset = np.arange(len(again)) - np.repeat(np.cumsum(days) - days, days)
    unit, visit = keeps[row[again]], visit[again]
    day = schedule.day[unit, visit] + offset
    shown = (day <= day_number(scenario["last_day"])) & (rng.random(len(day)) < 0.96)
    unit, visit, day = unit[shown], visit[shown], day[shown]
    name = np.where(rng.random(len(episodes)) < 0.8, episodes.complaint, 3)
    done = rng.binomial(exercise["prescribed"], schedule.adherence[unit, visit])
    return pd.DataFrame(
        {
            "client": codes.take(episodes.client[unit]),
            "date": as_dates(day),
            "exercise": words(EXERCISES, name[unit]),
            "prescribed": np.full(len(unit), float(exercise["prescribed"])),
            "done": done.astype(float),
        }
    )


def events_table(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    schedule: Schedule,
    codes: Any,
) -> pd.DataFrame:
    """Unwanted events, at most one a visit, on the day of the visit or the two days after."""
    events = scenario["events"]
    unit, visit = np.nonzero(
        schedule.attended & (rng.random(schedule.day.shape) < events["per_visit"])
    )
    day = schedule.day[unit, visit] + rng.integers(0, 3, len(unit))
    severity = rng.choice(3, len(unit), p=events["severity_share"])
    return pd.DataFrame(
        {
            "client": codes.take(episodes.client[unit]),
            "date": as_dates(day),
            "event": words(events["names"], rng.choice(5, len(unit), p=events["share"])),
            "severity": words(events["severities"], severity),
            "action": words(events["actions"], severity),
        }
    )
