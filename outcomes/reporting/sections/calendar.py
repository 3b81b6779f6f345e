"""What the calendar alone would have given, and what the missing could change."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.measures import Measure
from outcomes.reporting import sentences
from outcomes.reporting.figures.ladder import ladder_figure, remaining_rungs
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import chance, interval, number, percent, with_unit
from outcomes.statistics.review import Meeting, QuarterReview
from outcomes.statistics.review.calendar import Calendar

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
                **_regression(found, m.measure.unit),
                "over": chance(over) if over == over else "\N{EN DASH}",
            }
        )
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "raw": ("Raw", str),
            "left": ("Left (95%)", str),
            "used": ("Regression to the mean from", str),
            "over": ("Chance that what is left matters", str),
        },
        caption="Raw mean improvement, and what is left of it",
    )
    ways = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "visits": ("From all visits (95%)", str),
            "level": ("From a usual level (95%)", str),
        },
        caption="Regression to the mean, estimated in two ways",
    )
    caution = next(iter(meeting.calendar.values())).ladder.caution
    rest = pictures[openly:]
    more = (
        f"<details><summary>{len(rest)} more measures</summary>{''.join(rest)}</details>"
        if rest
        else ""
    )
    return Html(
        f'<p class="sentence">{escape(caution)}</p>{"".join(pictures[:openly])}{more}{shown.text}'
        f'<p class="quiet">{escape(sentences.REGRESSION_NOTE)}</p>'
        f"<details><summary>Both ways to regression to the mean</summary>{ways.text}</details>"
    )


def _regression(found: Calendar, unit: str) -> dict[str, str]:
    """Put both estimates of regression to the mean into words, and which one the ladder took."""
    ways = found.ladder.regression.set_index("quantity")
    told = {"visits": "\N{EN DASH}", "level": "\N{EN DASH}", "used": "left out"}
    for key, start, short in (
        ("visits", "from the first visit", "all visits"),
        ("level", "from an assumed", "usual level"),
    ):
        for row in ways[ways.index.str.startswith(start)].itertuples():
            told[key] = (
                f"{with_unit(row.estimate, unit, sign=True)} ({interval(row.ci_low, row.ci_high)})"
            )
            if row.used:
                told["used"] = short
    if told["level"] != "\N{EN DASH}":
        told["level"] += f", at {with_unit(found.usual_level, unit)}"
    return told


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
                "tipping": _tipping(found.tipping, m.measure, nobody="nobody missing"),
            }
        )
    ends = table(
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
    return Html(
        ends.text
        + _missing_over_visits(review, meeting)
        + _which_visits_are_missing(review, meeting)
    )


def _tipping(worse_by: float, measure: Measure, *, nobody: str) -> str:
    """Say how much worse leavers must be to undo the conclusion; a scale has ends."""
    if worse_by != worse_by:
        return number(None)
    if worse_by == float("inf"):
        return nobody
    if worse_by > measure.hard_max - measure.hard_min:
        return "no value could"
    return with_unit(worse_by, measure.unit)


def _missing_over_visits(review: QuarterReview, meeting: Meeting) -> str:
    """Show the mean improvement at the last planned visit, under stories over all visits."""
    rows = []
    for m in review.measures:
        found = meeting.calendar.get(m.measure.code)
        if found is None or found.over_visits.empty:
            continue
        unit = m.measure.unit
        last = found.over_visits[found.over_visits["visit"] == found.over_visits["visit"].max()]
        tip = found.tipping_over_visits.iloc[-1]
        random = _story(last, "leavers went on")
        rows.append(
            {
                "name": m.measure.name,
                "visit": int(tip["visit"]),
                "left": percent(tip["share_left"]),
                "random": f"{with_unit(random['estimate'], unit, sign=True)} "
                f"({interval(random['ci_low'], random['ci_high'])})",
                "kept": with_unit(_story(last, "kept")["estimate"], unit, sign=True),
                "lost": with_unit(_story(last, "lost")["estimate"], unit, sign=True),
                "tipping": _tipping(tip["delta"], m.measure, nobody="nobody left"),
            }
        )
    if not rows:
        return ""
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "visit": "Planned visit",
            "left": ("Left before it", str),
            "random": ("Leavers went on like those who fared alike (95%)", str),
            "kept": ("They kept their gain, no more", str),
            "lost": ("They lost it on leaving", str),
            "tipping": ("Worse by so much would undo it", str),
        },
        caption="Mean improvement at the last planned visit, with the course of leavers drawn",
    )
    return shown.text + f'<p class="quiet">{escape(sentences.LEAVERS_NOTE)}</p>'


def _which_visits_are_missing(review: QuarterReview, meeting: Meeting) -> str:
    """Count clients by what is missing among the planned visits, measure by measure."""
    counts = {
        m.measure.name: meeting.calendar[m.measure.code]
        .patterns.groupby("missing_kind")["count"]
        .sum()
        for m in review.measures
        if m.measure.code in meeting.calendar and len(meeting.calendar[m.measure.code].patterns)
    }
    if not counts:
        return ""
    kinds = {
        "complete": "All there",
        "left": "Left before the last",
        "gaps": "Gaps between",
        "gaps and left": "Gaps, then left",
    }
    rows = pd.DataFrame(counts).T.reindex(columns=list(kinds)).fillna(0).astype(int)
    shown = table(
        rows.rename_axis("name").reset_index(),
        {"name": "Measure", **kinds},
        caption="Clients by which of their planned visits are there",
    )
    return f"<details><summary>Which visits are missing</summary>{shown.text}</details>"


def _story(stories: pd.DataFrame, words: str) -> pd.Series:
    """Pick one story of the leavers; where nobody left, all are that of the stayers."""
    found = stories[stories["quantity"].str.contains(words)]
    return stories.iloc[0] if found.empty else found.iloc[0]
