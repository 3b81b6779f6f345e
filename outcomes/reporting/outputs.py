"""What a review leaves behind besides the page: the workbook, its tables, and a summary."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from outcomes.records.write import write_atomically
from outcomes.reporting import sentences
from outcomes.reporting.workbook import Sheet, workbook
from outcomes.statistics.review import QuarterReview

__all__ = ["save_review", "summary_lines"]

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
    book = f"review_{review.quarter}.xlsx"
    write_atomically(folder / book, workbook(_sheets(review)))
    told = {
        "quarter": review.quarter,
        "title": f"Outcomes review {review.quarter}",
        "workbook": book,
        "lines": summary_lines(review),
    }
    write_atomically(folder / "summary.json", json.dumps(told, indent=1).encode())
    return [book, "summary.json"]


def summary_lines(review: QuarterReview) -> list[str]:
    """Sum up a review in at most ten lines of text."""
    lead, support = sentences.are_clients_better(review)
    attention, _ = sentences.who_needs_attention(review)
    trust, rows = sentences.can_the_data_be_trusted(review)
    return [
        f"Outcomes review {review.quarter}: {review.n_eligible:,} episodes seen, "
        f"{len(review.measures)} measures.",
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
