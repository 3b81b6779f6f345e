"""Questionnaires, ratings, and the client's own verdict on the change.

score = true level + error, put on the scale's own steps. A transient makes the first visits look
worse than the settled start and fades whatever is done: that is the regression to the mean which
the calendar alone gives. Item answers are spread so that a complete form scores exactly the
recorded total.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_synthetic.readings import SIDES
from data_synthetic.world import World, limit_gain, sign_of

__all__ = ["make_scales"]

#: Forms are due at the first visit, every fourth after it, and the last; a rating at each visit.
_FORM_EVERY, _RATED = 4, 0.95


def make_scales(world: World) -> None:
    """Add typed scores, item answers, true courses and levels, and global ratings."""
    rng, schedule = world.rng, world.schedule
    forms_due = _forms_due(world)
    gains: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    for number, (name, scale) in enumerate(
        world.scenario["scales"].items(), start=len(world.scenario["ranges"])
    ):
        unit = world.members(scale["who"])
        start = world.true_starts(scale, unit)
        total = limit_gain(scale, start, world.improvements(scale, unit))
        level = _levels(world, scale, unit, start, total)
        gains[name] = unit, sign_of(scale) * (level - level[:, :1])
        asked = forms_due[unit] if scale["forms"] else rng.random(level.shape) < _RATED
        due = schedule.attended[unit] & asked
        due[:, 0] = True
        row, visit = np.nonzero(due)
        true = level[row, visit]
        score = _on_steps(scale, true + scale["error_sd"] * rng.standard_normal(len(row)))
        _add_truth(world, number, unit, level, start, total, row, visit)
        typed = np.ones(len(row), dtype=bool)
        if "items" in scale:
            by_item = rng.random(len(world.episodes)) < scale["items"]["share"]
            typed = ~by_item[unit[row]]
            _answer(world, scale, number, unit[row][~typed], visit[~typed], score[~typed])
        _type_in(world, number, unit[row][typed], visit[typed], score[typed])
    _rate_change(world, forms_due & schedule.attended, gains)


def _forms_due(world: World) -> np.ndarray:
    """Visits with forms that come back."""
    schedule = world.schedule
    visit = np.arange(schedule.day.shape[1])
    due = (visit % _FORM_EVERY == 0) | (visit == schedule.last[:, None])
    due = due & (world.rng.random(due.shape) < world.scenario["follow_up_forms"]["answered"])
    due[:, 0] = True
    return due


def _levels(
    world: World, scale: dict[str, Any], unit: np.ndarray, start: np.ndarray, total: np.ndarray
) -> np.ndarray:
    """Give the true levels: the planted course and a half-normal transient that fades."""
    bad = np.abs(world.rng.standard_normal(len(unit))) * scale["transient"] * np.sqrt(np.pi / 2)
    low, high = scale["range"]
    sign = sign_of(scale)
    room = (start - low) if sign > 0 else (high - start)
    transient = -sign * np.minimum(bad, room)
    days = world.schedule.since_start[unit]
    fade = np.exp(-days / world.scenario["transient"]["fades_in_days"])
    course = start[:, None] + total[:, None] * world.schedule.progress[unit]
    return np.clip(course + transient[:, None] * fade, low, high)


def _add_truth(
    world: World,
    number: int,
    unit: np.ndarray,
    level: np.ndarray,
    start: np.ndarray,
    total: np.ndarray,
    row: np.ndarray,
    visit: np.ndarray,
) -> None:
    what = {"measure": number, "side": SIDES.index("midline"), "mode": -1}
    true = level[row, visit]
    world.rows.add(
        "levels", unit=unit[row], visit=visit, **what, true_before=true, true_after=np.nan
    )
    world.rows.add(
        "courses",
        unit=unit,
        **what,
        affected=1,
        instrument=world.instruments.index("form"),
        settled_start=start,
        transient=level[:, 0] - start,
        total_change=total,
        first_immediate=np.nan,
        share_kept=np.nan,
    )


def _on_steps(scale: dict[str, Any], value: np.ndarray) -> np.ndarray:
    """Round to the scale's step, or to the totals that its items can give."""
    value = np.clip(value, *scale["range"])
    if "items" in scale:
        span = scale["items"]["count"] * (scale["items"]["high"] - scale["items"]["low"])
        return np.rint(value / 100 * span) * 100 / span
    return np.round(np.rint(value / scale["step"]) * scale["step"], 1)


def _type_in(
    world: World, number: int, unit: np.ndarray, visit: np.ndarray, score: np.ndarray
) -> None:
    """Add scores that the clinic typed in as totals."""
    world.rows.add(
        "measurements",
        unit=unit,
        visit=visit,
        measure=number,
        side=SIDES.index("midline"),
        moment=0,
        trial=1,
        value=np.round(score, 1),
        rater=-1,
        instrument=world.instruments.index("form"),
        mode=-1,
    )


def _answer(
    world: World,
    scale: dict[str, Any],
    number: int,
    unit: np.ndarray,
    visit: np.ndarray,
    score: np.ndarray,
) -> None:
    """Spread a total over items of differing difficulty, then leave a few blank."""
    rng, items = world.rng, scale["items"]
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
    world.rows.add(
        "answers",
        unit=np.repeat(unit, count),
        visit=np.repeat(visit, count),
        questionnaire=number,
        item=np.tile(np.arange(1, count + 1), len(unit)),
        answer=answer.ravel(),
    )


def _rate_change(
    world: World, due: np.ndarray, gains: dict[str, tuple[np.ndarray, np.ndarray]]
) -> None:
    """Global rating of change at follow-up, from the true change of the complaint's own scale."""
    rng, scenario, episodes = world.rng, world.scenario, world.episodes
    rating = scenario["global_rating"]
    for complaint, anchor in rating["anchor"].items():
        unit, gain = gains[anchor]
        mine = episodes.complaint[unit] == scenario["complaints"]["names"].index(complaint)
        unit, gain = unit[mine], gain[mine]
        asked = due[unit] & (rng.random(gain.shape) < rating["answered"])
        asked[:, 0] = False
        row, visit = np.nonzero(asked)
        gained = gain[row, visit]
        state = gained / scenario["scales"][anchor]["start"][1] - episodes.severity[unit[row]]
        latent = (
            3 * gained / rating["important"][anchor]
            + rating["present"] * (state - 1)
            + rating["noise_sd"] * rng.standard_normal(len(row))
        )
        number = world.measures.index("groc")
        _type_in(world, number, unit[row], visit, np.clip(np.trunc(latent), -7, 7))
