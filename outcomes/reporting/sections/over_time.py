"""The quarter among the others: differences with intervals, charts, events, changes made."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting import sentences
from outcomes.reporting.figures import control_chart
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, with_unit
from outcomes.statistics.review import Meeting, QuarterReview
from outcomes.statistics.service import quarter_of

__all__ = ["changes", "comparisons", "events", "gain_charts"]


def comparisons(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the difference to last quarter and to a year ago, adjusted for who the clients were."""
    if meeting.comparisons.empty:
        return absent(meeting, "comparisons")
    rows = meeting.comparisons
    rows = rows[rows["adjusted"]].copy() if rows["adjusted"].any() else rows.copy()
    units = {m.measure.code: m.measure.unit for m in review.measures}
    rows["name"] = rows["measure"].map(review.names)
    known = rows["estimate"].notna()
    rows["difference"] = [
        f"{with_unit(e, units[c], sign=True)} ({interval(lo, hi)})" if ok else "too few clients"
        for e, lo, hi, c, ok in zip(
            rows["estimate"], rows["ci_low"], rows["ci_high"], rows["measure"], known, strict=True
        )
    ]
    wide = rows.pivot(index="measure", columns="question", values="difference")
    wide = wide.reindex(list(review.names)).dropna(how="all").reset_index()
    wide["name"] = wide["measure"].map(review.names)
    columns = {"name": "Measure"} | {
        q: (q.capitalize(), str)
        for q in ("last quarter", "same quarter a year ago")
        if q in wide.columns
    }
    shown = table(
        wide,
        columns,
        caption="Mean improvement this quarter minus the other (95% interval)",
    )
    note = (
        "Adjusted for start value, age, duration of symptoms and complaint where recorded. An "
        "interval that holds zero means that the difference may be chance."
    )
    return Html(shown.text + f'<p class="quiet">{note}</p>')


def gain_charts(review: QuarterReview, meeting: Meeting, *, openly: int = 2) -> Html:
    """Draw the share of clients with a gain beyond error, quarter by quarter."""
    if not meeting.gain_charts:
        return absent(meeting, "charts")
    made = [(quarter_of(change.date), change.what) for change in meeting.settings.changes]
    pictures = [
        control_chart(
            chart,
            title=f"{review.names[code]}: gain beyond error",
            label="clients",
            shares=True,
            changes=made,
        )._repr_html_()
        for code, chart in meeting.gain_charts.items()
    ]
    rest = "".join(pictures[openly:])
    more = f"<details><summary>{len(pictures) - openly} more measures</summary>{rest}</details>"
    follow = meeting.follow_up_chart
    if follow is not None:
        pictures.insert(
            0,
            control_chart(
                follow,
                title="Clients measured again, by quarter of their first visit",
                label="clients",
                shares=True,
                changes=made,
            )._repr_html_(),
        )
        openly += 1
    return Html("".join(pictures[:openly]) + (more if rest else ""))


def events(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the rate of unwanted events."""
    if meeting.events is None:
        return absent(meeting, "events")
    text = f'<p class="sentence">{escape(sentences.event_sentence(meeting))}</p>'
    if meeting.event_chart is not None:
        picture = control_chart(
            meeting.event_chart, title="Unwanted events", label="per 1,000 visits"
        )
        text += picture._repr_html_()
    return Html(text)


def changes(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the steps at the dates on which the clinic changed something."""
    if "changes" in meeting.notes:
        return absent(meeting, "changes")
    if meeting.changes.empty:
        return Html(
            '<p class="quiet">No dated changes are named in the clinic\'s settings '
            "(<code>[[changes]]</code> in clinic.toml).</p>"
        )
    rows = meeting.changes[meeting.changes["term"].str.startswith("step")].copy()
    rows["name"] = rows["measure"].map(review.names)
    rows["step"] = [
        f"{number(e)} ({interval(lo, hi)})"
        for e, lo, hi in zip(rows["estimate"], rows["ci_low"], rows["ci_high"], strict=True)
    ]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "notes": "Change",
            "step": ("Step in mean improvement (95%)", str),
            "chance_above": ("Chance of a rise", percent),
            "n": "Quarters",
        },
        caption="What moved when the clinic changed something",
    )


def absent(meeting: Meeting, part: str) -> Html:
    """Say why a part is not there."""
    reason = meeting.notes.get(part, "There is nothing to show.")
    return Html(f'<p class="quiet">Not shown: {escape(reason)}</p>')
