"""What the notebook for a clinic's own data shows: proposal, questions, balance, ledger."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.measures import catalogue
from outcomes.records.caseload import Caseload
from outcomes.records.mapping.proposal import Proposal
from outcomes.records.write import write_atomically
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import number, percent

__all__ = ["balance", "columns", "ledger", "measures", "questions", "show_or_save"]

_NOTHING = Html('<p class="quiet">No mapping is named yet, so nothing was read.</p>')


def columns(proposal: Proposal) -> Html:
    """Show how each column was understood, and why."""
    return table(
        proposal.columns,
        {
            "column": "Column",
            "understood_as": "Understood as",
            "details": "Details",
            "why": "Because",
            "filled": ("Filled", percent),
        },
        caption=f"Columns of {proposal.sheet}" if proposal.sheet else "Columns",
    )


def questions(proposal: Proposal) -> Html:
    """List what must be settled by a person."""
    if not proposal.questions:
        return Html("<p>Nothing is open. Read the proposal all the same.</p>")
    items = "".join(f"<li>{escape(question)}</li>" for question in proposal.questions)
    return Html(f"<ol>{items}</ol>")


def show_or_save(proposal: Proposal, save_as: str) -> Html:
    """Show the text of the proposal, and save it where a file is named."""
    saved = ""
    if save_as:
        path = write_atomically(save_as, proposal.toml.encode())
        saved = f"<p>Saved as <strong>{escape(path.name)}</strong>.</p>"
    return Html(f"{saved}<pre>{escape(proposal.toml)}</pre>")


def balance(caseload: Caseload | None) -> Html:
    """Show rows in, used and set aside."""
    if caseload is None:
        return _NOTHING
    rows = caseload.balance
    return table(
        rows[rows["rows_in"] > 0],
        {c: c.replace("_", " ").capitalize() for c in rows.columns},
        caption="Rows: in = used + set aside",
    )


def ledger(caseload: Caseload | None) -> Html:
    """Count the entries of the ledger by rule."""
    if caseload is None:
        return _NOTHING
    counts = caseload.ledger.groupby(["action", "rule"]).size().rename("entries").reset_index()
    order = {"set aside": 0, "asked": 1, "changed": 2}
    counts = counts.sort_values(
        ["action", "entries"], key=lambda c: c.map(order) if c.name == "action" else -c
    )
    return table(
        counts,
        {"rule": "Rule", "action": "What was done", "entries": "Entries"},
        caption="The ledger by rule",
        empty="every row was used as it stands.",
    )


def measures(caseload: Caseload | None) -> Html:
    """Show each measure with its clients, readings and range, to be checked by eye."""
    if caseload is None:
        return _NOTHING
    grouped = caseload.measurements.groupby("measure")
    rows = grouped.agg(
        clients=("client", "nunique"),
        readings=("value", "size"),
        lowest=("value", "min"),
        median=("value", "median"),
        highest=("value", "max"),
        unit=("unit", "first"),
    ).reset_index()
    names = catalogue.measures()
    rows["name"] = [names[code].name if code in names else code for code in rows["measure"]]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "clients": "Clients",
            "readings": "Readings",
            "lowest": ("Lowest", number),
            "median": ("Median", number),
            "highest": ("Highest", number),
            "unit": "Unit",
        },
        caption="What came through",
    )
