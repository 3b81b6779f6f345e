"""Reporting checklists as forms: filled in where the records answer, a question where not."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import outcomes
from outcomes.records.caseload import Caseload
from outcomes.reporting.case_series.paper_table import Cell, Column, PaperTable
from outcomes.reporting.case_series.selection import Selection
from outcomes.reporting.case_series.treatment_table import OPEN
from outcomes.reporting.wording import plural
from outcomes.statistics.single_case.recorded_design import DRAWN, RecordedDesign
from outcomes.statistics.single_case.summary import MeasureSeries

__all__ = ["Checklist", "answers", "checklist_tables", "checklists"]


@dataclass(frozen=True)
class Checklist:
    """One checklist: file name, title, key of its publication, and its items."""

    name: str
    title: str
    key: str
    items: tuple[tuple[str, str, str, str], ...]


@lru_cache
def checklists() -> tuple[Checklist, ...]:
    """Read the checklists."""
    text = files("outcomes.reporting.case_series").joinpath("checklists.toml").read_text("utf-8")
    return tuple(
        Checklist(name, body["title"], body["key"], tuple(tuple(i) for i in body["items"]))
        for name, body in tomllib.loads(text).items()
    )


def answers(
    selection: Selection, found: list[MeasureSeries], design: RecordedDesign | None = None
) -> dict[str, str]:
    """Say what the records answer, by key of the items."""
    caseload = selection.caseload
    n = len(selection.key)
    flow = "; ".join(
        f"{reason} {count}"
        for reason, count in zip(selection.flow["reason"], selection.flow["count"], strict=True)
    )
    phased = [one for one in found if one.n_phased]
    instruments = sorted(
        {str(v) for one in found for v in one.values["instrument"].dropna() if str(v)}
    )
    most = max((one.n_phased for one in found), default=0)
    return {
        "people": f"Table 1 ({plural(n, 'client')}).",
        "timeline": "Figure 1 (course of each client), Table 1 (visits and weeks of care).",
        "measures": "Table 2 (error and important change with sources).",
        "treatment": "Table 5, with its open points.",
        "outcomes": "Tables 3 and 4, Figures 2 and 3.",
        "limits": "Last sentence of the results paragraph; " + OPEN + "Add the series' own limits.",
        "consent": f"Consent to an anonymised case report is recorded for all {n} clients "
        f"included. {OPEN}Which approval was needed where you work?",
        "phases": f"Methods paragraph. Phases compared for {plural(len(phased), 'measure')}; "
        f"{OPEN}How was the length of the phases decided?",
        "replication": f"The change of phase is seen in up to {plural(most, 'client')}."
        if most
        else "Phases are not compared: baselines are too short.",
        "randomisation": "No draw is recorded; no randomisation test was made."
        if design is None
        else f"Drawn at random: {DRAWN[design.drawn]} (methods paragraph; test in Table 4). "
        f"{OPEN}Who drew, how, and was it concealed?",
        "masking": "Masked figures for independent visual analysis are in masked/; the key is "
        "apart. " + OPEN + "Who judged them?",
        "flow": flow.capitalize() + ".",
        "places": f"{plural(caseload.clients['clinic'].nunique(), 'site')}. {OPEN}What kind?",
        "instruments": ("Recorded: " + ", ".join(instruments) + ".") if instruments else OPEN,
        "adherence": "Table 5, items 11 and 12.",
        "analyses": f"Methods paragraph; computed with outcomes {outcomes.__version__}; "
        "manifest.json holds versions, seed and hashes.",
        "raw": "Figure 1 shows every reading; data/ holds them.",
        "events": _events(caseload),
        "bands": "Ages in ten years, symptoms in three bands; outcomes are not grouped.",
        "supplement": "tables/single_case_indices.csv: every index of every client.",
        "table5": "Table 5.",
        "": "",
    }


def checklist_tables(
    selection: Selection, found: list[MeasureSeries], design: RecordedDesign | None = None
) -> dict[str, PaperTable]:
    """Build each checklist as a table: item, topic, question, answer or space for it."""
    known = answers(selection, found, design)
    out = {}
    for number, one in enumerate(checklists(), start=1):
        rows = tuple(
            {
                "number": Cell(item),
                "topic": Cell(topic),
                "question": Cell(question),
                "answer": Cell(known[fill] or OPEN.strip()),
            }
            for item, topic, question, fill in one.items
        )
        out[one.name] = PaperTable(
            f"C{number}",
            f"{one.title} (topics in our own words; compare with the published list)",
            (
                Column("number", "Item"),
                Column("topic", "Topic"),
                Column("question", "Question"),
                Column("answer", "Where it is answered"),
            ),
            rows,
        )
    return out


def _events(caseload: Caseload) -> str:
    events = caseload.events
    if events.empty:
        return OPEN + "None recorded. Were clients asked?"
    kinds = events["event"].astype(str).value_counts()
    return "; ".join(f"{kind} {n}" for kind, n in kinds.items()) + "."
