"""Every sentence of the reports, in one place.

A translation replaces this page. Numbers come in unrounded and are written by
`outcomes.reporting.wording`.
"""

from __future__ import annotations

import pandas as pd

from outcomes.reporting.wording import (
    count_of,
    interval,
    join_words,
    number,
    percent,
    plural,
    with_unit,
)
from outcomes.statistics.review import MeasureReview, Meeting, QuarterReview

__all__ = [
    "EXERCISE_CAUTION",
    "LIMITS",
    "SAFETY",
    "are_clients_better",
    "can_the_data_be_trusted",
    "course_sentence",
    "exercise_sentence",
    "kept_link_sentences",
    "kept_sentence",
    "measure_sentence",
    "more_than_last_quarter",
    "period",
    "practitioner_sentence",
    "quality_sentences",
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
    if "surely improved" in shares.index:
        sure = shares.loc["surely improved"]
        parts.append(f"{count_of(int(sure['count']), int(sure['n']))} surely improved")
        expected = "expected to have improved importantly"
        if expected in shares.index:
            parts.append(f"{percent(shares.loc[expected, 'share'])} by enough to matter, as judged "
                         "from their chances")  # fmt: skip
    elif "improved detectably" in shares.index:
        gained = shares.loc["improved detectably"]
        parts.append(f"{count_of(int(gained['count']), int(gained['n']))} gained beyond error")
        if "improved importantly" in shares.index:
            mattered = shares.loc["improved importantly"]
            parts.append(f"{count_of(int(mattered['count']), int(mattered['n']))} by enough to "
                         "matter")  # fmt: skip
    worse = int(review.judged["worse"].sum())
    how = "got worse beyond error" if review.error is not None else "surely got worse"
    parts.append(f"{worse if worse else 'none'} {how}")
    return f"{m.name}: {join_words(parts)}."


def threshold_sentence(review: MeasureReview) -> str:
    """Name the thresholds used and where they come from."""
    m = review.measure
    if review.error is None:
        first = "No measurement error is published or given for this measure, so the first reading "
        first += "is not set against the latest."
        if "surely improved" in set(review.shares["quantity"]):
            first += " The chances take the error from the scatter of the clients' own visits."
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


def period(review: QuarterReview, *, first: bool = False) -> str:
    """Name the time under review, with a capital where it comes first."""
    whole = "Whole caseload" if first else "whole caseload"
    return whole if review.quarter == "all" else review.quarter


def are_clients_better(review: QuarterReview) -> tuple[str, str]:
    """Answer the first question of the meeting: a lead and its support."""
    rows = review.summary
    better, worse, n = rows[rows["ci_low"] > 0], rows[rows["ci_high"] < 0], len(rows)
    if len(better) == n:
        lead = f"Yes on average, in all {n} measures." if n > 1 else "Yes, on average."
    elif len(better):
        lead = f"On average yes in {len(better)} of {n} measures."
    else:
        lead = "Not clearly in any measure."
    support = [f"worse on average in {len(worse)}"] if len(worse) else []
    for column, words in (
        ("share_surely_improved", "surely improved: {} of clients"),
        ("share_expected_important", "by enough to matter: {}"),
    ):
        found = rows[column].dropna()
        if len(found):
            low, high = percent(found.min()), percent(found.max())
            support.append(words.format(f"{low} to {high}" if low != high else low))
    text = "; ".join(support)
    ending = ", depending on the measure." if text and n > 1 else "."
    text = text[:1].upper() + text[1:] + ending if text else ""
    return lead, f"{text} {_if_the_missing_count(review)}".strip()


def _if_the_missing_count(review: QuarterReview) -> str:
    """Say how far those not measured again could move the share of sure improvers, at worst."""
    rows = review.summary
    started, found = rows["measured_at_start"], rows["share_surely_improved"]
    known = found.notna() & (started > 0)
    if not known.any():
        return ""
    if (started == rows["analysed"])[known].all():
        return "Nobody who was measured at the start is missing."
    count = (found * rows["analysed"])[known].round()
    low = (count / started[known]).min()
    high = ((count + started[known] - rows["analysed"][known]) / started[known]).max()
    ends = f"{percent(low)} surely improved at worst, {percent(high)} at best"
    return f"If the missing count: {ends}."


def more_than_last_quarter(review: QuarterReview, meeting: Meeting) -> tuple[str, str]:
    """Answer whether clients gained more than last quarter."""
    rows = meeting.comparisons
    if rows.empty:
        reason = meeting.notes.get("comparisons", "")
        return "Cannot be said.", reason[:1].upper() + reason[1:]
    last = rows[(rows["question"] == "last quarter") & rows["adjusted"]].dropna(subset=["estimate"])
    if last.empty:
        return "Cannot be said.", "Too few clients last quarter."
    more, less = last[last["ci_low"] > 0], last[last["ci_high"] < 0]
    names = review.names
    if more.empty and less.empty:
        return (
            "About the same.",
            f"None of {plural(len(last), 'measure')} differs beyond chance from last quarter, "
            "allowing for who the clients were.",
        )
    parts = []
    if len(more):
        parts.append("more in " + join_words([names[c] for c in more["measure"]]))
    if len(less):
        parts.append("less in " + join_words([names[c] for c in less["measure"]]))
    lead = "; ".join(parts)
    return (
        lead[:1].upper() + lead[1:] + ".",
        f"Looking at {plural(len(last), 'measure')} at once, one in twenty would seem to differ by "
        "chance.",
    )


def who_needs_attention(review: QuarterReview, meeting: Meeting) -> tuple[str, str]:
    """Answer who needs attention: declines first, then the other reasons."""
    worse = review.clients[review.clients["worse"]]
    n = worse["client"].nunique()
    lead = (
        f"{plural(n, 'client')} declined beyond error."
        if n
        else "Nobody declined beyond measurement error."
    )
    if meeting.attention.empty:
        return lead, ""
    reasons = meeting.attention.groupby("reason")["client"].nunique()
    words = [
        f"{count} {_REASONS[reason]}" for reason, count in reasons.items() if reason in _REASONS
    ]
    return lead, f"Also {join_words(words)}." if words else ""


_REASONS = {
    "unwanted event": "with an unwanted event",
    "levelled off short of an important change": "in care who levelled off short of what matters",
    "stopped coming without discharge": "stopped coming",
    "overdue for re-measurement": "overdue for measurement",
}


def can_the_data_be_trusted(review: QuarterReview, meeting: Meeting) -> tuple[str, str]:
    """Answer whether the data can be trusted: follow-up, rows set aside, findings."""
    flow = pd.DataFrame([m.flow for m in review.measures])
    followed = flow["measured_again"].sum() / max(flow["measured_at_start"].sum(), 1)
    balance = review.caseload.balance
    aside, rows_in = int(balance["rows_set_aside"].sum()), int(balance["rows_in"].sum())
    lead = f"{percent(followed)} of first measurements have a second."
    if followed < 0.6:
        lead += " That is too few to speak for everybody."
    support = (
        f"{plural(aside, 'row')} of {rows_in:,} set aside."
        if aside
        else f"All {rows_in:,} rows were used."
    )
    return lead, " ".join([support, *quality_sentences(meeting)])


def quality_sentences(meeting: Meeting) -> list[str]:
    """Name what stands out in the quality of the data."""
    found = []
    if len(meeting.digits) and meeting.digits["flagged"].any():
        who = meeting.digits.loc[meeting.digits["flagged"], "rater"].tolist()
        words = f"{join_words(who)} {'rounds' if len(who) == 1 else 'round'} to 5°."
        found.append(words[:1].upper() + words[1:])
    if len(meeting.drift) and meeting.drift["flagged"].any():
        most = meeting.drift.loc[meeting.drift["estimate"].abs().idxmax(), "instrument"]
        found.append(f"Check {most}: its readings drift against the others.")
    return found


def practitioner_sentence(review: QuarterReview, meeting: Meeting) -> str:
    """Say whether any practitioner's clients fare differently beyond chance."""
    out = [review.names[c] for c, p in meeting.practitioners.items() if p.anyone_stands_out]
    n = len(meeting.practitioners)
    if not out:
        return (
            f"In none of {plural(n, 'measure')} do the clients of one practitioner fare "
            "differently beyond chance, once whom they treat is allowed for. With few clients a "
            "real difference can go unseen."
        )
    return (
        f"Differences beyond chance remain in {join_words(out)} once whom they treat is allowed "
        "for. What is not recorded (severity, referral, hours) is not allowed for: talk before "
        "judging."
    )


def kept_sentence(review: QuarterReview, meeting: Meeting) -> str:
    """Say what is gained within a visit and how much of it is left at the next."""
    code, found = next(iter(meeting.kept.items()))
    rows = found.summary.set_index("quantity")
    gain, share = rows.loc["immediate gain per visit"], rows.loc["share kept"]
    unit = next(m.measure.unit for m in review.measures if m.measure.code == code)
    text = (
        f"{review.names[code]}: {with_unit(gain['estimate'], unit, sign=True)} within a visit on "
        f"average (95% interval {interval(gain['ci_low'], gain['ci_high'], unit)})"
    )
    if gain["ci_low"] <= 0:
        return f"{text}: no clear gain within visits, so there is no share of it to keep."
    low, high = number(share["ci_low"] * 100, 0), percent(share["ci_high"])
    return f"{text}, of which {percent(share['estimate'])} ({low} to {high}) is there at the next."


def kept_link_sentences(review: QuarterReview, meeting: Meeting) -> list[str]:
    """Say whether who gains more within visits also gains more in the long run."""
    told = []
    for code, found in meeting.kept.items():
        rows = found.summary.set_index("quantity")
        if "correlation of immediate and lasting gain" not in rows.index:
            continue
        row = rows.loc["correlation of immediate and lasting gain"]
        size = (
            f"correlation {number(row['estimate'], 2)}, 95% interval "
            f"{number(row['ci_low'], 2)} to {number(row['ci_high'], 2)}"
        )
        if row["ci_low"] > 0:
            words = "clients who gain more within visits also gain more in the long run"
        elif row["ci_high"] < 0:
            words = "clients who gain more within visits gain less in the long run"
        else:
            words = "whether the gain within visits foretells the lasting one cannot be told"
        told.append(f"{review.names[code]}: {words} ({size}).")
    return told


EXERCISE_CAUTION = (
    "No proof that exercise works. Between clients: the willing differ from the unwilling in much "
    "besides exercise. Within a client, each is set against themself, but a good week may bring "
    "the exercise, and the other way round. Diaries flatter. Of many intervals, one in twenty "
    "leaves out zero by chance."
)


def exercise_sentence(review: QuarterReview, meeting: Meeting) -> str:
    """Say in how many measures weeks with more exercise go with more kept gain."""
    rows = meeting.exercise
    told = []
    for quantity, who in (
        ("within client", "within clients (their weeks with more against their weeks with less)"),
        ("between clients", "between clients (those who do more against those who do less)"),
    ):
        mine = rows[rows["quantity"] == quantity]
        more, less = int((mine["ci_low"] > 0).sum()), int((mine["ci_high"] < 0).sum())
        text = f"{who} in {more} of {plural(len(mine), 'measure')}"
        told.append(text + (f", with less in {less}" if less else ""))
    return f"More exercise goes clearly with more kept gain {join_words(told)}."


REGRESSION_NOTE = (
    "Clients come when they are bad, and part of a bad first reading is error and a bad day. All "
    "visits together show it as a first reading worse than the start of the course that followed; "
    "where they tell it apart, that estimate is taken, since it needs no usual level. It cannot "
    "tell a bad first day from a gain that is complete by the second visit, and does not see "
    "flares that fade over weeks. Otherwise clients are taken to drift back to a usual level, the "
    "middle of published values of healthy people. Where neither is possible the rung is left "
    "out, which is not the same as zero."
)

LEAVERS_NOTE = (
    "Missing visits are drawn from each client's own earlier ones, many times over. Clients who "
    "were discharged count as having left: for them the story that the gain was kept is the likely "
    "one. These records can test no story."
)

STANDING_NOTE = (
    "Levelled off: the chance of a further gain worth going on for, over the next three visits, is "
    "below one in ten, since a gain missed is taken to weigh as much as nine rounds of visits in "
    "vain. Still gaining: it is above six in ten. Between the two it cannot be said: measure "
    "again. Clients discharged during the quarter are counted here, not in the list for attention."
)
