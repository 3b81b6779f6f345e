"""The first screen: four questions answered, and the clients to speak about."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting import sentences
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import number, plural, with_unit
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["attention", "first_screen"]


def first_screen(review: QuarterReview, meeting: Meeting) -> Html:
    """Answer the meeting's questions in boxes."""
    answers = {
        "Are clients better?": sentences.are_clients_better(review),
        "More than last quarter?": sentences.more_than_last_quarter(review, meeting),
        "Who needs attention?": sentences.who_needs_attention(review, meeting),
        "Can we trust the data?": sentences.can_the_data_be_trusted(review, meeting),
    }
    boxes = "".join(
        f'<section><h3>{escape(question)}</h3><p class="lead">{escape(lead)}</p>'
        f"<p>{escape(support)}</p></section>"
        for question, (lead, support) in answers.items()
    )
    return Html(f'<div class="answers">{boxes}</div>')


def attention(review: QuarterReview, meeting: Meeting) -> Html:
    """List the clients to speak about: declines first, ids only."""
    rows = meeting.attention
    parts = [_declined(review)]
    for reason, heading in _OTHERS.items():
        mine = rows[rows["reason"] == reason] if len(rows) else rows
        if len(mine):
            parts.append(_others(mine, review, heading))
    return Html("".join(part.text for part in parts))


_OTHERS = {
    "unwanted event": "Unwanted events this quarter",
    "levelled off short of an important change": "In care, levelled off short of what matters",
    "stopped coming without discharge": "Stopped coming without discharge",
    "overdue for re-measurement": "Overdue for measurement",
}


def _declined(review: QuarterReview) -> Html:
    rows = review.clients
    rows = rows[rows["worse"]].copy()
    rows["name"] = rows["measure"].map(review.names)
    rows["course"] = [
        f"{with_unit(a, u)} to {with_unit(b, u)}"
        for a, b, u in zip(rows["start_value"], rows["latest_value"], rows["unit"], strict=True)
    ]
    rows["seen_by"] = [
        "both" if cut and model == "worse" else "first against latest" if cut else "all visits"
        for cut, model in zip(
            rows["worsened"].fillna(False), rows["model_verdict"].fillna(""), strict=True
        )
    ]
    shown = table(
        rows,
        {
            "client": "Client",
            "name": "Measure",
            "course": ("Start to latest", str),
            "minimal_detectable_change": ("Detectable from", number),
            "n_visits": "Visits measured",
            "seen_by": "Decline seen by",
            "latest_date": ("Latest", lambda day: day.date().isoformat()),
        },
        caption="Decline beyond measurement error",
        empty="nobody this quarter.",
        most=25,
    )
    return Html(f'<div class="attend">{shown.text}</div>')


def _others(rows: pd.DataFrame, review: QuarterReview, heading: str) -> Html:
    """Fold one reason into one line per client, with a count that shows when folded."""
    told = []
    for client, mine in rows.groupby("client", sort=False):
        names = [review.names.get(code, "") for code in mine["measure"].dropna()]
        events = [f"{e} ({s})" for e, s in zip(mine["event"], mine["severity"], strict=True)
                  if isinstance(e, str)]  # fmt: skip
        days = mine["days"].max()
        told.append(
            {
                "client": client,
                "what": ", ".join([*names, *events]) or "\N{EN DASH}",
                "days": number(days, 0) if days == days else "\N{EN DASH}",
            }
        )
    shown = table(
        pd.DataFrame(told),
        {"client": "Client", "what": "What", "days": ("Days since", str)},
        caption=heading,
    )
    summary = f"{escape(heading)}: {plural(rows['client'].nunique(), 'client')}"
    return Html(f'<details class="printed"><summary>{summary}</summary>{shown.text}</details>')
