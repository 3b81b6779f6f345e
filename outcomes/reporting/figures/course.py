"""The course over weeks: the caseload's mean line with its interval, clients behind it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, FAINT, house_style, new_figure
from outcomes.reporting.wording import interval, number, with_unit

__all__ = ["course_over_weeks"]


def course_over_weeks(
    course: pd.DataFrame, values: pd.DataFrame, measure: Measure, *, most_lines: int = 60
) -> Picture:
    """Draw the model's mean course over weeks on top of the clients' own values.

    Parameters
    ----------
    course : DataFrame
        week, estimate, ci_low, ci_high: the caseload's mean course from the mixed model.
    values : DataFrame
        client, episode, week, value: what was measured.
    measure : Measure
        Name, unit, direction.
    most_lines : int
        Clients drawn at most: evenly spaced by start value, so that the picture stays readable.

    Returns
    -------
    Picture
    """
    unit = "°" if measure.unit == "deg" else measure.unit
    with house_style():
        figure, (ax,) = new_figure(5.4, 4.0)
        ax.plot(
            *_some_clients(values, course["week"].max(), most_lines), color=FAINT, lw=0.7, zorder=1
        )
        ax.fill_between(
            course["week"], course["ci_low"], course["ci_high"], color=BLUE, alpha=0.22, lw=0
        )
        ax.plot(course["week"], course["estimate"], color=BLUE, lw=2.4, zorder=3)
        ax.set(xlabel="weeks since the first visit", ylabel=f"{measure.short} ({unit})")
        ax.set_xlim(0, float(course["week"].max()))
        ax.set_title(f"{measure.name}: mean course")
    first, last = course.iloc[0], course.iloc[-1]
    alt = (
        f"{measure.name}: the mean course runs from {with_unit(first['estimate'], measure.unit)} "
        f"at the first visit to {with_unit(last['estimate'], measure.unit)} "
        f"(95% interval {interval(last['ci_low'], last['ci_high'], measure.unit)}) after "
        f"{number(last['week'])} weeks."
    )
    caption = (
        "Thick line: the caseload's mean from the mixed model, with its 95% interval. Thin lines: "
        "clients, before treatment at each visit."
    )
    return Picture.of(figure, alt=alt, caption=caption)


def _some_clients(values: pd.DataFrame, until: float, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Give weeks and values of some clients as one broken line: an empty point ends each client."""
    shown = values[values["week"] <= until].sort_values(["client", "episode", "week"])
    key = ["client", "episode"]
    starts = shown.groupby(key)["value"].first().sort_values(kind="stable")
    step = max(1, -(-len(starts) // most))
    chosen = starts.index[step // 2 :: step].to_frame(index=False)
    lines = chosen.merge(shown[[*key, "week", "value"]], on=key)
    ends = lines.groupby(key, sort=False).cumcount() == 0
    at = np.flatnonzero(ends)
    week, value = (np.insert(lines[c].to_numpy(float), at, np.nan) for c in ("week", "value"))
    return week, value
