"""Rules about questionnaires: items, scores, and totals typed in by hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import get, measures
from outcomes.measures.questionnaires import (
    answer_faults,
    score,
    scored_codes,
    variants,
)
from outcomes.records.caseload import Caseload, Source, empty_table
from outcomes.records.cleaning.findings import findings, none_found
from outcomes.records.cleaning.records import Records

__all__ = [
    "ITEMS",
    "answer_out_of_range",
    "no_score",
    "total_differs_from_items",
    "unknown_item",
    "unknown_questionnaire",
    "with_totals",
]

#: Instrument of a total that was computed from its items.
ITEMS = "items"
_FORM = ["client", "episode", "visit"]


def unknown_questionnaire(records: Records) -> pd.DataFrame:
    """Set aside answers to forms that the catalogue does not have."""
    answers = records.caseload.answers
    names = answers["questionnaire"]
    known = names.isin(_questionnaires()).to_numpy()
    rows = np.flatnonzero(~known)
    reason = "the catalogue has no questionnaire of this code"
    return findings("answers", rows, reason, action="set aside", column="questionnaire")


def unknown_item(records: Records) -> pd.DataFrame:
    """Set aside answers to items that the form does not have."""
    rows, _ = _item_faults(records.caseload.answers)
    answers = records.caseload.answers
    old = answers["item"].iloc[rows].astype("str").to_numpy(dtype=object)
    reason = "the form has no item of this number"
    return findings("answers", rows, reason, action="set aside", column="item", old=old)


def answer_out_of_range(records: Records) -> pd.DataFrame:
    """Set aside answers that their item does not allow; the item counts as left blank."""
    answers = records.caseload.answers
    _, rows = _item_faults(answers)
    old = [f"{answer:g}" for answer in answers["answer"].iloc[rows]]
    reason = "the item does not have this answer; it counts as left blank"
    return findings("answers", rows, reason, action="set aside", column="answer", old=old)


def no_score(records: Records) -> pd.DataFrame:
    """Ask about forms with too many blanks for a score, by the rule of their questionnaire."""
    answers, forms = records.caseload.answers, records.forms
    missing = forms.loc[forms["reason"] != "", [*_FORM, "measure", "reason"]]
    if missing.empty:
        return none_found("answers")
    keys = answers[[*_FORM, "questionnaire"]].assign(position=np.arange(len(answers)))
    first = keys.drop_duplicates([*_FORM, "questionnaire"])
    found = missing.rename(columns={"measure": "questionnaire"}).merge(
        first, on=[*_FORM, "questionnaire"]
    )
    reasons = ("no score: " + found["reason"]).to_numpy(dtype=object)
    return findings("answers", found["position"], reasons, column="answer")


def total_differs_from_items(records: Records) -> pd.DataFrame:
    """Ask about totals typed in by hand that the items of the same form do not give.

    Only forms with every item answered are compared: there the total needs no rule for blanks.
    """
    readings = records.readings
    computed = (readings["instrument"] == ITEMS).to_numpy(dtype=bool, na_value=False)
    scored = readings["measure"].isin(list(set(records.forms["measure"]))).to_numpy()
    rows = np.flatnonzero(scored & ~computed & records.before)
    if not len(rows):
        return none_found()
    forms = records.forms.loc[records.forms["complete"], [*_FORM, "measure", "value"]]
    typed = readings.iloc[rows][[*_FORM, "measure", "value"]].assign(row=rows)
    pairs = typed.merge(forms, on=[*_FORM, "measure"], suffixes=("", "_items"))
    slack = np.array([_slack(code) for code in pairs["measure"]])
    away = np.abs(pairs["value"].to_numpy() - pairs["value_items"].to_numpy())
    pairs = pairs.loc[away > slack]
    parts = [
        _told(pairs.loc[pairs["measure"] == code], code, records.caseload.answers)
        for code in sorted(set(pairs["measure"]))
    ]
    return pd.concat([none_found(), *parts], ignore_index=True)


def with_totals(records: Records) -> Caseload:
    """Add the totals of scored forms to the measurements, where no total was typed in.

    A typed total stays as it is, and is compared with its items by `total_differs_from_items`.
    An added total joins the client's typed totals of the same questionnaire where there are any;
    its instrument is ``items`` otherwise. It leads back to the first item of its form.
    """
    caseload, forms = records.caseload, records.forms
    forms = forms.loc[forms["value"].notna()]
    if forms.empty:
        return caseload
    answers, measurements = caseload.answers, caseload.measurements
    typed = measurements.loc[measurements["measure"].isin(scored_codes())]
    typed = typed.loc[typed["moment"].fillna("before") == "before"]
    told = typed[[*_FORM, "measure"]].drop_duplicates()
    forms = forms.merge(told, on=[*_FORM, "measure"], how="left", indicator="typed")
    forms = forms.loc[forms["typed"] == "left_only"]
    if forms.empty:
        return caseload

    first = answers.drop_duplicates([*_FORM, "questionnaire"])
    first = first.rename(columns={"questionnaire": "measure"})
    columns = [*_FORM, "measure", "date", "source_file", "source_row"]
    forms = forms.merge(first[columns], on=[*_FORM, "measure"], how="left")
    usual = typed.dropna(subset=["instrument"]).drop_duplicates(["client", "episode", "measure"])
    forms = forms.merge(
        usual[["client", "episode", "measure", "instrument"]],
        on=["client", "episode", "measure"],
        how="left",
    )
    added = empty_table("measurements").reindex(range(len(forms)))
    for name in (*columns, "value", "unit", "instrument"):
        added[name] = forms[name].array.astype(added[name].dtype)
    added["instrument"] = added["instrument"].fillna(ITEMS)
    added["side"], added["moment"], added["trial"] = "midline", "before", 1
    added = added.astype(empty_table("measurements").dtypes)
    rows = pd.concat([measurements, added], ignore_index=True)
    sources = _counted(caseload.sources, added)
    return replace(caseload.with_tables(measurements=rows), sources=sources)


def _counted(sources: tuple[Source, ...], added: pd.DataFrame) -> tuple[Source, ...]:
    """Count totals as rows that their file gave to the measurements."""
    gained = Counter(str(file) for file in added["source_file"])
    counted = []
    for source in sources:
        more = gained.pop(source.file, 0) if source.table == "measurements" else 0
        counted.append(Source(source.file, source.sha256, source.table, source.rows_in + more))
    hashes = {source.file: source.sha256 for source in sources}
    for file, n in gained.items():
        counted.append(Source(file, hashes.get(file, ""), "measurements", n))
    return tuple(counted)


def _questionnaires() -> list[str]:
    return [code for code, measure in measures().items() if measure.self_report]


def _item_faults(answers: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Rows with an item that the form does not have, and rows with an answer it does not allow."""
    unknown, wrong = [], []
    names = answers["questionnaire"]
    for code in scored_codes():
        rows = np.flatnonzero((names == code).to_numpy(dtype=bool, na_value=False))
        if not len(rows):
            continue
        item = answers["item"].iloc[rows].to_numpy(dtype=float, na_value=np.nan)
        bad_item, bad_answer = answer_faults(code, item, answers["answer"].iloc[rows].to_numpy())
        unknown.append(rows[bad_item])
        wrong.append(rows[bad_answer])
    empty = np.zeros(0, dtype=np.int64)
    return np.sort(np.r_[empty, *unknown]), np.sort(np.r_[empty, *wrong])


def _slack(code: str) -> float:
    """How far a typed total may lie from its items by rounding."""
    measure = get(code)
    rounding = 0.5 if measure.hard_max - measure.hard_min >= 20 else 0.05
    return max(measure.resolution / 2, rounding) + 1e-9


def _told(pairs: pd.DataFrame, code: str, answers: pd.DataFrame) -> pd.DataFrame:
    """Word the findings of one questionnaire; say so where the total fits another variant."""
    pairs = pairs.reset_index(drop=True)
    answers = answers.loc[answers["questionnaire"] == code]
    reasons = np.full(len(pairs), "the items of this form give another total", dtype=object)
    for variant in variants(code)[1:]:
        other = score(code, answers, variant=variant).rename(columns={"value": "value_other"})
        values = pairs.merge(other[[*_FORM, "value_other"]], on=_FORM, how="left")["value_other"]
        fits = np.abs(pairs["value"].to_numpy() - values.to_numpy()) <= _slack(code)
        reasons[fits] = f"the items of this form give this total as: {variant}"
    old = [f"{value:g}" for value in pairs["value"]]
    return findings("measurements", pairs["row"], reasons, column="value", old=old)
