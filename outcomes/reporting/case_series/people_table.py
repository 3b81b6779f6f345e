"""Table 1: who the clients are, in facts that do not name them."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from outcomes.reporting.case_series.formats import DASH, count, value_cell
from outcomes.reporting.case_series.paper_table import Cell, Column, PaperTable
from outcomes.reporting.case_series.selection import Selection

__all__ = ["people_frame", "people_table"]

_WORDS = ("age_band", "sex", "complaint", "affected_side", "onset_band", "clinic")
_HEADINGS = {
    "age_band": "Age (years)",
    "sex": "Sex",
    "complaint": "Complaint",
    "affected_side": "Affected side",
    "onset_band": "Symptoms before start (weeks)",
    "clinic": "Site",
}


def people_frame(selection: Selection, *, facts: Iterable[str] = _WORDS) -> pd.DataFrame:
    """Describe the clients: label, the facts wanted, n_visits, weeks_of_care."""
    wanted = [word for word in _WORDS if word in set(facts)]
    key = selection.key.set_index("client")["label"]
    people = selection.everyone.assign(label=selection.everyone["client"].astype(str).map(key))
    people = people.dropna(subset=["label"]).set_index("label")
    places = selection.caseload.clients.set_index("client")["clinic"]
    people["clinic"] = places.reindex(people.index)
    visits = selection.caseload.visits.groupby("client")["date"]
    span = (visits.max() - visits.min()).dt.days / 7
    frame = people[wanted].assign(n_visits=visits.size(), weeks_of_care=span)
    return frame.sort_index().rename_axis("client").reset_index()


def people_table(selection: Selection, *, facts: Iterable[str] = _WORDS) -> PaperTable:
    """Build Table 1 of the facts wanted; columns that no client has are left out."""
    frame = people_frame(selection, facts=facts)
    words = [
        c
        for c in _WORDS
        if c in frame.columns and frame[c].notna().any() and (frame[c].astype("str") != "").any()
    ]
    if "clinic" in words and frame["clinic"].nunique() < 2:
        words.remove("clinic")
    columns = (
        Column("client", "Client"),
        *(Column(name, _HEADINGS[name]) for name in words),
        Column("n_visits", "Visits", numeric=True),
        Column("weeks_of_care", "Weeks of care", numeric=True),
    )
    rows = tuple(
        {
            "client": Cell(str(row["client"])),
            **{name: Cell(_word(row[name])) for name in words},
            "n_visits": count(row["n_visits"]),
            "weeks_of_care": value_cell(row["weeks_of_care"], 1),
        }
        for row in frame.to_dict("records")
    )
    notes = ["Ages and times are given in bands so that clients are harder to recognise."]
    if "clinic" in words:
        notes.append("Site: letters in place of names.")
    return PaperTable("1", "Clients in the case series", columns, rows, notes=tuple(notes))


def _word(value: object) -> str:
    missing = value is None or value is pd.NA or value != value
    return DASH if missing or not str(value) else str(value)
