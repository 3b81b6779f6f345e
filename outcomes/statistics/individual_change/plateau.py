"""Enough, or more to come: what each client's course still holds, for a caseload meeting.

Notation: a client's course is ``c0 + c1 h(t)`` (see `client_courses`), turned so that higher is
better; ``a`` gain so far per unit of c1, h(now) - h(first); ``b`` further gain per unit of c1 over
the visits ahead; ``x`` what the course may add to its form over them (`_form_error`). Given x every
question is about c1 alone: "still gaining" is c1 >= (worthwhile - x) / b, "past the line" is
c1 >= line / a; x is integrated out, so the chances of all answers add up to one.

The advice: going on for the visits ahead costs 1 if in vain, stopping costs ``C`` if a worthwhile
gain is missed. With p the chance of a worthwhile further gain, stopping costs p C, going on 1 - p:
stopping is right where p < 1 / (1 + C). Naming a client "still gaining" needs more than that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from outcomes.errors import (
    ArgumentError,
    check_between,
    check_count,
    check_positive,
)
from outcomes.statistics.individual_change._mixture import Mixture
from outcomes.statistics.individual_change._rows import per_row
from outcomes.statistics.individual_change.client_courses import ClientCourses

__all__ = ["PLATEAU_STATES", "meeting_table"]

#: Where a client stands, in the order of the meeting table: a decline first.
PLATEAU_STATES = (
    "getting worse",
    "still gaining",
    "levelled off short of the line",
    "levelled off past the line",
    "levelled off",
    "too little data to say",
)

_MOST_VISITS = 24  # how far ahead the visits to a line are looked for


def meeting_table(
    courses: ClientCourses,
    *,
    better: str = "higher",
    minimal_important_change: Any = None,
    goal: Any = None,
    visits_ahead: int = 3,
    worthwhile: float | None = None,
    gap: float | None = None,
    confidence: float = 0.95,
    certain: float = 0.6,
    missed_gain_costs: float = 9.0,
) -> pd.DataFrame:
    """Say of each client whether more is to come, and how long it may take to reach the line.

    Use to prepare a caseload meeting: whom to progress, refer, or discharge. It is a forecast from
    clients like these under care like this, no reason to stop care by itself.

    Parameters
    ----------
    courses : ClientCourses
        From `fit_client_courses`.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    minimal_important_change : float, one per series, or None
        The line: this improvement over the first visit, > 0.
    goal : float, one per series, or None
        A level in the measure's unit that is the line instead, where given.
    visits_ahead : int
        Further visits looked at, at least 1.
    worthwhile : float or None
        Further gain over those visits that is worth going on for, > 0, in the measure's unit. None:
        a third of the importance line, or half the scatter of a reading where there is none.
    gap : float or None
        Time between the visits ahead; None takes the caseload's usual gap.
    confidence : float
        Level of the interval, in (0, 1).
    certain : float
        Chance that ``"still gaining"`` and ``"getting worse"`` need, in (0.5, 1).
    missed_gain_costs : float
        How many needless rounds of the visits ahead weigh as much as one worthwhile gain missed,
        >= 1. ``"Levelled off"`` needs a chance of a worthwhile further gain below
        1 / (1 + missed_gain_costs): one in ten for 9, a judgement without a source. Between that
        and `certain` it is ``"too little data to say"``: measure again.

    Returns
    -------
    DataFrame
        One row per client, sorted by state and expected gain: keys, `n_visits`, `state` (one of
        `PLATEAU_STATES`), `chance_of_state`, `gain_so_far`, `further_gain` with `ci_low`,
        `ci_high`, `ci_level`, `worthwhile`, `chance_worthwhile`, `chance_at_line` (after the visits
        ahead), `visits_to_line_50`, `visits_to_line_80` (0: there now; empty: not within 24),
        `latest_against_course` (latest reading minus course, in scatter SDs, positive is better).

    Raises
    ------
    ArgumentError
        If an argument is outside its range.

    Notes
    -----
    Further gain: c1 (h(now + visits) - h(now)) + x under the posterior of c1; x, what courses add
    to their form, is learnt from the caseload (`_form_error`). "Getting worse": decline so far or
    ahead of at least the worthwhile size. Levelled off needs `certain` too, and so does the side
    of the line, else it is plain "levelled off".

    In simulations (tests/evidence, change_verdicts) 11 to 18 % of those with more to come were told
    that they had levelled off, against 68 to 93 % by the rule; of those told so 1 to 4 % had more
    to come. Chances of .6 and above came true in 24 to 44 % only: "still gaining" is a reason to
    measure, no promise. A step, second phase or relapse still to come leaves no trace: where care
    brings those, 30 to 40 % of the few told that they levelled off would have gained.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, week = np.repeat(np.arange(40), 7), np.tile(np.arange(7.0), 40)
    >>> gain = rng.normal(12, 5, 40)[client] * (1 - np.exp(-week / 2))
    >>> values = pd.DataFrame({"client": client, "visit": week + 1, "week": week,
    ...                        "value": 50 + gain + rng.normal(0, 2, 280)})
    >>> from outcomes.statistics.individual_change import fit_client_courses
    >>> table = meeting_table(fit_client_courses(values), minimal_important_change=6)
    >>> table["state"].value_counts().idxmax()
    'levelled off past the line'

    Checked against: planted courses, and the rule "no detectable change over three visits", in
    tests/evidence.
    """
    if better not in ("higher", "lower"):
        raise ArgumentError(f"better must be 'higher' or 'lower', got {better!r}.")
    visits_ahead = check_count("visits_ahead", visits_ahead)
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_between("certain", certain, 0.5, 1, remedy="Give 0.6")
    if not 1 <= missed_gain_costs < np.inf:
        raise ArgumentError(f"missed_gain_costs must be at least 1, got {missed_gain_costs!r}.")
    sign = 1.0 if better == "higher" else -1.0
    gap = courses.usual_gap if gap is None else check_positive("gap", gap)
    frame = courses.series
    line = per_row("minimal_important_change", minimal_important_change, frame)
    target = _targets(goal, frame, sign)
    if worthwhile is None:
        least = np.where(np.isnan(line), courses.scatter_sd / 2, line / 3)
    else:
        least = np.full(courses.n, check_positive("worthwhile", worthwhile))
    start = frame["first_time"].to_numpy(float)
    now = frame["latest_time"].to_numpy(float) - start
    after = now + visits_ahead * gap
    astray = _Astray(courses, sign)
    further = astray.added(courses.gain(now, after).turned(sign), now, after)
    so_far = courses.gain(0.0, now).turned(sign)
    chances = _state_chances(courses, astray, now, after, least, line, target)
    worthwhile_chance = further.chance_above(least)
    stop = worthwhile_chance < 1 / (1 + missed_gain_costs)
    state = _name_states(chances, stop, certain, frame["n_visits"].to_numpy() >= 3)
    unsure = state == len(PLATEAU_STATES) - 1
    top = np.column_stack([chances, np.zeros(courses.n)])[np.arange(courses.n), state]
    top = np.where(state == 4, chances[:, 2:].sum(axis=1), top)
    reach = _chance_at_line(courses, astray, now, line, target)
    course_now = courses.level(now).mean
    tail = (1 - confidence) / 2
    keys = [c for c in ("client", "episode", "n_visits") if c in frame.columns]
    table = frame[keys].assign(
        state=pd.array(np.array(PLATEAU_STATES, dtype=object)[state], dtype="str"),
        chance_of_state=np.where(unsure, np.nan, top),
        gain_so_far=so_far.mean,
        further_gain=further.mean,
        ci_low=further.quantile(tail),
        ci_high=further.quantile(1 - tail),
        ci_level=confidence,
        worthwhile=least,
        chance_worthwhile=worthwhile_chance,
        chance_at_line=reach(after),
        **_visits_to_line(reach, now, gap),
        latest_against_course=sign
        * (frame["latest_value"].to_numpy(float) - course_now)
        / courses.scatter_sd,
    )
    order = np.lexsort([-table["further_gain"].to_numpy(), state])
    return table.iloc[order].reset_index(drop=True)


def _targets(goal: Any, frame: pd.DataFrame, sign: float) -> np.ndarray:
    """Give the goal per series, turned so that higher is better; empty where there is none."""
    if goal is None:
        return np.full(len(frame), np.nan)
    goals = np.broadcast_to(np.asarray(goal, float), (len(frame),))
    if np.isinf(goals).any():
        raise ArgumentError("goal must be a level in the measure's unit, or empty.")
    return sign * goals


@dataclass(frozen=True)
class _Astray:
    """What the courses may add to their form ahead, turned so that higher is better."""

    courses: ClientCourses
    sign: float

    def moments(self, now: np.ndarray, after: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        deviation = self.courses.deviation
        if deviation is None:
            return np.zeros(self.courses.n), np.zeros(self.courses.n)
        gain = self.courses.gain(0.0, after)
        mean, variance = deviation.ahead(now, after, gain.mean, gain.sd)
        return self.sign * mean, variance

    def added(self, mixture: Mixture, now: np.ndarray, after: np.ndarray) -> Mixture:
        mean, variance = self.moments(now, after)
        return mixture.shifted(mean).widened(variance)


def _name_states(
    chances: np.ndarray, stop: np.ndarray, certain: float, enough: np.ndarray
) -> np.ndarray:
    """Name each client's state (place in `PLATEAU_STATES`) from the chances of the first five."""
    side = 2 + np.argmax(chances[:, 2:], axis=1)
    decided = chances[np.arange(len(chances)), side] >= certain
    level = stop & (chances[:, 2:].sum(axis=1) >= certain)  # else it may as well be a decline
    return np.select(
        [~enough, chances[:, 0] >= certain, chances[:, 1] >= certain, level & decided, level],
        [5, 0, 1, side, 4],
        default=5,
    )


def _state_chances(
    courses: ClientCourses,
    astray: _Astray,
    now: np.ndarray,
    after: np.ndarray,
    least: np.ndarray,
    line: np.ndarray,
    target: np.ndarray,
) -> np.ndarray:
    """Chance of each state but the last (series x 5), exact for the posterior of c1.

    For a goal in levels, the course now depends on c0 too; the split between short and past is
    then by the chance that the level is past the goal, given that the client has levelled off.
    """
    chances = np.zeros((courses.n, 5))
    has_line, has_goal = ~np.isnan(line), ~np.isnan(target)
    mean, variance = astray.moments(now, after)
    nodes, shares = np.polynomial.hermite_e.hermegauss(9 if variance.any() else 1)
    shares = (shares / shares.sum())[:, np.newaxis]
    astray_by = mean + nodes[:, np.newaxis] * np.sqrt(variance)  # nodes x series
    for part in courses.parts:
        c1, sd = astray.sign * part.mean[:, 1], np.sqrt(part.covariance[:, 1, 1])
        a = part.clock(now)
        b = np.maximum(part.clock(after) - a, 1e-300)
        with np.errstate(divide="ignore"):
            edge = np.where(a > 0, line / np.where(a > 0, a, 1), np.inf)
            declined = np.where(a > 0, -least / np.where(a > 0, a, 1), -np.inf)
        worse = _below(np.maximum(declined, (-least - astray_by) / b), c1, sd)
        not_gaining = np.maximum(_below((least - astray_by) / b, c1, sd), worse)
        short = np.clip(_below(np.where(has_line, edge, 0), c1, sd), worse, not_gaining) - worse
        worse, not_gaining, short = (
            part.weight * (shares * chance).sum(axis=0) for chance in (worse, not_gaining, short)
        )
        levelled = not_gaining - worse
        chances[:, 0] += worse
        chances[:, 1] += part.weight - not_gaining
        chances[:, 2] += np.where(has_line, short, 0)
        chances[:, 3] += np.where(has_line, levelled - short, 0)
        chances[:, 4] += np.where(has_line, 0, levelled)
    if has_goal.any():
        levelled = chances[:, 2:].sum(axis=1)
        level = courses.level(now).turned(astray.sign)
        past = level.chance_above(np.where(has_goal, target, 0))
        chances[has_goal, 2] = (levelled * (1 - past))[has_goal]
        chances[has_goal, 3] = (levelled * past)[has_goal]
        chances[has_goal, 4] = 0
    return chances


def _below(edge: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    return ndtr((edge - mean) / np.maximum(sd, 1e-300))


def _chance_at_line(
    courses: ClientCourses, astray: _Astray, now: np.ndarray, line: np.ndarray, target: np.ndarray
):
    """Give the function of time that tells each client's chance to be at the line or goal."""
    has_goal = ~np.isnan(target)

    def chance(time: np.ndarray) -> np.ndarray:
        gained = courses.gain(0.0, time).turned(astray.sign)
        found = astray.added(gained, now, time).chance_above(line)
        if has_goal.any():
            level = astray.added(courses.level(time).turned(astray.sign), now, time)
            found = np.where(has_goal, level.chance_above(np.where(has_goal, target, 0)), found)
        return found

    return chance


def _visits_to_line(reach, now: np.ndarray, gap: float) -> dict[str, np.ndarray]:
    """Fewest further visits after which the chance to be at the line is 50 % and 80 %."""
    chances = np.stack([reach(now + k * gap) for k in range(_MOST_VISITS + 1)])
    found = {}
    for level in (50, 80):
        with np.errstate(invalid="ignore"):
            there = chances >= level / 100
        first = there.argmax(axis=0).astype(float)
        found[f"visits_to_line_{level}"] = np.where(there.any(axis=0), first, np.nan)
    return found
