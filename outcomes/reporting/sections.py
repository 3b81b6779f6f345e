"""The parts of the quarter's report, each ready to be shown by one line of a notebook."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting import figures, sentences
from outcomes.reporting.picture import Gallery, Html
from outcomes.reporting.provenance import provenance
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, signed, with_unit
from outcomes.statistics.review import MeasureReview, QuarterReview

__all__ = [
    "attention",
    "first_screen",
    "flow",
    "limits",
    "measure_sections",
    "safety",
    "summary_table",
    "where_it_comes_from",
]


def first_screen(review: QuarterReview) -> Html:
    """Answer the meeting's questions in boxes."""
    answers = {
        "Are clients better?": sentences.are_clients_better(review),
        "Who needs attention?": sentences.who_needs_attention(review),
        "Can we trust the data?": sentences.can_the_data_be_trusted(review),
    }
    boxes = "".join(
        f'<section><h3>{escape(question)}</h3><p class="lead">{escape(lead)}</p>'
        f"<p>{escape(support)}</p></section>"
        for question, (lead, support) in answers.items()
    )
    return Html(f'<div class="answers">{boxes}</div>')


def flow(review: QuarterReview) -> Html:
    """Show where clients are lost between the door and the analysis."""
    rows = pd.DataFrame([{"measure": m.measure.name, **m.flow} for m in review.measures])
    rows["followed"] = rows["measured_again"] / rows["measured_at_start"]
    return table(
        rows,
        {
            "measure": "Measure",
            "eligible": "Seen in the quarter",
            "measured_at_start": "Measured at the start",
            "measured_again": "Measured again",
            "analysed": "Analysed",
            "followed": ("Followed up", percent),
        },
        caption="Episodes of care, by measure",
    )


def summary_table(review: QuarterReview) -> Html:
    """Show one line per measure: mean improvement, standardised improvement, shares."""
    rows = []
    for m in review.measures:
        shares = m.shares.set_index("quantity")["share"]
        rows.append(
            {
                "measure": m.measure.name,
                "n": m.improvement.n,
                "mean": with_unit(m.improvement.estimate, m.measure.unit, sign=True),
                "interval": interval(m.improvement.ci_low, m.improvement.ci_high),
                "standardised": signed(
                    m.standardised.set_index("quantity").loc["becker", "estimate"], 2
                ),
                "detectable": percent(shares.get("improved detectably")),
                "important": percent(shares.get("improved importantly")),
                "worse": percent(shares.get("worsened detectably")),
            }
        )
    text = str
    return table(
        pd.DataFrame(rows),
        {
            "measure": "Measure",
            "n": "Clients",
            "mean": ("Mean improvement", text),
            "interval": ("95% interval", text),
            "standardised": ("Against start spread", text),
            "detectable": ("Gain beyond error", text),
            "important": ("Gain that matters", text),
            "worse": ("Decline beyond error", text),
        },
        caption="Improvement is positive when clients are better, whatever the scale's direction",
    )


def attention(review: QuarterReview) -> Html:
    """List the clients with a decline beyond measurement error, first."""
    rows = review.clients
    rows = rows[rows["worsened"].fillna(False).astype(bool)].copy()
    names = {m.measure.code: m.measure.name for m in review.measures}
    rows["name"] = rows["measure"].map(names)
    rows["change_text"] = [
        f"{with_unit(a, u)} to {with_unit(b, u)}"
        for a, b, u in zip(rows["start_value"], rows["latest_value"], rows["unit"], strict=True)
    ]
    shown = table(
        rows,
        {
            "client": "Client",
            "name": "Measure",
            "change_text": ("Start to latest", str),
            "minimal_detectable_change": ("Detectable from", number),
            "n_visits": "Visits measured",
            "latest_date": ("Latest", lambda d: d.date().isoformat()),
        },
        caption="Clients with a decline beyond measurement error",
        empty="nobody this quarter.",
        most=25,
    )
    return Html(f'<div class="attend">{shown.text}</div>')


def measure_sections(review: QuarterReview) -> Html:
    """Write one section per measure: sentence, two figures, thresholds."""
    return Html("".join(_measure_section(m) for m in review.measures))


def _measure_section(review: MeasureReview) -> str:
    pictures = [figures.start_against_latest(review.judged, review.measure)]
    if review.course is not None:
        pictures.append(
            figures.course_over_weeks(review.course.line, review.values, review.measure)
        )
    return (
        f"<h3>{escape(review.measure.name)}</h3>"
        f'<p class="sentence">{escape(sentences.measure_sentence(review))}</p>'
        f"{Gallery(tuple(pictures))._repr_html_()}"
        f"<p>{escape(sentences.course_sentence(review))}</p>"
        f'<p class="quiet">{escape(sentences.threshold_sentence(review))}</p>'
    )


def limits() -> Html:
    """Say what the report cannot say."""
    return Html("<ul>" + "".join(f"<li>{escape(x)}</li>" for x in sentences.LIMITS) + "</ul>")


def safety() -> Html:
    """Show the safety note."""
    text = "".join(f"<p>{escape(x)}</p>" for x in sentences.SAFETY)
    return Html(f'<div class="safety">{text}</div>')


def where_it_comes_from(review: QuarterReview, **parameters: str) -> Html:
    """Show files, rows, settings and versions."""
    parts = provenance(review.caseload, {"quarter": review.quarter, **parameters})
    files = parts["files"].assign(sha256=parts["files"]["sha256"].str[:16])
    shown = [
        table(
            parts["rows"],
            {c: c.replace("_", " ") for c in parts["rows"].columns},
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
