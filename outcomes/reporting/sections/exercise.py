"""Home exercise: how much of it is done, and what goes with doing it."""

from __future__ import annotations

from outcomes.reporting.figures import adherence_by_week_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.sections.over_time import absent
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, with_unit
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["home_exercise"]

_DOSES = {"n_visits": "visits measured", "adherence": "home exercise done"}


def home_exercise(review: QuarterReview, meeting: Meeting) -> Html:
    """Show adherence over weeks, and dose against gain with the caution that it is no effect."""
    parts = []
    if meeting.adherence.empty:
        parts.append(absent(meeting, "home exercise").text)
    else:
        parts.append(adherence_by_week_figure(meeting.adherence)._repr_html_())
    if len(meeting.dose):
        rows = meeting.dose.dropna(subset=["estimate"]).copy()
        units = {m.measure.code: m.measure.unit for m in review.measures}
        rows["name"] = rows["measure"].map(review.names)
        rows["what"] = rows["dose"].map(_DOSES)
        rows["gain"] = [
            f"{with_unit(e, units[c], sign=True)} ({interval(lo, hi)})"
            for e, lo, hi, c in zip(
                rows["estimate"], rows["ci_low"], rows["ci_high"], rows["measure"], strict=True
            )
        ]
        shown = table(
            rows,
            {
                "name": "Measure",
                "what": "More of",
                "n": "Episodes",
                "correlation": ("Rank correlation", lambda x: number(x, 2)),
                "gain": ("More improvement per SD more (95%)", str),
            },
            caption="Dose against gain",
            most=8,
        )
        parts.append(
            shown.text + '<p class="quiet">Not the effect of the dose: clients who do well may do '
            "or get more, or stop sooner, for that very reason.</p>"
        )
    return Html("".join(parts))
