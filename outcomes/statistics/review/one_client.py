"""One client, all measures: verdicts, own course, what is kept between visits, what is to come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, OutcomesError
from outcomes.measures.catalogue import Measure
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import measure_of
from outcomes.records.readings import judged_side, visit_values
from outcomes.results import Claim
from outcomes.statistics.individual_change import (
    compare_sides,
    exercise_intervals,
    home_exercise_link,
    immediate_and_kept,
    meeting_table,
    profile_by_chance,
    start_and_latest,
)
from outcomes.statistics.review.judging import JudgedMeasure, judge_measure
from outcomes.statistics.review.own_course import next_readings, own_courses
from outcomes.statistics.service import episode_adherence

__all__ = ["ClientMeasure", "ClientView", "look_at_client"]

_ANCHORS = ("groc",)
_EPISODE = ["client", "episode"]
_LINKED = 3  # measures whose link with home exercise is shown


@dataclass(frozen=True, eq=False, kw_only=True)
class ClientMeasure(Claim):
    """One measure of one client.

    Attributes
    ----------
    measure : Measure
    importance : float or None
        Smallest important change.
    verdict : Series
        The client's row of `judge_measure`.
    visits : DataFrame
        visit, week, moment, value: before and after treatment.
    course : DataFrame
        week, estimate, ci_low, ci_high of the client's own course; empty without a model.
    next_visit : dict of str to float
        week, estimate, ci_low, ci_high: where the next before-treatment reading should fall.
    standing : Series or None
        The client's row of `meeting_table`.
    kept : Series or None
        Immediate and kept gain of this client, from `immediate_and_kept`.
    """

    measure: Measure
    importance: float | None
    verdict: pd.Series
    visits: pd.DataFrame
    course: pd.DataFrame
    next_visit: dict[str, float]
    standing: pd.Series | None
    kept: pd.Series | None


@dataclass(frozen=True, eq=False, kw_only=True)
class ClientView(Claim):
    """All that a caseload says about one client.

    Attributes
    ----------
    client : str
    episode : int
    n_visits : int
        Attended visits of the episode.
    first_date, latest_date : Timestamp
        Of those visits.
    measures : tuple of ClientMeasure
        Declines first, then by the chance of improvement; empty if nothing was measured twice.
    once : tuple of (Measure, float)
        What was measured once only, with its value: a start to measure against.
    profile : DataFrame
        Which measures moved, allowing for how many were looked at (`profile_by_chance`).
    sides : DataFrame
        Affected side against the other, where both were measured twice (`compare_sides`).
    adherence : DataFrame
        week, adherence of this client; empty without a diary.
    exercise : DataFrame
        What the caseload says of kept gain and home exercise in those of this client's measures
        that most clients have (`home_exercise_link`); empty without enough diaries.
    events : DataFrame
        Unwanted events within this episode.
    notes : tuple of str
        Parts left out, with the reason.
    """

    client: str
    episode: int
    n_visits: int
    first_date: pd.Timestamp
    latest_date: pd.Timestamp
    measures: tuple[ClientMeasure, ...]
    once: tuple[tuple[Measure, float], ...]
    profile: pd.DataFrame
    sides: pd.DataFrame
    adherence: pd.DataFrame
    exercise: pd.DataFrame
    events: pd.DataFrame
    notes: tuple[str, ...] = ()


def look_at_client(
    caseload: Caseload, client: str, *, episode: int | None = None, confidence: float = 0.95
) -> ClientView:
    """Gather what the caseload knows of one client.

    Parameters
    ----------
    caseload : Caseload
        All clients: the model learns from them how clients like this one usually do.
    client : str
        Client code.
    episode : int, optional
        Episode of care; the latest when left out.
    confidence : float
        Level of intervals, in (0, 1).

    Returns
    -------
    ClientView

    Raises
    ------
    ArgumentError
        If the caseload has no such client or episode.
    DataError
        If the client was never measured at all.
    """
    visits = caseload.visits[caseload.visits["client"] == client]
    if visits.empty:
        raise ArgumentError(
            "client must be a code of the caseload, and this one is not. "
            "caseload.clients lists the codes."
        )
    episode = int(visits["episode"].max()) if episode is None else episode
    visits = visits[visits["episode"] == episode]
    if visits.empty:
        raise ArgumentError(f"episode must be one of this client's, got {episode}.")
    everything = visit_values(caseload)
    before = judged_side(everything, caseload.clients)
    after = judged_side(visit_values(caseload, moment="after"), caseload.clients)
    mine = _rows_of(before, client, episode)
    mine = mine[~mine["measure"].isin(_ANCHORS)]
    if mine.empty:
        raise DataError(
            "a client must have been measured before a treatment to be looked at; this one was "
            "not, in this episode. Measure at the next visit."
        )
    twice = start_and_latest(mine)["measure"].unique()
    found: list[ClientMeasure] = []
    judged: list[JudgedMeasure] = []
    for code in twice:
        whole = judge_measure(caseload, before, code, confidence=confidence)
        row = _own(whole.judged, client, episode)
        if row is not None:
            judged.append(whole)
            found.append(_one_measure(whole, row, after, client, episode, confidence))
    found.sort(key=lambda m: (not m.verdict["worse"], -_or(m.verdict["chance_improved"], 0)))
    rows = pd.DataFrame([m.verdict for m in found]).reset_index(drop=True)
    attended = visits[visits["attended"].fillna(True).astype(bool)]
    exercise, notes = _exercise(caseload, judged, found)
    return ClientView(
        client=client,
        episode=episode,
        n_visits=len(attended),
        first_date=attended["date"].min(),
        latest_date=attended["date"].max(),
        measures=tuple(found),
        once=_once(caseload, mine, [m.measure.code for m in found]),
        profile=profile_by_chance(rows) if found else rows,
        sides=_sides(caseload, everything, client, episode, found, confidence),
        adherence=_adherence(caseload, client, episode),
        exercise=exercise,
        events=_events(caseload, visits, client, episode),
        notes=tuple(notes),
    )


def _one_measure(
    judged: JudgedMeasure,
    row: pd.Series,
    after: pd.DataFrame,
    client: str,
    episode: int,
    confidence: float,
) -> ClientMeasure:
    keys = ["client", "episode", "side", "mode", "instrument", "measure"]
    before_all = judged.values
    series = before_all[keys].drop_duplicates()
    after_all = after[after["measure"] == judged.measure.code].merge(series, on=keys)
    both = pd.concat([before_all.assign(moment="before"), after_all.assign(moment="after")])
    visits = _rows_of(both, client, episode)
    visits = visits.sort_values(["visit", "moment"], ascending=[True, False])
    course, ahead, standing = pd.DataFrame(), {}, None
    line = judged.importance.value if judged.importance else None
    if judged.courses is not None:
        series = judged.courses.series
        own = judged.courses.only((series["client"] == client) & (series["episode"] == episode))
        if own.n:
            course = own_courses(own, confidence=confidence).drop(columns=[*_EPISODE, "ci_level"])
            reading = next_readings(own, confidence=confidence).drop(columns=_EPISODE)
            ahead = reading.iloc[0].astype(float).to_dict()
            ends = judged.measure.hard_min, judged.measure.hard_max
            ahead |= {c: float(np.clip(ahead[c], *ends)) for c in ("ci_low", "ci_high")}
            standing = meeting_table(
                own, better=judged.measure.better, minimal_important_change=line
            ).iloc[0]
    return ClientMeasure(
        measure=judged.measure,
        importance=line,
        verdict=row,
        visits=visits[["visit", "week", "moment", "value"]].reset_index(drop=True),
        course=course,
        next_visit=ahead,
        standing=standing,
        kept=_kept(before_all, after_all, judged.measure.better, client, episode),
    )


def _kept(
    before: pd.DataFrame, after: pd.DataFrame, better: str, client: str, episode: int
) -> pd.Series | None:
    if after.empty:
        return None
    try:
        found = immediate_and_kept(before, after, better=better, link=False)
    except OutcomesError:
        return None
    return _own(found.per_client, client, episode)


def _adherence(caseload: Caseload, client: str, episode: int) -> pd.DataFrame:
    diary = caseload.home_exercise[caseload.home_exercise["client"] == client]
    if diary.empty:
        return pd.DataFrame(columns=["week", "adherence"])
    weeks = episode_adherence(diary, visits=caseload.visits)
    return weeks.loc[weeks["episode"] == episode, ["week", "adherence"]].reset_index(drop=True)


def _once(
    caseload: Caseload, mine: pd.DataFrame, judged: list[str]
) -> tuple[tuple[Measure, float], ...]:
    """List what was measured once only, with its value."""
    rows = mine[~mine["measure"].isin(judged)].sort_values(["measure", "visit"])
    rows = rows.drop_duplicates("measure", keep="last")
    return tuple(
        (measure_of(caseload, code), float(value))
        for code, value in zip(rows["measure"], rows["value"], strict=True)
    )


def _sides(
    caseload: Caseload,
    values: pd.DataFrame,
    client: str,
    episode: int,
    found: list[ClientMeasure],
    confidence: float,
) -> pd.DataFrame:
    """Compare the affected side with the other one, where both were measured twice alike."""
    sides = caseload.clients.loc[caseload.clients["client"] == client, "affected_side"]
    side = sides.iloc[0] if len(sides) else None
    error = {m.measure.code: m.verdict["standard_error_of_measurement"] for m in found}
    mine = _rows_of(values, client, episode)
    mine = mine[mine["measure"].isin(list(error)) & mine["side"].isin(["left", "right"])]
    if side not in ("left", "right") or mine.empty:
        return pd.DataFrame()
    alike = start_and_latest(mine)
    better = {m.measure.code: m.measure.better for m in found}
    return compare_sides(
        alike,
        affected_side=[side] * len(alike),
        standard_error_of_measurement=alike["measure"].map(error).astype(float),
        better=alike["measure"].map(better),
        confidence=confidence,
    )


def _exercise(
    caseload: Caseload, judged: list[JudgedMeasure], found: list[ClientMeasure]
) -> tuple[pd.DataFrame, list[str]]:
    """Ask the caseload what goes with home exercise, where most clients tell of it."""
    if caseload.home_exercise.empty or not found:
        return pd.DataFrame(), []
    by_code = {j.measure.code: j for j in judged}
    tables, notes = [], []
    for m in found:
        values = by_code[m.measure.code].values
        try:
            rows = home_exercise_link(
                exercise_intervals(values, caseload.home_exercise, better=m.measure.better)
            )
        except OutcomesError as reason:
            notes.append(f"{m.measure.name}: {reason}")
            continue
        tables.append(rows.assign(measure=m.measure.code, unit=m.measure.unit))
    tables.sort(key=lambda rows: -rows["n"].max())
    most = tables[:_LINKED]
    return (pd.concat(most, ignore_index=True) if most else pd.DataFrame()), notes


def _events(caseload: Caseload, visits: pd.DataFrame, client: str, episode: int) -> pd.DataFrame:
    """Give the client's events from the episode's first visit to the next episode's."""
    events = caseload.events[caseload.events["client"] == client]
    all_visits = caseload.visits[caseload.visits["client"] == client]
    later = all_visits.loc[all_visits["episode"] > episode, "date"]
    until = later.min() if len(later) else pd.Timestamp.max
    inside = (events["date"] >= visits["date"].min()) & (events["date"] < until)
    return events[inside | events["date"].isna()].sort_values("date").reset_index(drop=True)


def _rows_of(table: pd.DataFrame, client: str, episode: int) -> pd.DataFrame:
    return table[(table["client"] == client) & (table["episode"] == episode)]


def _own(table: pd.DataFrame, client: str, episode: int) -> pd.Series | None:
    rows = _rows_of(table, client, episode)
    return None if rows.empty else rows.iloc[0]


def _or(value: float, otherwise: float) -> float:
    return otherwise if value != value else float(value)
