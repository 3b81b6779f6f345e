"""Home exercise: how much of it is done, and what goes with doing it."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting import sentences
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
    parts.append(_link(review, meeting).text)
    return Html("".join(parts))


def _link(review: QuarterReview, meeting: Meeting) -> Html:
    """Show kept gain against exercise done, within clients beside between them."""
    if meeting.exercise.empty:
        return Html("") if meeting.adherence.empty else absent(meeting, "exercise link")
    rows = []
    for code, mine in meeting.exercise.groupby("measure", sort=False):
        found = mine.set_index("quantity")
        rows.append(
            {
                "name": review.names[code],
                "n": int(found.loc["within client", "n"]),
                **{column: _per_week(found, quantity) for column, quantity in _LINKS.items()},
            }
        )
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "n": "Clients",
            "done": ("Weeks done minus not done, same client", str),
            "within": ("All against none, same client", str),
            "between": ("All against none, between clients", str),
        },
        caption="Kept gain per week (95%) with home exercise",
        most=5,
    )
    lead = f'<p class="sentence">{escape(sentences.exercise_sentence(review, meeting))}</p>'
    return Html(f'{lead}{shown.text}<p class="quiet">{escape(sentences.EXERCISE_CAUTION)}</p>')


_LINKS = {
    "done": "weeks done minus weeks not done, same client",
    "within": "within client",
    "between": "between clients",
}


def _per_week(found: pd.DataFrame, quantity: str) -> str:
    if quantity not in found.index:
        return "too few clients"
    row = found.loc[quantity]
    ends = interval(row["ci_low"], row["ci_high"])
    return f"{with_unit(row['estimate'], row['unit'], sign=True)} ({ends})"
