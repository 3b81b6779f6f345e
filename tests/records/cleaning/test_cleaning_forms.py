"""Answers are checked, forms are scored, and typed totals are held against their items."""

import pandas as pd
import pytest

from outcomes.records.cleaning import RULES, clean
from outcomes.records.cleaning.records import Records
from outcomes.records.ledger import balance_faults


def form(answers, *, code="ndi", **cells):
    return [
        {"questionnaire": code, "item": i, "answer": a} | cells
        for i, a in enumerate(answers, start=1)
    ]


def typed(value, *, code="ndi", unit="percent", **cells):
    return {"measure": code, "side": "midline", "mode": None, "rater": None, "unit": unit,
            "instrument": "paper", "value": float(value)} | cells  # fmt: skip


def test_forms_become_totals(caseload_of):
    caseload = caseload_of(
        answers=[*form([3] * 10), *form([2] * 11, code="quickdash", visit=2, client="C2")]
    )
    cleaned = clean(caseload)
    rows = cleaned.measurements.sort_values("measure", ignore_index=True)
    assert rows["measure"].tolist() == ["ndi", "quickdash"]
    assert rows["value"].tolist() == [60.0, 25.0]
    assert rows["unit"].tolist() == ["percent", "points"]
    assert rows["instrument"].tolist() == ["items", "items"]
    assert rows["moment"].tolist() == ["before", "before"]
    assert rows["side"].tolist() == ["midline", "midline"]
    assert rows["trial"].tolist() == [1, 1]
    assert rows["date"].tolist() == [pd.Timestamp("2026-01-05"), pd.Timestamp("2026-01-12")]
    assert rows["source_row"].tolist() == [2, 12]
    assert rows["mode"].isna().all()
    assert rows.dtypes.equals(caseload.measurements.dtypes)
    assert cleaned.ledger.empty
    assert balance_faults(cleaned.balance) == []


def test_scoring_twice_adds_nothing(caseload_of):
    once = clean(caseload_of(answers=form([3] * 10)))
    assert len(clean(once).measurements) == 1


def test_a_typed_total_stays_and_later_forms_join_it(caseload_of):
    caseload = caseload_of(
        [typed(60, visit=1)], answers=[*form([3] * 10), *form([2] * 10, visit=2)]
    )
    rows = clean(caseload).measurements
    assert rows["value"].tolist() == [60.0, 40.0]
    assert rows["instrument"].tolist() == ["paper", "paper"]


@pytest.mark.parametrize(
    ("total", "answers", "reason"),
    [
        (60, [3] * 10, None),
        (60.5, [3] * 10, None),  # rounding
        (62, [3] * 10, "give another total"),
        (30, [3] * 10, "as: points of 50"),
        (70, [3] * 9 + [None], None),  # not complete: not compared
    ],
)
def test_typed_totals_are_compared(caseload_of, total, answers, reason):
    caseload = caseload_of([typed(total)], answers=form(answers))
    found = RULES["total differs from items"](Records(caseload))
    assert len(found) == (reason is not None)
    if reason:
        assert reason in found["reason"].iloc[0]
        assert found["position"].tolist() == [0]


def test_answers_that_no_item_allows_are_set_aside(caseload_of):
    answers = form([3] * 10)
    answers[4]["answer"] = 7.0
    answers.append({"questionnaire": "ndi", "item": 11, "answer": 1.0})
    answers.append({"questionnaire": "no_such_form", "item": 1, "answer": 1.0})
    answers.append({"questionnaire": None, "item": 1, "answer": 1.0})
    cleaned = clean(caseload_of(answers=answers))
    ledger = cleaned.ledger.set_index("source_row")
    assert ledger.loc[6, "rule"] == "item answer out of range"
    assert ledger.loc[12, "rule"] == "unknown item"
    assert ledger.loc[13, "rule"] == ledger.loc[14, "rule"] == "unknown questionnaire"
    assert set(ledger["action"]) == {"set aside"}
    assert cleaned.measurements["value"].tolist() == [60.0]  # nine answers, prorated
    assert len(cleaned.answers) == 9
    assert balance_faults(cleaned.balance) == []


def test_too_many_blanks_are_asked_about(caseload_of):
    cleaned = clean(caseload_of(answers=form([3] * 7 + [None] * 3)))
    assert cleaned.measurements.empty
    entry = cleaned.ledger.iloc[0]
    assert (entry["rule"], entry["action"], entry["source_row"]) == ("no score", "asked", 2)
    assert entry["reason"] == "no score: 7 of 10 items answered, 8 needed"


def test_forms_without_item_scoring_are_kept(caseload_of):
    cleaned = clean(caseload_of(answers=form([3] * 15, code="uefi15")))
    assert len(cleaned.answers) == 15
    assert cleaned.measurements.empty
    assert cleaned.ledger.empty


def test_own_words_of_a_client_never_reach_the_ledger(caseload_of):
    secret = "Grandmother's harp"
    answers = [{"questionnaire": secret, "item": 1, "answer": 1.0}, *form([3] * 7)]
    ledger = clean(caseload_of(answers=answers)).ledger
    assert secret not in ledger.to_csv()
