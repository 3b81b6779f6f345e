"""Questionnaires, ratings, and the client's own verdict on the change.

score = true level + error, put on the scale's own steps. A transient makes the first visits look
worse than the settled start and fades whatever is done: that is the regression to the mean which
the calendar alone gives. Item answers are spread so that a complete form scores exactly the
recorded total.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_synthetic.people import Episodes
from data_synthetic.readings import Rows, limit_gain, members_of, start_values
from data_synthetic.schedule import Schedule

__all__ = ["make_scales"]

MIDLINE_SIDE = 2


def make_scales(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    schedule: Schedule,
    rows: Rows,
) -> None:
    """Add typed scores, item answers, true courses and levels, and global ratings to `rows`."""
    first_number = len(scenario["ranges"])
    form = len(scenario["sites"]["codes"]) + 2
    due_forms = _due(rng, scenario, schedule)
    anchor_gain: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    for offset, (name, scale) in enumerate(scenario["scales"].items()):
        unit = members_of(rng, scenario, episodes, scale["who"])
        sign = 1 if scale["better"] == "higher" else -1
        start = start_values(rng, scale, episodes.severity[unit])
        scatter = 1 + scenario["response"]["sd_between_measures"] * rng.standard_normal(len(unit))
        improvement = scale["gain"] * (
            episodes.own_response[unit] * scatter + episodes.added_response[unit]
        )
        total = limit_gain(scale, start, improvement)
        transient = _transient(rng, scale, start, sign, len(unit))
        fade = np.exp(-schedule.since_start[unit] / scenario["transient"]["fades_in_days"])
        level = (
            start[:, None]
            + total[:, None] * schedule.progress[unit]
            + transient[:, None] * fade
        )  # fmt: skip
        level = np.clip(level, *scale["range"])
        attended = schedule.attended[unit]
        due = attended & (due_forms[unit] if scale["every"] > 1 else rng.random(level.shape) < 0.95)
        due[:, 0] = True
        row, visit = np.nonzero(due)
        true = level[row, visit]
        score = _on_steps(scale, true + scale["error_sd"] * rng.standard_normal(len(row)))

        number = first_number + offset
        rows.add(
            "levels",
            unit=unit[row],
            visit=visit,
            measure=number,
            side=MIDLINE_SIDE,
            mode=-1,
            true_before=true,
            true_after=np.nan,
        )
        rows.add(
            "courses",
            unit=unit,
            measure=number,
            side=MIDLINE_SIDE,
            mode=-1,
            affected=1,
            instrument=form,
            settled_start=start,
            transient=level[:, 0] - start,
            total_change=total,
            first_immediate=np.nan,
            share_kept=np.nan,
        )
        anchor_gain[name] = (unit, sign * (level - level[:, :1]))
        typed = np.ones(len(row), dtype=bool)
        if "items" in scale:
            by_item = rng.random(len(episodes)) < scale["items"]["share"]
            typed = ~by_item[unit[row]]
            _answer(rng, scale, rows, number, unit[row][~typed], visit[~typed], score[~typed])
        _type_in(rows, number, form, unit[row][typed], visit[typed], score[typed])
    _rate_change(rng, scenario, episodes, due_forms & schedule.attended, anchor_gain, rows, form)


def _due(rng: np.random.Generator, scenario: dict[str, Any], schedule: Schedule) -> np.ndarray:
    """Visits with forms: the first, every fourth after it, and the last; some do not come back."""
    visit = np.arange(schedule.day.shape[1])
    due = (visit % 4 == 0) | (visit == schedule.last[:, None])
    due = due & (rng.random(due.shape) < scenario["follow_up_forms"]["answered"])
    due[:, 0] = True
    return due


def _transient(
    rng: np.random.Generator, scale: dict[str, Any], start: np.ndarray, sign: int, n: int
) -> np.ndarray:
    """Extra badness at the start: half-normal with the stated mean, never off the scale."""
    bad = np.abs(rng.standard_normal(n)) * scale["transient"] * np.sqrt(np.pi / 2)
    low, high = scale["range"]
    room = (start - low) if sign > 0 else (high - start)
    return -sign * np.minimum(bad, room)


def _on_steps(scale: dict[str, Any], value: np.ndarray) -> np.ndarray:
    """Round to the scale's step, or to the totals that its items can give."""
    value = np.clip(value, *scale["range"])
    if "items" in scale:
        span = scale["items"]["count"] * (scale["items"]["high"] - scale["items"]["low"])
        return np.rint(value / 100 * span) * 100 / span
    return np.round(np.rint(value / scale["step"]) * scale["step"], 1)


def _type_in(
    rows: Rows, number: int, form: int, unit: np.ndarray, visit: np.ndarray, score: np.ndarray
) -> None:
    if len(unit):
        rows.add(
            "measurements",
            unit=unit,
            visit=visit,
            measure=number,
            side=MIDLINE_SIDE,
            moment=0,
            trial=1,
            value=np.round(score, 1),
            rater=-1,
            instrument=form,
            mode=-1,
        )


def _answer(
    rng: np.random.Generator,
    scale: dict[str, Any],
    rows: Rows,
    number: int,
    unit: np.ndarray,
    visit: np.ndarray,
    score: np.ndarray,
) -> None:
    """Spread a total over items of differing difficulty, then leave a few blank."""
    items = scale["items"]
    count, span = items["count"], items["high"] - items["low"]
    target = np.rint(score / 100 * count * span).astype(int)
    hardness = np.linspace(-0.12, 0.12, count)[rng.permutation(count)]
    wish = target[:, None] / (count * span) + hardness + rng.normal(0, 0.12, (len(unit), count))
    points = np.clip(np.rint(wish * span), 0, span).astype(int)
    gap = target - points.sum(axis=1)
    while gap.any():
        open_item = np.where(gap[:, None] > 0, points < span, points > 0) & (gap[:, None] != 0)
        pick = np.argmax(open_item * rng.random(points.shape), axis=1)
        points[np.arange(len(unit)), pick] += np.sign(gap)
        gap = target - points.sum(axis=1)
    answer = (points + items["low"]).astype(float)
    blank = rng.random(points.shape) < items["blank"]
    blank[:, items["often_blank"] - 1] |= rng.random(len(unit)) < items["often"]
    answer[blank] = np.nan
    rows.add(
        "answers",
        unit=np.repeat(unit, count),
        visit=np.repeat(visit, count),
        questionnaire=number,
        item=np.tile(np.arange(1, count + 1), len(unit)),
        answer=answer.ravel(),
    )


def _rate_change(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    episodes: Episodes,
    due: np.ndarray,
    anchor_gain: dict[str, tuple[np.ndarray, np.ndarray]],
    rows: Rows,
    form: int,
) -> None:
    """Global rating of change at follow-up, from the true change of the complaint's own scale."""
    rating = scenario["global_rating"]
    number = len(scenario["ranges"]) + len(scenario["scales"])
    for complaint, anchor in rating["anchor"].items():
        unit, gain = anchor_gain[anchor]
        mine = episodes.complaint[unit] == scenario["complaints"]["names"].index(complaint)
        unit, gain = unit[mine], gain[mine]
        asked = due[unit] & (rng.random(gain.shape) < rating["answered"])
        asked[:, 0] = False
        row, visit = np.nonzero(asked)
        state = (
            gain[row, visit] / scenario["scales"][anchor]["start"][1] - episodes.severity[unit[row]]
        )
        latent = (
            3 * gain[row, visit] / rating["important"][anchor]
            + rating["present"] * (state - 1)
            + rating["noise_sd"] * rng.standard_normal(len(row))
        )
        value = np.clip(np.trunc(latent), -7, 7)
        _type_in(rows, number, form, unit[row], visit, value)
