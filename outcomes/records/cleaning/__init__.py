"""Cleaning: rules in a listed order, each of which asks a question or sets a row aside.

A rule is a small function from the records to a frame of findings (`findings`). It changes
nothing. `clean` applies the findings and writes every one of them to the ledger, so that rows in
= rows used + rows set aside. Nothing is imputed and nothing is merged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.records.caseload import Caseload
from outcomes.records.cleaning.changes import (
    active_mixed_with_passive,
    instrument_changed,
    rater_changed,
)
from outcomes.records.cleaning.drift import drifting_instrument
from outcomes.records.cleaning.findings import WHOLE
from outcomes.records.cleaning.forms import (
    answer_out_of_range,
    no_score,
    total_differs_from_items,
    unknown_item,
    unknown_questionnaire,
    with_totals,
)
from outcomes.records.cleaning.jumps import jump, swapped_sides
from outcomes.records.cleaning.people import (
    birth_year_unlikely,
    client_code_in_two_spellings,
    possible_same_person,
    same_person,
)
from outcomes.records.cleaning.raters import digit_preference
from outcomes.records.cleaning.readings import (
    after_without_before,
    near_duplicates,
    outside_the_soft_range,
    side_missing,
)
from outcomes.records.cleaning.records import Records
from outcomes.records.cleaning.visits import (
    follow_up_before_baseline,
    two_visits_on_one_day,
    visit_after_discharge,
    visit_out_of_order,
)
from outcomes.records.ledger import LedgerBook

__all__ = ["RULES", "clean", "possible_same_person"]

Rule = Callable[[Records], pd.DataFrame]

#: Rules on answers come first, one after another: scores are built on what they leave.
ANSWER_RULES: dict[str, Rule] = {
    "unknown questionnaire": unknown_questionnaire,
    "unknown item": unknown_item,
    "item answer out of range": answer_out_of_range,
}

#: Then the totals are added, and these rules ask about the records as they stand.
QUESTION_RULES: dict[str, Rule] = {
    "no score": no_score,
    "total differs from items": total_differs_from_items,
    "client code in two spellings": client_code_in_two_spellings,
    "birth year unlikely": birth_year_unlikely,
    "same person": same_person,
    "two visits on one day": two_visits_on_one_day,
    "visit out of order": visit_out_of_order,
    "follow-up before its baseline": follow_up_before_baseline,
    "visit after discharge": visit_after_discharge,
    "near duplicate": near_duplicates,
    "side missing": side_missing,
    "outside the soft range": outside_the_soft_range,
    "after without before": after_without_before,
    "instrument changed": instrument_changed,
    "rater changed": rater_changed,
    "active mixed with passive": active_mixed_with_passive,
    "jump": jump,
    "swapped sides": swapped_sides,
    "digit preference": digit_preference,
    "drifting instrument": drifting_instrument,
}

#: All rules by name, in the order in which they are applied.
RULES: dict[str, Rule] = {**ANSWER_RULES, **QUESTION_RULES}


def clean(caseload: Caseload) -> Caseload:
    """Apply every rule of `RULES` to a caseload that has just been read.

    Use it as the last step of reading. Doing it twice would ask the same questions twice.

    Parameters
    ----------
    caseload : Caseload
        With typed tables; visits, sides and units settled.

    Returns
    -------
    Caseload
        Answers that no item allows set aside, totals of scored forms added to the measurements
        (and counted as rows that their file gave), everything else as it was; the ledger holds
        one entry for every finding.

    Notes
    -----
    The rules and their order are listed in `RULES`; each says in its own docstring what it asks.

    Examples
    --------
    >>> clean(Caseload(tables={})).ledger.empty
    True
    """
    book = LedgerBook([caseload.ledger])
    for name, rule in ANSWER_RULES.items():
        caseload = _apply(caseload, name, rule(Records(caseload)), book)
    caseload = with_totals(Records(caseload))
    records = Records(caseload)
    for name, rule in QUESTION_RULES.items():
        caseload = _apply(caseload, name, rule(records), book)
    return caseload.with_tables(ledger=book.frame())


def _apply(caseload: Caseload, name: str, found: pd.DataFrame, book: LedgerBook) -> Caseload:
    """Write findings to the ledger, and take out the rows that are set aside."""
    if found.empty:
        return caseload
    for table, mine in found.groupby("table", sort=False):
        frame = caseload.tables[str(table)]
        whole = mine["position"] == WHOLE
        for reason, column in zip(mine["reason"][whole], mine["column"][whole], strict=True):
            file = str(frame["source_file"].iloc[0]) if len(frame) else ""
            book.remark(str(table), file, rule=name, reason=reason, column=column)
        for action, part in mine.loc[~whole].groupby("action", sort=False):
            rows = frame.iloc[part["position"].to_numpy()]
            entry = {
                label: pd.Series(part[source].array, index=rows.index)
                for label, source in (
                    ("reason", "reason"),
                    ("column", "column"),
                    ("old", "old_value"),
                )
            }
            book.write(str(table), rows, rule=name, action=str(action), **entry)
            if action == "set aside":
                kept = np.ones(len(frame), dtype=bool)
                kept[part["position"].to_numpy()] = False
                rest = frame.loc[kept].reset_index(drop=True)
                caseload = replace(caseload, tables={**caseload.tables, str(table): rest})
    return caseload
