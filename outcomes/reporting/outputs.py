"""What a review leaves behind besides the page: the workbook, its tables, and a summary."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.records.write import write_atomically
from outcomes.reporting import sentences
from outcomes.reporting.archive import write_tables
from outcomes.reporting.wording import plural
from outcomes.reporting.workbook import Sheet, workbook
from outcomes.statistics.review import QuarterReview

__all__ = ["result_tables", "save_review", "summary_lines"]

_CLIENT_COLUMNS = [
    "client",
    "episode",
    "clinic",
    "measure",
    "side",
    "mode",
    "instrument",
    "unit",
    "start_date",
    "latest_date",
    "n_visits",
    "start_value",
    "latest_value",
    "improvement",
    "minimal_detectable_change",
    "minimal_important_change",
    "detectable",
    "important",
    "worsened",
    "chance_improved",
    "chance_important",
    "chance_worse",
    "verdict",
]


def save_review(review: QuarterReview, out: str | Path) -> list[str]:
    """Write workbook, tables and summary of a review into a folder; nothing where `out` is empty.

    Returns
    -------
    list of str
        Names of the files written.
    """
    if not str(out):
        return []
    folder = Path(out)
    title = f"Outcomes review, {sentences.period(review)}"
    book = folder / f"review_{review.quarter}.xlsx"
    write_atomically(book, workbook(_sheets(review)))
    tables = write_tables(result_tables(review), folder / "tables", title=title)
    files = [path.relative_to(folder).as_posix() for path in (book, *tables)]
    told = {
        "quarter": review.quarter,
        "title": title,
        "workbook": book.name,
        "lines": summary_lines(review),
        "files": files,
        "thresholds": _thresholds(review),
        "rows": review.caseload.balance.to_dict("records"),
    }
    write_atomically(folder / "summary.json", (json.dumps(told, indent=1) + "\n").encode())
    return [*files, "summary.json"]


def result_tables(review: QuarterReview) -> dict[str, pd.DataFrame]:
    """Give every table of numbers behind a review, at full precision, by name."""
    courses = [
        m.course.line.assign(measure=m.measure.code, method=m.course.shape)
        for m in review.measures
        if m.course is not None
    ]
    fixed = [
        m.course.fit.fixed.assign(measure=m.measure.code)
        for m in review.measures
        if m.course is not None
    ]
    standardised = [m.standardised.assign(measure=m.measure.code) for m in review.measures]
    tables = {
        "measures": review.summary,
        "shares": review.shares,
        "standardised": pd.concat(standardised, ignore_index=True),
        "clients": review.clients,
        "ledger": review.caseload.ledger,
    }
    if courses:
        tables["course"] = pd.concat(courses, ignore_index=True)
        tables["course_model"] = pd.concat(fixed, ignore_index=True)
    return tables


def _thresholds(review: QuarterReview) -> list[dict[str, Any]]:
    used = [t for m in review.measures for t in (m.error, m.importance) if t is not None]
    return [asdict(threshold) for threshold in used]


def summary_lines(review: QuarterReview) -> list[str]:
    """Sum up a review in at most ten lines of text."""
    lead, support = sentences.are_clients_better(review)
    attention, _ = sentences.who_needs_attention(review)
    trust, rows = sentences.can_the_data_be_trusted(review)
    return [
        f"Outcomes review, {sentences.period(review)}: {plural(review.n_eligible, 'episode')} "
        f"seen, {plural(len(review.measures), 'measure')}.",
        f"Are clients better? {lead} {support}",
        f"Who needs attention? {attention}",
        f"Can the data be trusted? {trust} {rows}",
    ]


def _sheets(review: QuarterReview) -> list[Sheet]:
    clients = review.clients
    clients = clients[[c for c in _CLIENT_COLUMNS if c in clients]]
    words = pd.DataFrame({"text": [*summary_lines(review), *sentences.LIMITS, *sentences.SAFETY]})
    return [
        Sheet("Summary", words, f"Quarter {review.quarter} in words."),
        Sheet("Measures", review.summary, "One row per measure."),
        Sheet("Clients", clients, "One row per client, episode and measure; declines first."),
        Sheet("Ledger", review.caseload.ledger, "One row per change to a row of the source."),
    ]
