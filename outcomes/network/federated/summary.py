"""What a clinic sends in place of rows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_count
from outcomes.network.federated.occasions import design_cells, occasion_values
from outcomes.network.federated.schema import SUMMARY_VERSION
from outcomes.network.tally import moments
from outcomes.records import Caseload
from outcomes.records.small_counts import hide_small_counts
from outcomes.records.write import write_atomically
from outcomes.statistics.individual_change import VERDICTS, count_verdicts
from outcomes.statistics.review import MeasureReview, review_quarter

__all__ = ["REVEALS", "summarise", "write_summary"]

UNKNOWN = VERDICTS[-1]
#: What a file reveals; it stands in every file, for those who decide whether to send it.
REVEALS = (
    "It holds no client code, no date, no single reading, and nothing about practitioners.",
    "Every group of clients that is summed has at least as many clients as the minimum.",
    "Counts from one to the minimum less one are hidden, and so are counts that would give one "
    "of them away together with the totals. Shown in any case is how many clients could not be "
    "judged for want of a known measurement error, which says nothing about a client.",
    "Means and sums of products of a group are exact. Someone who knows the readings of all but "
    "one client of a group can work out the last one's.",
    "Two files on overlapping clients can be subtracted. Send one file per clinic and quarter, and "
    "do not send a second one with a few clients more or fewer.",
    "The size of the clinic, its clients' mean course and how widely they differ can be read off.",
)


def summarise(
    caseload: Caseload,
    *,
    clinic: str,
    quarter: str = "latest",
    measures: Sequence[str] | None = None,
    minimum: int = 10,
) -> dict[str, Any]:
    """Sum up a clinic's quarter so that no row needs to leave the clinic.

    Use where rows may not be shared. Do not use for a store within one organisation: the review of
    a store knows every visit.

    Parameters
    ----------
    caseload : Caseload
        The clinic's checked records.
    clinic : str
        Code that the network knows the clinic by.
    quarter : str
        As ``"2026Q2"``, latest or all.
    measures : sequence of str, optional
        Codes to send; all when left out.
    minimum : int
        Fewest clients in any group that is summed; at least 5.

    Returns
    -------
    dict
        What `write_summary` writes; described by `SUMMARY_SCHEMA`.

    Raises
    ------
    DataError
        If no measure has as many clients as the minimum: then nothing can be sent.

    Notes
    -----
    Measures that the clinic declares itself are left out: a code of one's own says nothing to
    others, and may stand for something else there. Verdicts by cut-off are counted. The model's
    verdicts need the network's model, and are not in the file. The model itself rests on readings
    at four occasions (see `occasions`).
    """
    check_count("minimum", minimum, least=5, remedy="Give 10")
    if not clinic.strip():
        raise DataError("clinic must be named by the code that the network knows. Give --clinic.")
    review = review_quarter(caseload, quarter=quarter, measures=measures)
    found, left_out = {}, [str(code) for code in review.left_out["measure"]]
    for m in review.measures:
        if m.measure.code in caseload.own_measures:
            left_out.append(m.measure.code)
            continue
        enough = len(m.judged) >= minimum and _differ(m.judged)
        cells = _cells(m, minimum) if enough else []
        if cells:
            found[m.measure.code] = _measure(m, cells, minimum)
        else:
            left_out.append(m.measure.code)
    if not found:
        raise DataError(
            f"a summary must rest on at least {minimum} clients in a measure; no measure in "
            f"{review.quarter} has them. Choose a longer period; nothing was written."
        )
    return {
        "format": "outcomes clinic summary",
        "schema_version": SUMMARY_VERSION,
        "clinic": clinic.strip(),
        "quarter": review.quarter,
        "minimum": minimum,
        "reveals": list(REVEALS),
        "left_out": sorted(left_out),
        "measures": found,
    }


def write_summary(summary: dict[str, Any], path: str | Path) -> Path:
    """Write a summary as JSON, one number a line, for people to read before it is sent."""
    text = json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    return write_atomically(path, text.encode())


def _cells(m: MeasureReview, minimum: int) -> list[dict[str, Any]]:
    """Sum the quarter's episodes at the occasions, per design cell."""
    episode = ["client", "episode"]
    values = m.values.merge(m.judged[episode], on=episode)
    return design_cells(occasion_values(values), minimum=minimum)[0]


def _differ(judged: pd.DataFrame) -> bool:
    """Tell whether clients differ: a mean of equal values would be everybody's value."""
    return all(np.ptp(judged[c].to_numpy(float)) > 0 for c in ("start_value", "latest_value"))


def _measure(m: MeasureReview, cells: list[dict[str, Any]], minimum: int) -> dict[str, Any]:
    both = m.judged[["start_value", "latest_value"]].to_numpy(float)
    flow = m.flow
    missing = {
        "total": flow["eligible"] - flow["analysed"],
        "not_measured": flow["eligible"] - flow["measured_at_start"],
        "measured_once": flow["measured_at_start"] - flow["measured_again"],
        "not_comparable": flow["measured_again"] - flow["analysed"],
    }
    verdicts = count_verdicts(m.judged).set_index("verdict")["count"].to_dict()
    return {
        "unit": m.measure.unit,
        "better": m.measure.better,
        "error": None if m.error is None else float(m.error.value),
        "important": None if m.importance is None else float(m.importance.value),
        "flow": {"analysed": flow["analysed"], **_hidden(missing, minimum)},
        "change": moments(m.measure.sign * both),
        "verdicts": _hidden({"total": len(m.judged), **verdicts}, minimum, total_known=True),
        "cells": cells,
    }


def _hidden(
    counts: dict[str, int], minimum: int, *, total_known: bool = False
) -> dict[str, int | None]:
    """Hide small counts of a list, and those that with its total would give them back."""
    table = pd.DataFrame([counts])
    if total_known:
        inner = [name for name in counts if name not in ("total", UNKNOWN)]
        safe = hide_small_counts(table[inner], below=minimum, counts=inner, totals_known=True)
        safe = safe.assign(**{name: table[name] for name in ("total", UNKNOWN)})
    else:
        safe = hide_small_counts(table, below=minimum, counts=list(counts))
    row = safe.astype(object).iloc[0]
    return {name: None if row[name] is pd.NA else int(row[name]) for name in counts}
