"""What a review leaves behind besides the page: the workbook, its tables, and a summary."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.records.write import write_atomically
from outcomes.reporting import sentences
from outcomes.reporting.archive import write_tables
from outcomes.reporting.wording import plural
from outcomes.reporting.workbook import Sheet, workbook
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["result_tables", "save_review", "summary_lines"]

#: Columns that print on one page's width, by sheet; the others stand to their right.
_PRINTED = {
    "Measures": ("measure", "unit", "eligible", "measured_at_start", "measured_again",
                 "share_followed_up", "analysed", "estimate", "ci_low", "ci_high", "standardised",
                 "share_surely_improved", "share_expected_important", "share_worsened"),
    "Clients": ("client", "measure", "side", "unit", "latest_date", "n_visits", "start_value",
                "latest_value", "improvement", "minimal_detectable_change",
                "minimal_important_change", "model_verdict"),
    "Attention": ("client", "reason", "measure", "improvement", "minimal_detectable_change",
                  "event", "severity", "days"),
    "Standing": ("client", "measure", "state", "chance_of_state", "n_visits", "gain_so_far",
                 "further_gain", "ci_low", "ci_high", "chance_at_line", "visits_to_line_50"),
    "Practitioners": ("measure", "level", "group", "n", "observed", "estimate", "ci_low",
                      "ci_high", "deviation", "deviation_low", "deviation_high", "stands_out"),
}  # fmt: skip
_HEADINGS = {
    "estimate": "mean improvement",
    "ci_low": "95% from",
    "ci_high": "95% to",
    "measured_at_start": "first measured",
    "n_visits": "visits",
    "minimal_detectable_change": "detectable from",
    "minimal_important_change": "important from",
    "model_verdict": "verdict from all visits",
    "deviation": "from colleagues",
    "deviation_low": "95% from",
    "deviation_high": "95% to",
    "share_expected_important": "gain that matters",
    "share_worsened": "declined",
    "visits_to_line_50": "visits to an even chance",
}
#: Left out of the sheet of clients: only in the tables beside the workbook.
_NOT_IN_SHEET = ("practitioner", "start_visit", "latest_visit", "n_readings_not_paired", "change",
                 "standard_error_of_measurement", "confidence", "verdicts_differ", "worse",
                 "better")  # fmt: skip


def save_review(
    review: QuarterReview, meeting: Meeting, out: str | Path, *, named: bool = False
) -> list[str]:
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
    write_atomically(book, workbook(_sheets(review, meeting, named)))
    tables = write_tables(
        result_tables(review, meeting, named=named), folder / "tables", title=title
    )
    files = [path.relative_to(folder).as_posix() for path in (book, *tables)]
    told = {
        "quarter": review.quarter,
        "title": title,
        "workbook": book.name,
        "lines": summary_lines(review, meeting),
        "files": files,
        "thresholds": _thresholds(review),
        "rows": review.caseload.balance.to_dict("records"),
    }
    write_atomically(folder / "summary.json", (json.dumps(told, indent=1) + "\n").encode())
    return [*files, "summary.json"]


def result_tables(
    review: QuarterReview, meeting: Meeting, *, named: bool = False
) -> dict[str, pd.DataFrame]:
    """Give every table of numbers behind a review, at full precision, by name.

    Codes of practitioners stand in it only where `named`.
    """
    clients = review.clients
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
        "clients": clients if named else clients.drop(columns="practitioner", errors="ignore"),
        "flow": pd.DataFrame([{"measure": m.measure.code, **m.flow} for m in review.measures]),
        "ladder": _by_measure({c: f.ladder.rungs for c, f in meeting.calendar.items()}),
        "missing": _by_measure({c: f.missing for c, f in meeting.calendar.items()}),
        "comparisons": meeting.comparisons,
        "plateau": meeting.plateau,
        "attention": meeting.attention,
        "groups": meeting.groups,
        "dose": meeting.dose,
        "adherence": meeting.adherence,
        "exercise": meeting.exercise,
        "kept": _by_measure({c: k.summary for c, k in meeting.kept.items()}),
        "raters": meeting.raters,
        "drift": meeting.drift,
        "digits": meeting.digits,
        "small_shifts": meeting.small_shifts,
        "changes": meeting.changes,
        "completeness": meeting.completeness,
        "ledger": _ledger(review, named),
    }
    if courses:
        tables["course"] = pd.concat(courses, ignore_index=True)
        tables["course_model"] = pd.concat(fixed, ignore_index=True)
    return tables


def _by_measure(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    named = [table.assign(measure=code) for code, table in tables.items()]
    return pd.concat(named, ignore_index=True) if named else pd.DataFrame()


def _thresholds(review: QuarterReview) -> list[dict[str, Any]]:
    used = [t for m in review.measures for t in (m.error, m.importance) if t is not None]
    return [asdict(threshold) for threshold in used]


def summary_lines(review: QuarterReview, meeting: Meeting) -> list[str]:
    """Sum up a review in at most ten lines of text."""
    lead, support = sentences.are_clients_better(review)
    more, _ = sentences.more_than_last_quarter(review, meeting)
    attention, also = sentences.who_needs_attention(review, meeting)
    trust, rows = sentences.can_the_data_be_trusted(review, meeting)
    return [
        f"Outcomes review, {sentences.period(review)}: {plural(review.n_eligible, 'episode')} "
        f"seen, {plural(len(review.measures), 'measure')}.",
        f"Are clients better? {lead} {support}".strip(),
        f"More than last quarter? {more}",
        f"Who needs attention? {attention} {also}".strip(),
        f"Can the data be trusted? {trust} {rows}",
    ]


def _sheets(review: QuarterReview, meeting: Meeting, named: bool) -> list[Sheet]:
    words = [*summary_lines(review, meeting), *sentences.LIMITS, *sentences.SAFETY]
    summary = Sheet(
        "Summary",
        pd.DataFrame({"text": words}),
        f"{sentences.period(review, first=True)}, in words.",
        headings={"text": ""},
    )
    practitioners = _sheet(
        "Practitioners",
        _practitioners(meeting),
        review,
        "Adjusted for whom they treat and shrunken; not a ranking.",
    )
    return [
        summary,
        _measures_sheet(review),
        _clients_sheet(review),
        _sheet("Attention", meeting.attention, review, "Clients to speak about, and why."),
        _sheet("Standing", meeting.plateau, review, "Where each client stands in each measure."),
        replace(practitioners, hidden=not named),
        Sheet("Ledger", _ledger(review, named), "One row per change to a row of the source."),
    ]


def _sheet(
    name: str,
    frame: pd.DataFrame,
    review: QuarterReview,
    note: str,
    formulas: dict[str, list[str]] | None = None,
) -> Sheet:
    return Sheet(
        name,
        _named(frame, review),
        note,
        headings=_HEADINGS,
        printed=_PRINTED[name],
        formulas=formulas or {},
    )


def _measures_sheet(review: QuarterReview) -> Sheet:
    rows = review.summary
    started = rows["measured_at_start"]
    rows["share_followed_up"] = rows["measured_again"] / started.where(started > 0)
    share = ["{measured_again}/{measured_at_start}"] * len(rows)
    return _sheet("Measures", rows, review, "One row per measure.", {"share_followed_up": share})


def _clients_sheet(review: QuarterReview) -> Sheet:
    """One row per client; the improvement can be checked against start and latest."""
    clients = review.clients
    gain = {"higher": "{latest_value}-{start_value}", "lower": "{start_value}-{latest_value}"}
    return _sheet(
        "Clients",
        clients.drop(columns=list(_NOT_IN_SHEET), errors="ignore"),
        review,
        "One row per client, episode and measure; declines first.",
        {"improvement": clients["better"].map(gain).tolist()},
    )


def _ledger(review: QuarterReview, named: bool) -> pd.DataFrame:
    """Give the ledger; unless asked, without the codes of raters, who are practitioners."""
    ledger = review.caseload.ledger
    if named or ledger.empty:
        return ledger
    codes = [
        re.escape(str(c)) for c in review.caseload.measurements["rater"].dropna().unique() if c
    ]
    if not codes:
        return ledger
    known = rf"\brater (?:{'|'.join(sorted(codes, key=len, reverse=True))})\b"
    return ledger.assign(reason=ledger["reason"].str.replace(known, "a rater", regex=True))


def _practitioners(meeting: Meeting) -> pd.DataFrame:
    tables = [p.groups.assign(measure=code) for code, p in meeting.practitioners.items()]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _named(frame: pd.DataFrame, review: QuarterReview) -> pd.DataFrame:
    """Write measures by name, for people; the tables beside the workbook keep the codes."""
    if "measure" not in frame:
        return frame
    return frame.assign(measure=frame["measure"].map(review.names).fillna(frame["measure"]))
