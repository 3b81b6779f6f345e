"""One client: the course of each measure with its band, and the saw-tooth of every visit."""

from __future__ import annotations

import numpy as np

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, CLAY, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import interval, number, with_unit
from outcomes.statistics.review.one_client import ClientMeasure

__all__ = ["client_course"]


def client_course(found: ClientMeasure) -> Picture:
    """Draw one measure of one client over the weeks.

    Before-treatment readings are joined by the client's own course; a thin stroke leads from each
    to the reading after treatment, so that gains within a visit and what is kept of them show as a
    saw-tooth. The dashed line is an important change from the start; the bar on the right is where
    the next reading should fall.

    Parameters
    ----------
    found : ClientMeasure
        From `look_at_client`.

    Returns
    -------
    Picture
    """
    m, verdict = found.measure, found.verdict
    unit = "degrees" if m.unit == "deg" else m.unit
    before = found.visits[found.visits["moment"] == "before"]
    after = found.visits[found.visits["moment"] == "after"]
    with house_style():
        figure, (ax,) = new_figure(3.7, 2.75)
        if len(found.course):
            c = found.course
            ax.fill_between(c["week"], c["ci_low"], c["ci_high"], color=BAND, lw=0)
            ax.plot(c["week"], c["estimate"], color=BLUE, lw=1.8)
        for visit, value in zip(after["visit"], after["value"], strict=True):
            start = before[before["visit"] == visit]
            if len(start):
                week = start["week"].iloc[0]
                ax.plot([week, week + 0.12], [start["value"].iloc[0], value], color=QUIET, lw=0.8)
                ax.plot(week + 0.12, value, "_", color=QUIET, ms=5)
        ax.plot(before["week"], before["value"], "o", color=INK, ms=4.5, zorder=3)
        line = verdict["minimal_important_change"]
        if np.isfinite(line):
            level = verdict["start_value"] + m.sign * line
            ax.axhline(level, color=INK, lw=1, ls=(0, (5, 3)))
        if found.next_visit:
            n = found.next_visit
            colour = CLAY if verdict["worse"] else BLUE
            ax.plot([n["week"]] * 2, [n["ci_low"], n["ci_high"]], color=colour, lw=3, alpha=0.5)
        ax.set(xlabel="weeks", ylabel=f"{unit} ({'higher' if m.sign > 0 else 'lower'} is better)")
        ax.set_title(m.name, fontsize=9)
    return Picture.of(figure, alt=_alt(found))


def _alt(found: ClientMeasure) -> str:
    m, v = found.measure, found.verdict
    text = (
        f"{m.name} over {len(found.visits['visit'].unique())} visits: from "
        f"{with_unit(v['start_value'], m.unit)} to {with_unit(v['latest_value'], m.unit)}."
    )
    if found.next_visit:
        n = found.next_visit
        text += (
            f" The next reading, about week {number(n['week'], 0)}, should fall between "
            f"{interval(n['ci_low'], n['ci_high'], m.unit)}."
        )
    return text
