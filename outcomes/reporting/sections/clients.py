"""Where each client stands: still gaining, levelled off, or getting worse."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.reporting import sentences
from outcomes.reporting.figures import clients_courses_figure, standing_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import chance, interval, number, plural, with_unit
from outcomes.statistics.individual_change import PLATEAU_STATES
from outcomes.statistics.review import Meeting, QuarterReview
from outcomes.statistics.review.pressing import most_pressing

__all__ = ["meeting_list"]

_SPOKEN_OF_FIRST = ("getting worse", "levelled off short of the line")


def meeting_list(review: QuarterReview, meeting: Meeting) -> Html:
    """Draw where each client stands, count it by measure, and list clients state by state."""
    rows = meeting.plateau
    if rows.empty:
        return Html(
            '<p class="quiet">Not shown: too few visits to learn the clients\' courses.</p>'
        )
    counts = pd.crosstab(rows["measure"], rows["state"]).reindex(list(review.names)).dropna()
    states = [state for state in PLATEAU_STATES if state in counts.columns]
    counts = counts.astype(int).reset_index()
    counts["name"] = counts["measure"].map(review.names)
    overview = table(
        counts,
        {"name": "Measure", **{state: state.capitalize() for state in states}},
        caption="Clients by where they stand",
    )
    pressing = most_pressing(rows)
    note = f'<p class="quiet">{escape(sentences.STANDING_NOTE)}</p>'
    parts = [standing_figure(pressing, review.measures)._repr_html_(), overview.text, note]
    for state in states:
        if state == "too little data to say":
            continue
        mine = rows[rows["state"] == state]
        parts.append(
            f"<details><summary>{escape(state.capitalize())}: "
            f"{plural(mine['client'].nunique(), 'client')}</summary>"
            f"{_list(mine, review, state).text}</details>"
        )
    first = pressing[pressing["state"].isin(_SPOKEN_OF_FIRST)]
    if len(first):
        title = "Courses of those getting worse or levelled off short of the line"
        drawn = clients_courses_figure(first, review.measures, title=title)
        parts.append(drawn._repr_html_())
    return Html("".join(parts))


def _list(rows: pd.DataFrame, review: QuarterReview, state: str) -> Html:
    units = {m.measure.code: m.measure.unit for m in review.measures}
    unit = rows["measure"].map(units)
    shown = pd.DataFrame(
        {
            "client": rows["client"],
            "measure": rows["measure"].map(review.names),
            "visits": rows["n_visits"],
            "so_far": [
                with_unit(x, u, sign=True) for x, u in zip(rows["gain_so_far"], unit, strict=True)
            ],
            "further": [
                f"{with_unit(x, u, sign=True)} ({interval(lo, hi)})"
                for x, u, lo, hi in zip(
                    rows["further_gain"], unit, rows["ci_low"], rows["ci_high"], strict=True
                )
            ],
            "line": [
                chance(x) if x == x else "\N{EN DASH}" for x in rows["chance_at_line"].astype(float)
            ],
            "visits_to_line": [number(x, 0) for x in rows["visits_to_line_50"].astype(float)],
        }
    )
    return table(
        shown,
        {
            "client": "Client",
            "measure": "Measure",
            "visits": "Visits",
            "so_far": ("Gain so far", str),
            "further": ("Expected in 3 more visits (95%)", str),
            "line": ("Chance past the line then", str),
            "visits_to_line": ("Visits to an even chance", str),
        },
        caption=state.capitalize(),
    )
