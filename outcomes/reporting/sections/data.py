"""Who is missing, how good the data are, and where the numbers come from."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Any

import pandas as pd

from outcomes.reporting import sentences
from outcomes.reporting.figures import flow_diagram
from outcomes.reporting.picture import Html
from outcomes.reporting.provenance import provenance
from outcomes.reporting.sections.over_time import absent
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["completeness", "flow", "flow_table", "quality", "where_it_comes_from"]


def flow(review: QuarterReview) -> Html:
    """Draw the flow of the most used measure, and count all of them."""
    first = max(review.measures, key=lambda m: m.flow["measured_at_start"])
    picture = flow_diagram(first.flow, title=f"From the door to the analysis: {first.measure.name}")
    return Html(picture._repr_html_()) + flow_table(review.measures)


def flow_table(measures: Iterable[Any]) -> Html:
    """Count the episodes of each measure from the door to the analysis."""
    rows = pd.DataFrame([{"measure": m.measure.name, **m.flow} for m in measures])
    rows["followed"] = rows["measured_again"] / rows["measured_at_start"]
    return table(
        rows,
        {
            "measure": "Measure",
            "eligible": "Seen",
            "measured_at_start": "Measured at the start",
            "measured_again": "Measured again",
            "analysed": "Analysed",
            "followed": ("Followed up", percent),
        },
        caption="Episodes of care, by measure",
    )


def completeness(review: QuarterReview, meeting: Meeting) -> Html:
    """Count completeness by site and by practitioner; by quarter it is a chart of its own."""
    if meeting.completeness.empty:
        return absent(meeting, "completeness")
    parts = []
    for by, rows in meeting.completeness.groupby("by", sort=False):
        heading = {"clinic": "Site", "practitioner": "Practitioner"}[str(by)]
        if by == "clinic":
            rows = rows.assign(group=rows["group"].map(meeting.settings.site_name))
        parts.append(
            table(
                rows,
                {
                    "group": heading,
                    "measured_at_start": "First measurements",
                    "measured_again": "Followed by a second",
                    "share_followed_up": ("Share", percent),
                },
                caption=f"Completeness over all measures, by {heading.lower()}",
            ).text
        )
    return Html("".join(parts))


def quality(review: QuarterReview, meeting: Meeting) -> Html:
    """Show what was set aside, who rounds, who reads higher, and which instrument drifts."""
    parts = [
        table(
            meeting.ledger,
            {
                "table": "Table",
                "rule": "Rule",
                "action": "What was done",
                "count": "Entries",
                "clients": "Clients",
            },
            caption="The ledger: what was set aside, changed or questioned",
            empty="every row was used as it stands.",
            most=12,
        ).text
    ]
    parts += [f"<p>{escape(text)}</p>" for text in sentences.quality_sentences(meeting)]
    if len(meeting.digits):
        parts.append(_digits(meeting.digits).text)
    if len(meeting.raters):
        parts.append(_estimates(meeting.raters, "rater", "Rater", "Reads higher by").text)
    if len(meeting.drift):
        parts.append(
            _estimates(meeting.drift, "instrument", "Instrument", "Moves in 30 days by").text
            + '<p class="quiet">Each against the others: where one instrument drifts, another can '
            "seem to move the other way. Look first at the largest.</p>"
        )
    else:
        parts.append(absent(meeting, "drift").text if "drift" in meeting.notes else "")
    return Html("".join(parts))


def _digits(rows: pd.DataFrame) -> Html:
    rows = rows.assign(
        range=[interval(a * 100, b * 100, "percent") for a, b in
               zip(rows["ci_low"], rows["ci_high"], strict=True)],
        found=rows["flagged"].map({True: "rounds to 5", False: "no sign of rounding"}),
    )  # fmt: skip
    return table(
        rows,
        {
            "rater": "Rater",
            "n_readings": "Readings",
            "share": ("End in 0 or 5 (20% expected)", percent),
            "range": ("95% interval", str),
            "found": "Finding",
        },
        caption="Last digits of readings in degrees",
    )


def _estimates(rows: pd.DataFrame, column: str, heading: str, what: str) -> Html:
    rows = rows.assign(
        text=[
            f"{number(e)}° ({interval(lo, hi)})"
            for e, lo, hi in zip(rows["estimate"], rows["ci_low"], rows["ci_high"], strict=True)
        ],
        found=rows["flagged"].map({True: "beyond chance", False: "within chance"}),
    )
    return table(
        rows,
        {
            column: heading,
            "n_readings": "Readings",
            "text": (f"{what} (95%)", str),
            "found": "Finding",
        },
        caption=f"{heading}s compared, readings in degrees",
    )


def where_it_comes_from(review: QuarterReview, **parameters: str) -> Html:
    """Show files, rows, settings and versions."""
    parts = provenance(review.caseload, {"quarter": review.quarter, **parameters})
    files = parts["files"].assign(sha256=parts["files"]["sha256"].str[:16])
    shown = [
        table(
            parts["rows"],
            {c: c.replace("_", " ").capitalize() for c in parts["rows"].columns},
            caption="Rows: in = used + set aside",
        ),
        table(
            files,
            {"file": "File", "table": "Table", "rows_in": "Rows", "sha256": "SHA-256 (first 16)"},
            caption="Files read",
        ),
        table(parts["settings"], {"name": "Setting", "value": "Value"}, caption="Settings"),
        table(parts["versions"], {"library": "Library", "version": "Version"}, caption="Versions"),
    ]
    return Html("".join(part.text for part in shown))
