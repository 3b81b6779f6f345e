"""Every sentence of the reports, in one place.

A translation replaces this page. Numbers come in unrounded and are written by
`outcomes.reporting.wording`.
"""

from __future__ import annotations

import pandas as pd

from outcomes.reporting.wording import (
    chance,
    count_of,
    interval,
    join_words,
    number,
    percent,
    plural,
    with_unit,
)
from outcomes.statistics.review import MeasureReview, QuarterReview

__all__ = [
    "LIMITS",
    "SAFETY",
    "are_clients_better",
    "can_the_data_be_trusted",
    "course_sentence",
    "measure_sentence",
    "threshold_sentence",
    "who_needs_attention",
]

SAFETY = (
    "These are measurements, not a diagnosis or advice.",
    "Scores and ranges of motion do not screen for serious disease. New or worsening numbness, "
    "weakness, clumsiness of hands or gait, arm swelling or change of colour, dizziness, trouble "
    "with speech, vision or swallowing, sudden unfamiliar neck pain or headache, bladder or bowel "
    "change, fever, unexplained weight loss or night pain need prompt medical referral.",
    "Scope of practice, consent and referral follow the law and the professional code where you "
    "work.",
)

LIMITS = (
    "Change is not effect. There is no comparison group here: people come when they are at their "
    "worst, many would have gained without care, and those who do badly come back less often.",
    "Only clients measured twice can be analysed. The flow table shows how many were not; the "
    "bounds beside each share show how far the missing could move it.",
    "A change within measurement error may be real and a change beyond it may not be: at 95% "
    "confidence one client in twenty who has not changed will seem to have.",
    "Published thresholds come from other people in other clinics, and several differ. Each "
    "section names the one used and where it comes from.",
)


def measure_sentence(review: MeasureReview) -> str:
    """Say what happened in one measure, in one sentence of numbers."""
    m, r = review.measure, review.improvement
    shares = review.shares.set_index("quantity")
    direction = "better" if r.estimate >= 0 else "worse"
    if r.ci_low <= 0 <= r.ci_high:
        mean = (
            f"did not change clearly on average ({with_unit(r.estimate, m.unit, sign=True)}, "
            f"95% interval {interval(r.ci_low, r.ci_high, m.unit)})"
        )
    else:
        low, high = sorted((abs(r.ci_low), abs(r.ci_high)))
        mean = (
            f"were {with_unit(abs(r.estimate), m.unit)} {direction} on average (95% interval "
            f"{interval(low, high, m.unit)})"
        )
    parts = [f"{plural(r.n, 'client')} {mean}"]
    if "improved detectably" in shares.index:
        gained = shares.loc["improved detectably"]
        parts.append(f"{count_of(int(gained['count']), int(gained['n']))} gained beyond error")
    if "improved importantly" in shares.index:
        mattered = shares.loc["improved importantly"]
        parts.append(f"{count_of(int(mattered['count']), int(mattered['n']))} by enough to matter")
    if "worsened detectably" in shares.index:
        worse = int(shares.loc["worsened detectably", "count"])
        parts.append(f"{worse if worse else 'none'} got worse beyond error")
    return f"{m.name}: {join_words(parts)}."


def threshold_sentence(review: MeasureReview) -> str:
    """Name the thresholds used and where they come from."""
    m = review.measure
    if review.error is None:
        first = "No measurement error is published or given for this measure, so no client can be "
        first += "judged against it."
    else:
        detectable = float(review.judged["minimal_detectable_change"].median())
        first = (
            f"Detectable from {with_unit(detectable, m.unit)} (standard error of measurement "
            f"{with_unit(review.error.value, m.unit)}; {review.error.citation})."
        )
    if review.importance is None:
        second = (
            "No defensible smallest important change is known, so only the first gate is shown."
        )
    else:
        second = (
            f"Important from {with_unit(review.importance.value, m.unit)} "
            f"({review.importance.citation})."
        )
    return f"{first} {second}"


def course_sentence(review: MeasureReview) -> str:
    """Say how the mean course ran."""
    if review.course is None:
        return "The course over visits cannot be fitted: " + " ".join(review.notes)
    line, m = review.course.line, review.measure
    first, last = line.iloc[0], line.iloc[-1]
    gain = (last["estimate"] - first["estimate"]) * m.sign
    shape = (
        "most of it early, then flattening"
        if review.course.shape == "flattening"
        else "at a steady pace"
    )
    return (
        f"Across all {plural(review.course.n, 'episode')} so far, the mean course moves by "
        f"{with_unit(gain, m.unit, sign=True)} (positive is better) over "
        f"{number(last['week'], 0)} weeks, {shape}."
    )


def period(review: QuarterReview) -> str:
    """Name the time under review."""
    return "whole caseload" if review.quarter == "all" else review.quarter


def are_clients_better(review: QuarterReview) -> tuple[str, str]:
    """Answer the first question of the meeting: a lead and its support."""
    rows = review.summary
    better = rows[rows["ci_low"] > 0]
    worse = rows[rows["ci_high"] < 0]
    n = len(rows)
    if len(better) == n:
        lead = f"Yes on average, in all {n} measures." if n > 1 else "Yes, on average."
    elif len(better):
        lead = f"On average yes in {len(better)} of {n} measures."
    else:
        lead = "Not clearly in any measure."
    support = []
    if len(worse):
        support.append(f"worse on average in {len(worse)}")
    matter = rows["share_important"].dropna()
    if len(matter):
        support.append(
            f"gains that matter were reached by {percent(matter.min())} to "
            f"{percent(matter.max())} of clients, depending on the measure"
            if len(matter) > 1
            else f"a gain that matters was reached by {percent(matter.iloc[0])} of clients"
        )
    found = rows["share_detectable"].dropna()
    if len(found) > 1:
        support.append(
            f"gains beyond measurement error by {percent(found.min())} to {percent(found.max())}"
        )
    text = "; ".join(support)
    return lead, (text[:1].upper() + text[1:] + "." if text else "")


def who_needs_attention(review: QuarterReview) -> tuple[str, str]:
    """Answer who needs attention: clients with a decline beyond error."""
    rows = review.clients
    worse = rows[rows["worsened"].fillna(False).astype(bool)]
    n = worse["client"].nunique()
    if n == 0:
        return "Nobody declined beyond measurement error.", ""
    lead = f"{plural(n, 'client')} declined beyond measurement error."
    several = worse.groupby("client")["measure"].nunique()
    support = (
        f"{plural(int((several > 1).sum()), 'client')} in more than one measure; the list names "
        f"them by code."
    )
    return lead, support


def can_the_data_be_trusted(review: QuarterReview) -> tuple[str, str]:
    """Answer whether the data can be trusted: follow-up and rows set aside."""
    flow = pd.DataFrame([m.flow for m in review.measures])
    followed = flow["measured_again"].sum() / max(flow["measured_at_start"].sum(), 1)
    balance = review.caseload.balance
    aside, rows_in = int(balance["rows_set_aside"].sum()), int(balance["rows_in"].sum())
    lead = f"{percent(followed)} of first measurements were followed by a second."
    if followed < 0.6:
        lead += " That is too few to speak for everybody."
    support = (
        f"{plural(aside, 'row')} of {rows_in:,} set aside, each with its reason in the ledger."
        if aside
        else f"All {rows_in:,} rows were used."
    )
    return lead, support


def chance_sentence(probability: float, event: str) -> str:
    """Say a probability: "The chance that ... is 81 %"."""
    return f"The chance that {event} is {chance(probability)}."
