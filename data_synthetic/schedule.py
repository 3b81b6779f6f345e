"""When clients come, how far each course has run by then, and when it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from data_synthetic.people import Episodes
from data_synthetic.scenario import as_dates, day_number, words

__all__ = ["Schedule", "make_schedule", "visits_table"]

END_REASONS = ["discharged", "stopped coming", "moved away"]


@dataclass
class Schedule:
    """Arrays of episodes x visits (visit 1 is column 0), and the end of each episode.

    `progress` is 1 - exp(-clock / scale): the part of the total gain reached before the
    treatment of that visit. `recorded` marks visits that stand in the clinic's books, `treated`
    those attended that are no baseline visit.
    """

    day: np.ndarray
    recorded: np.ndarray
    attended: np.ndarray
    treated: np.ndarray
    progress: np.ndarray
    adherence: np.ndarray
    practitioner: np.ndarray
    rater: np.ndarray
    last: np.ndarray
    end_reason: np.ndarray

    @property
    def since_start(self) -> np.ndarray:
        """Days since the first visit."""
        return self.day - self.day[:, :1]

    def dates(self, unit: np.ndarray, visit: np.ndarray) -> np.ndarray:
        """Dates of visits, as tables store them."""
        return as_dates(self.day[unit, visit])


def make_schedule(
    rng: np.random.Generator, scenario: dict[str, Any], episodes: Episodes
) -> Schedule:
    """Draw visits, keep the treatment clock, and let clients leave as they are doing."""
    n, most = len(episodes), scenario["visits_most"]
    shape = (n, most)
    day = _days(rng, scenario, episodes.start_day, most)
    kept = rng.random(shape) >= scenario["visits"]["missed"]
    number = np.arange(most)
    baseline = episodes.baseline[:, None]
    kept |= number <= baseline

    exercise = scenario["exercise"]
    adherence = np.clip(
        episodes.adherence[:, None]
        + exercise["week_sd"] * rng.standard_normal(shape)
        - exercise["fading"] * (np.arange(most) - 3),
        0,
        1,
    )
    worth = (kept & (number >= baseline)) * (
        1 + exercise["clock_effect"] * (adherence - exercise["typical"])
    )
    clock = np.cumsum(worth, axis=1) - worth
    progress = 1 - np.exp(-clock / episodes.scale[:, None])

    doing = progress * episodes.response[:, None]
    last, reason = _ends(rng, scenario, doing, episodes.baseline)
    open_end = day[np.arange(n), last] > day_number(scenario["last_day"])
    recorded = (number <= last[:, None]) & (day <= day_number(scenario["last_day"]))
    last = recorded.sum(axis=1) - 1
    reason = np.where(open_end, -1, reason)
    kept[np.arange(n), last] = True
    missed_end = (
        (reason == 1) & (last + 1 < most) & (rng.random(n) < scenario["visits"]["missed_at_end"])
    )
    row = np.flatnonzero(missed_end)
    row = row[day[row, last[row] + 1] <= day_number(scenario["last_day"])]
    last[row] += 1
    recorded[row, last[row]] = True
    kept[row, last[row]] = False
    return Schedule(
        day=day,
        recorded=recorded,
        attended=recorded & kept,
        treated=recorded & kept & (number >= baseline),
        progress=progress,
        adherence=adherence,
        practitioner=_stand_in(
            rng, scenario, episodes, shape, scenario["practitioners"]["own_client"]
        ),
        rater=_stand_in(rng, scenario, episodes, shape, scenario["raters"]["same_rater"]),
        last=last,
        end_reason=reason,
    )


def _days(
    rng: np.random.Generator, scenario: dict[str, Any], start: np.ndarray, most: int
) -> np.ndarray:
    gap = scenario["visits"]["gap_days"]
    gaps = np.rint(rng.normal(gap["mean"], gap["sd"], (len(start), most - 1)))
    raw = np.column_stack([start, start[:, None] + np.cumsum(np.maximum(gaps, gap["least"]), 1)])
    raw = raw.astype(int)
    weekday = (raw + 3) % 7  # 1970-01-01 was a Thursday
    return raw + np.select([weekday == 5, weekday == 6], [2, 1], 0)


def _ends(
    rng: np.random.Generator, scenario: dict[str, Any], doing: np.ndarray, baseline: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Position of the last kept visit and why it was the last, ignoring the end of the books."""
    n, most = doing.shape
    visits, leave = scenario["visits"], scenario["drop_out"]
    planned = np.minimum(4 + rng.poisson(visits["planned_mean"] - 4, n) + baseline, most)
    stop = rng.random(doing.shape) < 1 / (1 + np.exp(-(leave["base"] + leave["doing"] * doing)))
    moved = rng.random(doing.shape) < leave["moved_away"]
    out = visits["discharge"]
    visit = np.arange(1, most + 1)
    done = (
        (doing >= out["from_response"])
        & (visit >= out["from_visit"])
        & (rng.random(doing.shape) < out["chance"])
    ) | (visit >= planned[:, None])
    cause = np.select([done, stop, moved], [0, 1, 2], -1)
    cause[visit <= baseline[:, None]] = -1
    last = np.argmax(cause >= 0, axis=1)
    return last, cause[np.arange(n), last]


def _stand_in(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    shape: tuple[int, int],
    own: float,
) -> np.ndarray:
    """Whose hands: the practitioner in charge, or a colleague of the same site."""
    site = scenario["practitioners"]["site"]
    colleague = np.array(
        [
            next((j for j in range(len(site)) if j != i and site[j] == site[i]), i)
            for i in range(len(site))
        ]
    )
    charge = np.broadcast_to(episodes.practitioner[:, None], shape)
    return np.where(rng.random(shape) < own, charge, colleague[charge])


def visits_table(
    scenario: dict[str, Any], episodes: Episodes, schedule: Schedule, codes: Any
) -> pd.DataFrame:
    """Table `visits`; a booking that was not kept has its own number and `attended` false.

    `phase` is filled for the episodes that have a baseline.
    """
    unit, visit = np.nonzero(schedule.recorded)
    at_end = visit == schedule.last[unit]
    waits = episodes.baseline[unit]
    return pd.DataFrame(
        {
            "client": codes.take(episodes.client[unit]),
            "episode": pd.array(episodes.episode[unit], dtype="Int64"),
            "visit": pd.array(visit + 1, dtype="Int64"),
            "date": schedule.dates(unit, visit),
            "practitioner": words(
                scenario["practitioners"]["codes"], schedule.practitioner[unit, visit]
            ),
            "attended": pd.array(schedule.attended[unit, visit], dtype="boolean"),
            "end_reason": words(END_REASONS, np.where(at_end, schedule.end_reason[unit], -1)),
            "phase": words(
                ["baseline", "treatment"], np.where(waits > 0, (visit >= waits).astype(int), -1)
            ),
        }
    )
