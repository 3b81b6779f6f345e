"""What the calendar alone would have given, and what the missing could change."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting.figures.ladder import ladder_figure, remaining_rungs
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import chance, interval, number, with_unit
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["calendar", "missing"]


def calendar(review: QuarterReview, meeting: Meeting, *, openly: int = 2) -> Html:
    """Draw the ladders, most clients first, with the caution that belongs under them."""
    if not meeting.calendar:
        return Html('<p class="quiet">Not shown: too few clients.</p>')
    pictures, rows = [], []
    by_size = sorted(review.measures, key=lambda m: -m.flow["analysed"])
    for m in by_size:
        found = meeting.calendar.get(m.measure.code)
        if found is None:
            continue
        line = m.importance.value if m.importance else None
        pictures.append(ladder_figure(found.ladder, m.measure, line=line)._repr_html_())
        left = remaining_rungs(found.ladder).iloc[-1]
        over = found.ladder.chance_above_line
        rows.append(
            {
                "name": m.measure.name,
                "raw": with_unit(m.improvement.estimate, m.measure.unit, sign=True),
                "left": f"{with_unit(left['estimate'], m.measure.unit, sign=True)} "
                f"({interval(left['ci_low'], left['ci_high'])})",
                "usual": with_unit(found.usual_level, m.measure.unit),
                "over": chance(over) if over == over else "\N{EN DASH}",
            }
        )
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "raw": ("Raw", str),
            "left": ("Left (95%)", str),
            "usual": ("Usual level assumed", str),
            "over": ("Chance that what is left matters", str),
        },
        caption="Raw mean improvement, and what is left of it",
    )
    caution = next(iter(meeting.calendar.values())).ladder.caution
    rest = pictures[openly:]
    more = (
        f"<details><summary>{len(rest)} more measures</summary>{''.join(rest)}</details>"
        if rest
        else ""
    )
    note = (
        "The usual level is the middle of published values of healthy people: clients who come "
        "when they are at their worst drift back towards it. Where none is published (most "
        "questionnaires), that rung is left out, which is not the same as zero."
    )
    return Html(
        f'<p class="sentence">{escape(caution)}</p>{"".join(pictures[:openly])}{more}{shown.text}'
        f'<p class="quiet">{note}</p>'
    )


def missing(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the mean improvement under other stories of those who were not measured again."""
    rows = []
    for m in review.measures:
        found = meeting.calendar.get(m.measure.code)
        if found is None:
            continue
        stories = found.missing
        likely = _story(stories, "went on like")
        back = _story(stories, "back at their start")
        rows.append(
            {
                "name": m.measure.name,
                "stayers": with_unit(m.improvement.estimate, m.measure.unit, sign=True),
                "likely": f"{with_unit(likely['estimate'], m.measure.unit, sign=True)} "
                f"({interval(likely['ci_low'], likely['ci_high'])})",
                "back": with_unit(back["estimate"], m.measure.unit, sign=True),
                "tipping": "nobody missing"
                if found.tipping == float("inf")
                else with_unit(found.tipping, m.measure.unit)
                if found.tipping == found.tipping
                else number(None),
            }
        )
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "stayers": ("Measured twice", str),
            "likely": ("All who started, leavers like stayers (95%)", str),
            "back": ("Leavers back at their start", str),
            "tipping": ("Leavers worse by so much would undo it", str),
        },
        caption="Mean improvement under other stories of the missing",
        empty="too few clients.",
    )


def _story(stories: pd.DataFrame, words: str) -> pd.Series:
    """Pick one story of the leavers; where nobody left, all are that of the stayers."""
    found = stories[stories["quantity"].str.contains(words)]
    return stories.iloc[0] if found.empty else found.iloc[0]
