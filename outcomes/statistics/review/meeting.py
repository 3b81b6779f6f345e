"""What a quarter's meeting looks at beyond the measures themselves.

Each part is computed if the records allow it, and otherwise leaves a sentence in `notes` that says
why not: a clinic with one practitioner, one quarter or one measure gets the rest of the report.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, OutcomesError
from outcomes.records.settings import Settings
from outcomes.results import Claim
from outcomes.statistics.individual_change import KeptGains, meeting_table
from outcomes.statistics.review.between_visits import (
    diary_weeks,
    doses,
    exercise_links,
    kept_gains,
)
from outcomes.statistics.review.calendar import Calendar, what_the_calendar_gives
from outcomes.statistics.review.completeness import completeness_by_group
from outcomes.statistics.review.over_time import (
    event_chart,
    follow_up_chart,
    gain_charts,
    small_shifts,
    steps_at_changes,
)
from outcomes.statistics.review.quarter import QuarterReview
from outcomes.statistics.review.rows import episode_rows, quarters_up_to
from outcomes.statistics.service import (
    EventRate,
    PractitionerDifferences,
    adherence_by_week,
    attention_list,
    compare_quarters,
    digit_preference,
    event_rate,
    group_outcomes,
    instrument_drift,
    ledger_summary,
    practitioner_differences,
    quarter_dates,
    rater_differences,
    share_funnel,
)

__all__ = ["Meeting", "prepare_meeting"]

_GROUPS = ("age_band", "sex", "clinic", "complaint")
_YEAR = 4  # quarters that comparisons between groups rest on


@dataclass(frozen=True, eq=False, kw_only=True)
class Meeting(Claim):
    """The parts of a meeting; an absent part is None (or empty) and named in `notes`.

    Attributes
    ----------
    rows : DataFrame
        One row per episode, measure and quarter.
    calendar : dict of str to Calendar
        By measure: what time and selection alone would have given, and the missing.
    comparisons : DataFrame
        This quarter against the last and the same a year ago (`compare_quarters`).
    gain_charts : dict of str to DataFrame
        By measure: share of clients with a detectable gain per quarter (`share_chart`).
    small_shifts : DataFrame
        What each chart of each measure's mean improvement signals (`small_shifts`).
    follow_up_chart, event_chart : DataFrame or None
        Share measured again, and unwanted events per visit, per quarter.
    events : EventRate or None
        Unwanted events in this quarter per 1,000 visits.
    practitioners : dict of str to PractitionerDifferences
        By measure, over the last four quarters.
    funnel : DataFrame or None
        Shares of clients with a detectable gain by practitioner, all measures (`share_funnel`).
    plateau : DataFrame
        Where each client stands in each measure (`meeting_table`).
    attention : DataFrame
        Clients to speak about, with the reason.
    adherence, dose : DataFrame
        Home exercise by week; dose against gain.
    exercise : DataFrame
        Kept gain against exercise done, within and between clients (`exercise_links`).
    kept : dict of str to KeptGains
        By measure: the gain within visits and what is kept of it (`kept_gains`).
    groups : DataFrame
        Mean improvement by age band, sex, site and complaint, shrunken, small counts hidden.
    digits, raters, drift, ledger : DataFrame
        Quality of the data.
    changes : DataFrame
        Steps at the dates on which the clinic changed something (`steps_at_changes`).
    completeness : DataFrame
        Measured at the start and again, by site and practitioner (`completeness_by_group`).
    settings : Settings
        The clinic's own.
    notes : dict of str to str
        Part, and why it is absent.
    """

    rows: pd.DataFrame
    calendar: dict[str, Calendar]
    comparisons: pd.DataFrame
    gain_charts: dict[str, pd.DataFrame]
    small_shifts: pd.DataFrame
    follow_up_chart: pd.DataFrame | None
    event_chart: pd.DataFrame | None
    events: EventRate | None
    practitioners: dict[str, PractitionerDifferences]
    funnel: pd.DataFrame | None
    plateau: pd.DataFrame
    attention: pd.DataFrame
    adherence: pd.DataFrame
    dose: pd.DataFrame
    exercise: pd.DataFrame
    kept: dict[str, KeptGains]
    groups: pd.DataFrame
    digits: pd.DataFrame
    raters: pd.DataFrame
    drift: pd.DataFrame
    ledger: pd.DataFrame
    changes: pd.DataFrame
    completeness: pd.DataFrame
    settings: Settings
    notes: dict[str, str] = field(default_factory=dict)


def prepare_meeting(
    review: QuarterReview,
    *,
    rng: np.random.Generator,
    settings: Settings | None = None,
    names_shown: bool = False,
) -> Meeting:
    """Compute everything that the quarter's meeting looks at.

    Parameters
    ----------
    review : QuarterReview
        From `review_quarter`.
    rng : numpy Generator
        Numbers practitioners and raters in random order where they are not named.
    settings : Settings, optional
        The clinic's own; defaults when left out.
    names_shown : bool
        Show the codes of practitioners and raters.

    Returns
    -------
    Meeting
    """
    settings = settings or Settings()
    notes: dict[str, str] = {}

    def part(name: str, compute: Callable[[], Any], otherwise: Any) -> Any:
        try:
            return compute()
        except OutcomesError as reason:
            notes[name] = str(reason)
            return otherwise

    none = pd.DataFrame()
    rows = episode_rows(review)
    year = _each_episode_once(rows, review)
    plateau = _plateau(review)
    caseload, quarter = review.caseload, review.quarter
    calendar, without = what_the_calendar_gives(review, rng=rng)
    notes |= {f"calendar of {code}": reason for code, reason in without.items()}
    found = Meeting(
        rows=rows,
        calendar=calendar,
        comparisons=part(
            "comparisons", lambda: compare_quarters(_dated(rows, review), quarter=quarter), none
        ),
        gain_charts=part("charts", lambda: gain_charts(review, rows), {}),
        small_shifts=part("small shifts", lambda: small_shifts(_dated(rows, review)), none),
        follow_up_chart=part("follow-up chart", lambda: follow_up_chart(review, rows), None),
        event_chart=part("event chart", lambda: event_chart(review), None),
        events=part("events", lambda: _events(review), None),
        practitioners=part(
            "practitioners", lambda: _practitioners(review, year, rng, names_shown), {}
        ),
        funnel=part("funnel", lambda: _funnel(year, names_shown, rng), None),
        plateau=plateau,
        attention=part("attention", lambda: _attention(review, plateau, settings), none),
        adherence=part("home exercise", lambda: adherence_by_week(diary_weeks(review)), none),
        dose=part("dose", lambda: doses(review, year), none),
        exercise=part("exercise link", lambda: exercise_links(review), none),
        kept=part("kept gains", lambda: kept_gains(review), {}),
        groups=part("groups", lambda: _groups(review, year, settings), none),
        digits=part("digit preference", lambda: digit_preference(_degrees(review)), none),
        raters=part("raters", lambda: rater_differences(_degree_values(review)), none),
        drift=part("drift", lambda: _drift(review), none),
        ledger=ledger_summary(caseload.ledger),
        changes=part("changes", lambda: steps_at_changes(review, settings.changes), none),
        completeness=part(
            "completeness",
            lambda: completeness_by_group(review, rng=rng, names_shown=names_shown),
            none,
        ),
        settings=settings,
        notes=notes,
    )
    return found if names_shown else _without_names_of_raters(found, rng)


def _without_names_of_raters(meeting: Meeting, rng: np.random.Generator) -> Meeting:
    """Give raters numbers at random, alike in all tables: raters are practitioners too."""
    tables = [t for t in (meeting.digits, meeting.raters) if len(t)]
    codes = sorted({str(code) for table in tables for code in table["rater"]} - {"not recorded"})
    order = rng.permutation(len(codes)) + 1
    names: dict[str, str] = {c: f"rater {i}" for c, i in zip(codes, order, strict=True)}

    def numbered(table: pd.DataFrame) -> pd.DataFrame:
        if table.empty:
            return table
        named = table.assign(rater=table["rater"].map(names).fillna(table["rater"]))
        if "compared_with" in table:
            named["compared_with"] = [
                ", ".join(names.get(code, code) for code in str(with_whom).split(", "))
                for with_whom in table["compared_with"]
            ]
        return named.sort_values("rater", kind="stable").reset_index(drop=True)

    return replace(meeting, digits=numbered(meeting.digits), raters=numbered(meeting.raters))


def _dated(rows: pd.DataFrame, review: QuarterReview) -> pd.DataFrame:
    if review.quarter == "all":
        raise DataError("quarters can be compared in a review of one quarter. Choose a quarter.")
    return rows


def _each_episode_once(rows: pd.DataFrame, review: QuarterReview) -> pd.DataFrame:
    """Keep the latest row of each episode and measure over the last four quarters."""
    recent = quarters_up_to(review)[-_YEAR:] or [review.quarter]
    kept = rows[rows["quarter"].isin(recent)].sort_values("quarter", kind="stable")
    return kept.drop_duplicates(["client", "episode", "measure"], keep="last")


def _events(review: QuarterReview) -> EventRate:
    first, last = quarter_dates(review.quarter)
    visits = review.caseload.visits
    held = visits["attended"].fillna(True).astype(bool) & visits["date"].between(first, last)
    if review.caseload.events.empty and "events" not in {s.table for s in review.caseload.sources}:
        raise DataError("unwanted events must be recorded to be counted. Add a table of events.")
    count = int(review.caseload.events["date"].between(first, last).sum())
    return event_rate(count, visits=int(held.sum()))


def _practitioners(
    review: QuarterReview, year: pd.DataFrame, rng: np.random.Generator, names_shown: bool
) -> dict[str, PractitionerDifferences]:
    found, reasons = {}, []
    year = year[year["practitioner"].ne("")]
    if year.empty:
        raise DataError("practitioners must be recorded to be compared. Add who treated.")
    for m in review.measures:
        mine = year[year["measure"] == m.measure.code]
        try:
            found[m.measure.code] = practitioner_differences(
                mine,
                rng=rng,
                names_shown=names_shown,
                measures_looked_at=len(review.measures),
                unit=m.measure.unit,
            )
        except OutcomesError as reason:
            reasons.append(str(reason))
    if not found:
        raise DataError(reasons[0] if reasons else "practitioners must be recorded.")
    return found


def _funnel(year: pd.DataFrame, names_shown: bool, rng: np.random.Generator) -> pd.DataFrame:
    """Share of episodes with a detectable gain in at least one measure, by practitioner."""
    known = year[year["detectable"].notna() & year["practitioner"].ne("")]
    gained = known["detectable"].astype(bool) & (known["improvement"] > 0)
    episode = gained.groupby([known["client"], known["episode"]]).any().rename("gained")
    who = known.drop_duplicates(["client", "episode"], keep="last")
    who = who.merge(episode.reset_index(), on=["client", "episode"])
    count = who.groupby("practitioner")["gained"].agg(["sum", "size"]).reset_index()
    count.columns = ["group", "count", "n"]
    if len(count) < 2:
        raise DataError("a funnel must have at least two practitioners. Record who treated.")
    funnel = share_funnel(count.astype({"count": int, "n": int}))
    if not names_shown:
        order = rng.permutation(len(funnel)) + 1
        funnel["group"] = [f"practitioner {i}" for i in order]
    return funnel


def _plateau(review: QuarterReview) -> pd.DataFrame:
    """Say of the quarter's episodes where they stand; the courses rest on everybody."""
    tables = []
    for m in review.measures:
        if m.courses is None:
            continue
        line = m.importance.value if m.importance else None
        seen = pd.MultiIndex.from_frame(m.courses.series[["client", "episode"]])
        mine = m.courses.only(seen.isin(pd.MultiIndex.from_frame(m.judged[["client", "episode"]])))
        table = meeting_table(mine, better=m.measure.better, minimal_important_change=line)
        tables.append(table.assign(measure=m.measure.code))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _attention(review: QuarterReview, plateau: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    caseload = review.caseload
    values = pd.concat([m.readings for m in review.measures], ignore_index=True)
    short = None
    if len(plateau):
        short = plateau[plateau["state"] == "levelled off short of the line"]
    judged = review.clients.assign(worsened=review.clients["worse"])
    return attention_list(
        caseload.visits,
        quarter=review.quarter,
        values=values,
        judged=judged,
        events=caseload.events,
        levelled_off=short,
        remeasure_after_weeks=round(settings.remeasure_after_weeks),
    )


def _groups(review: QuarterReview, year: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    tables, reasons = [], []
    for code in review.names:
        mine = year[year["measure"] == code]
        for by in _GROUPS:
            try:
                table = group_outcomes(mine, by=by, hide_below=max(settings.hide_counts_below, 1))
                tables.append(table.assign(measure=code))
            except OutcomesError as reason:
                reasons.append(str(reason))
    if not tables:
        raise DataError(reasons[0])
    return pd.concat(tables, ignore_index=True)


def _degrees(review: QuarterReview) -> pd.DataFrame:
    readings = review.caseload.measurements
    degrees = readings[readings["unit"] == "deg"]
    if degrees.empty:
        raise DataError("digit preference must rest on readings in degrees; there are none.")
    return degrees[["rater", "value"]]


def _degree_values(review: QuarterReview) -> pd.DataFrame:
    values = pd.concat([m.values for m in review.measures], ignore_index=True)
    known = values["rater"].ne("") & values["rater"].ne("several")
    return values[(values["unit"] == "deg") & known]


def _drift(review: QuarterReview) -> pd.DataFrame:
    """Movement of instruments over the last two quarters, from the start readings of clients."""
    values = pd.concat([m.readings for m in review.measures], ignore_index=True)
    values = values[(values["unit"] == "deg") & values["instrument"].ne("")]
    start = values.sort_values("visit").drop_duplicates(["client", "episode", "measure"])
    quarters = quarters_up_to(review)
    if len(quarters) < 3:
        raise DataError("drift must be looked for over at least three quarters. Come back later.")
    return instrument_drift(start, since=quarter_dates(quarters[-2])[0])
