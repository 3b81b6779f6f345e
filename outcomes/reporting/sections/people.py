"""Practitioners, sites and groups of clients: differences that chance does not make."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting import sentences
from outcomes.reporting.figures import share_funnel_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.sections.over_time import absent
from outcomes.reporting.tables import table
from outcomes.reporting.wording import chance, interval, number, with_unit
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["fairness", "practitioners"]

_BY = {
    "age_band": "Age",
    "sex": "Sex",
    "clinic": "Site",
    "complaint": "Complaint",
}


def practitioners(review: QuarterReview, meeting: Meeting, *, named: bool = False) -> Html:
    """Show whether practitioners differ beyond chance and beyond whom they treat; no ranking."""
    parts = []
    if meeting.funnel is not None:
        parts.append(
            share_funnel_figure(
                meeting.funnel,
                title="Clients with a gain beyond error, by practitioner",
                label="clients",
                named=named,
            )._repr_html_()
        )
    if not meeting.practitioners:
        return Html("".join(parts) + absent(meeting, "practitioners").text)
    parts.append(f"<p>{escape(sentences.practitioner_sentence(review, meeting))}</p>")
    rows = [
        {
            "measure": review.names[code],
            "n": found.n,
            "spread": f"{with_unit(found.typical_difference, found.unit)} "
            f"({interval(found.typical_low, found.typical_high)})",
            "chance": chance(found.chance_real),
            "stands_out": "yes" if found.anyone_stands_out else "no",
        }
        for code, found in meeting.practitioners.items()
    ]
    parts.append(
        table(
            pd.DataFrame(rows),
            {
                "measure": "Measure",
                "n": "Episodes",
                "spread": ("Usual distance of practitioners from their mean (95%)", str),
                "chance": ("Chance that they differ at all", str),
                "stands_out": "Anyone stands out",
            },
            caption="Practitioners over the last four quarters, adjusted for whom they treat",
        ).text
    )
    return Html("".join(parts))


def fairness(review: QuarterReview, meeting: Meeting, *, measures: int = 2) -> Html:
    """Show mean improvement by group of clients, shrunken, with small groups hidden."""
    if meeting.groups.empty:
        return absent(meeting, "groups")
    parts = []
    for i, (code, name) in enumerate(review.names.items()):
        rows = meeting.groups[meeting.groups["measure"] == code].copy()
        at_site = rows["by"] == "clinic"
        rows.loc[at_site, "group"] = rows.loc[at_site, "group"].map(meeting.settings.site_name)
        if rows.empty:
            continue
        text = _groups(rows, name).text
        parts.append(
            text if i < measures else f"<details><summary>{escape(name)}</summary>{text}</details>"
        )
    return Html("".join(parts))


def _groups(rows: pd.DataFrame, name: str) -> Html:
    hidden = rows["hidden"].astype(bool)
    rows["kind"] = rows["by"].map(_BY)
    rows["clients"] = [
        "hidden" if h else number(n, 0) for h, n in zip(hidden, rows["n"].fillna(0), strict=True)
    ]
    rows["mean"] = [
        "hidden" if h else f"{number(e)} ({interval(lo, hi)})"
        for h, e, lo, hi in zip(
            hidden, rows["estimate"], rows["ci_low"], rows["ci_high"], strict=True
        )
    ]
    return table(
        rows,
        {
            "kind": "By",
            "group": "Group",
            "clients": ("Episodes", str),
            "mean": ("Mean improvement, shrunken (95%)", str),
            "chance_real": ("Chance that groups differ", chance),
        },
        caption=f"{name}: mean improvement by group",
    )
