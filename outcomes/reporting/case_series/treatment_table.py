"""Table 5: what was done, in the order in which treatment descriptions are asked for.

Topics follow TIDieR (Hoffmann et al. 2014, BMJ 348:g1687), in our own words. What the records
hold is filled in; the rest is a question in square brackets for the author.
"""

from __future__ import annotations

import pandas as pd

from outcomes.records.caseload import Caseload
from outcomes.reporting.case_series.paper_table import Cell, Column, PaperTable
from outcomes.reporting.wording import number, percent, plural

__all__ = ["OPEN", "treatment_table"]

OPEN = "[to be completed] "


def treatment_table(caseload: Caseload) -> PaperTable:
    """Build the table of the treatment."""
    visits, treatments, diary = caseload.visits, caseload.treatments, caseload.home_exercise
    lines = [
        ("1", "Name", OPEN + "What is the treatment called in one line?"),
        ("2", "Why", OPEN + "What is it meant to change, and why should it?"),
        ("3", "Materials", _materials(diary)),
        ("4", "Procedures", _procedures(treatments)),
        ("5", "Who gave it", _people(visits)),
        ("6", "How", OPEN + "Face to face or at a distance, alone or in a group?"),
        ("7", "Where", _places(caseload.clients)),
        ("8", "When and how much", _amount(visits, treatments, diary)),
        ("9", "Tailoring", _tailoring(treatments)),
        ("10", "Changes on the way", OPEN + "Was the plan changed during the series? How, why?"),
        ("11", "Adherence, planned", OPEN + "How was it to be checked that the plan was kept?"),
        ("12", "Adherence, seen", _adherence(visits, diary)),
    ]
    return PaperTable(
        "5",
        "Description of the treatment, in the order of TIDieR",
        (Column("number", "Item"), Column("topic", "Topic"), Column("text", "Description")),
        tuple({"number": Cell(a), "topic": Cell(b), "text": Cell(c)} for a, b, c in lines),
        notes=(
            "Filled in from the clinic's records of treatments, visits and home exercise; square "
            "brackets mark what the records do not hold.",
        ),
    )


def _materials(diary: pd.DataFrame) -> str:
    if diary.empty:
        return OPEN + "Which hand-outs, tools or tables were used?"
    names = diary["exercise"].value_counts().index.astype(str).tolist()
    return (
        f"Home exercise diary with {plural(len(names), 'exercise')}: {_listed(names)}. "
        f"{OPEN}Which hand-outs and tools?"
    )


def _procedures(treatments: pd.DataFrame) -> str:
    if treatments.empty:
        return OPEN + "What was done, step by step?"
    clients = treatments.groupby("technique")["client"].nunique().sort_values(ascending=False)
    parts = []
    for technique, n in clients.items():
        rows = treatments[treatments["technique"] == technique]
        regions = rows["region"].dropna().astype(str).value_counts().index.tolist()
        where = f" ({_listed(regions)})" if regions else ""
        parts.append(f"{technique}{where}, {plural(int(n), 'client')}")
    return "; ".join(parts) + f". {OPEN}How is each done?"


def _people(visits: pd.DataFrame) -> str:
    people = visits["practitioner"].dropna().nunique()
    if not people:
        return OPEN + "Who treated: training, experience?"
    return f"{plural(int(people), 'practitioner')}. {OPEN}Training and experience?"


def _places(clients: pd.DataFrame) -> str:
    places = clients["clinic"].dropna().nunique()
    if not places:
        return OPEN + "What kind of place?"
    return f"{plural(int(places), 'site')}. {OPEN}What kind of place, with what equipment?"


def _amount(visits: pd.DataFrame, treatments: pd.DataFrame, diary: pd.DataFrame) -> str:
    sizes = visits.groupby("client").size()
    weeks = visits.groupby("client")["date"].agg(lambda d: (d.max() - d.min()).days / 7)
    text = f"Visits: {_spread(sizes)}. Weeks from first to last visit: {_spread(weeks)}."
    if len(treatments) and treatments["dose"].notna().any():
        doses = treatments.dropna(subset=["dose"])
        per_visit = doses.groupby(["client", "visit", "dose_unit"], dropna=False)["dose"].sum()
        for unit, values in per_visit.groupby("dose_unit"):
            text += f" {str(unit).capitalize()} of treatment a visit: {_spread(values)}."
    if len(diary) and diary["prescribed"].notna().any():
        asked = diary.groupby(["client", "date"])["prescribed"].sum()
        text += f" Home exercise asked for on a diary day: {_spread(asked)} (sets or minutes)."
    return text


def _tailoring(treatments: pd.DataFrame) -> str:
    if treatments.empty:
        return OPEN + "What was adapted to the client, by which rule?"
    kinds = treatments.groupby("client")["technique"].nunique()
    return f"Techniques a client: {_spread(kinds)}. {OPEN}Adapted by which rule?"


def _adherence(visits: pd.DataFrame, diary: pd.DataFrame) -> str:
    parts = []
    if len(diary):
        known = diary.dropna(subset=["prescribed", "done"])
        asked = known.groupby("client")["prescribed"].sum()
        done = known.groupby("client")["done"].sum()
        share = (done / asked)[asked > 0]
        if len(share):
            middle = percent(float(share.median()))
            ends = f"{percent(float(share.min()))} to {percent(float(share.max()))}"
            parts.append(
                f"Home exercise done of that asked for, by diary ({plural(len(share), 'client')}): "
                f"median {middle}, range {ends}."
            )
    reasons = visits["end_reason"].dropna().astype(str).value_counts()
    if len(reasons):
        parts.append("End of care: " + "; ".join(f"{r} {n}" for r, n in reasons.items()) + ".")
    return " ".join(parts) if parts else OPEN + "Was the plan kept, and how is that known?"


def _spread(values: pd.Series) -> str:
    middle, low, high = (float(x) for x in (values.median(), values.min(), values.max()))
    if low == high:
        return number(middle, 0 if middle == int(middle) else 1)
    write = [number(x, 0 if x == int(x) else 1) for x in (middle, low, high)]
    return f"median {write[0]}, range {write[1]} to {write[2]}"


def _listed(words: list[str], most: int = 8) -> str:
    shown = ", ".join(words[:most])
    return shown + (f" and {len(words) - most} more" if len(words) > most else "")
