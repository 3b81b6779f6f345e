"""The documents: manuscript with tables and figures, checklists, and what to read first."""

from __future__ import annotations

import pandas as pd

from outcomes.reporting.case_series.drafting import Paragraph
from outcomes.reporting.case_series.figure_style import PaperFigure
from outcomes.reporting.case_series.paper_table import PaperTable
from outcomes.reporting.case_series.references import METHODS
from outcomes.reporting.case_series.selection import Selection
from outcomes.reporting.case_series.word import Document

__all__ = ["CAUTION", "checklist_document", "manuscript", "read_first"]

CAUTION = (
    "These are measurements, not a diagnosis or advice. Worsening numbness, weakness, arm swelling "
    "or colour change, dizziness, trouble with speech, vision, swallowing or gait, or other signs "
    "of serious disease need prompt medical referral. Scope of practice, consent, referral and "
    "publication follow local law and professional codes."
)

_SHARES = {
    "1": (),
    "2": (0.2, 0.11, 0.23, 0.08, 0.08, 0.09, 0.08, 0.09),
    "3": (0.08, 0.12, 0.08, 0.08, 0.13, 0.25, 0.2, 0.22),
    "4": (0.4, 0.1, 0.26, 0.1, 0.14),
    "5": (0.07, 0.2, 0.73),
}


def manuscript(
    tables: dict[str, PaperTable],
    figures: list[tuple[PaperFigure, bytes]],
    *,
    methods: Paragraph,
    results: Paragraph,
    keys: list[str],
) -> bytes:
    """Write the manuscript's draft: paragraphs, tables, figures with captions, references."""
    document = Document("Case series: draft of methods, results, tables and figures")
    document.text(
        "Drafted from the clinic's records. Every number stands in a table or in numbers.csv; "
        "square brackets mark what an author has to add.",
        italic=True,
    )
    document.heading("Methods")
    for part in methods.parts:
        document.text(part)
    document.heading("Results")
    for part in results.parts:
        document.text(part)
    document.heading("References for the methods")
    document.text("Recalled; check before submission.", small=True, italic=True)
    for key in keys:
        document.text(_reference(key), small=True)
    document.text(CAUTION, small=True, italic=True)
    document.landscape()
    document.heading("Tables")
    for table in tables.values():
        shares = _SHARES.get(table.number, ())
        document.table(table, widths=shares[: len(table.columns)])
    document.landscape(False)
    document.heading("Figures")
    for figure, png in figures:
        document.figure(png, caption=figure.caption, alt=figure.alt, millimetres=164)
    return document.to_bytes()


def checklist_document(forms: dict[str, PaperTable]) -> bytes:
    """Write all checklists into one document."""
    document = Document("Reporting checklists")
    document.text(
        "Filled in where the records answer; the rest is a question for the author. Topics are in "
        "our own words: compare with the published lists before submission.",
        italic=True,
    )
    for table in forms.values():
        document.table(table, widths=(0.07, 0.18, 0.36, 0.39))
    return document.to_bytes()


def read_first(selection: Selection, combinations: pd.DataFrame) -> str:
    """Say what is in the folder, who was left out, and who might be recognised."""
    lines = [
        "READ FIRST - not for submission",
        "",
        "Clients",
        *(
            f"  {reason}: {count}"
            for reason, count in zip(selection.flow["reason"], selection.flow["count"], strict=True)
        ),
        "",
        "Who might be recognised",
        "  Each line names facts that, taken together, fewer than 3 clients of the whole caseload",
        "  share. A reader who knows the place may know the person. Widen a band, drop a column of",
        "  Table 1, or leave the client out; then ask the client again, showing the draft.",
    ]
    if combinations.empty:
        lines.append("  None found among the facts of Table 1. Readers may know other facts.")
    for row in combinations.to_dict("records"):
        lines.append(f"  {row['label']}: {row['facts']} (shared by {row['n_sharing']})")
    lines += [
        "",
        "What is here",
        "  manuscript.docx   methods, results, tables, figures, references",
        "  numbers.csv       the cell behind every number of the two paragraphs",
        "  tables/           each table as CSV (with exact values), HTML and LaTeX; every index",
        "  figures/          one and two columns wide, PDF, SVG, PNG and TIFF; captions.csv",
        "  masked/           series without names and phases for independent analysts, and a form",
        "  checklists/       CARE 2013, SCRIBE 2016, STROBE 2007, TIDieR 2014",
        "  data/             anonymised tables with their dictionary (datapackage.json)",
        "  references.bib    methods and thresholds; recalled, to be checked",
        "  manifest.json     versions, seed, hashes, the command",
        "  The keys (client codes, masked order) are in a folder beside this one. Keep it apart.",
        "",
        CAUTION,
    ]
    return "\n".join(lines) + "\n"


def _reference(key: str) -> str:
    kind, entry = METHODS[key]
    author = entry["author"].replace(" and others", " et al.").replace(" and ", "; ")
    title = entry["title"].replace("{", "").replace("}", "").replace("--", "\N{EN DASH}")
    if kind == "book":
        return f"{author} ({entry['year']}). {title}. {entry['publisher']}."
    pages = entry["pages"].replace("--", "\N{EN DASH}")
    return f"{author} ({entry['year']}). {title}. {entry['journal']}, {entry['volume']}: {pages}."
