"""One client, all measures: verdicts, own course, what is kept between visits, what is to come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, OutcomesError
from outcomes.measures.catalogue import Measure
from outcomes.records.caseload import Caseload
from outcomes.records.readings import judged_side, visit_values
from outcomes.results import Claim
from outcomes.statistics.individual_change import (
    ClientCourses,
    immediate_and_kept,
    meeting_table,
    profile,
)
from outcomes.statistics.review.judging import JudgedMeasure, judge_measure
from outcomes.statistics.service import episode_adherence

__all__ = ["ClientMeasure", "ClientView", "look_at_client"]

_ANCHORS = ("groc",)


@dataclass(frozen=True, eq=False, kw_only=True)
class ClientMeasure(Claim):
    """One measure of one client.

    Attributes
    ----------
    measure : Measure
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
    measures : tuple of ClientMeasure
        Declines first, then by the chance of improvement.
    profile : DataFrame
        Which measures moved, allowing for how many were looked at (`profile`).
    adherence : DataFrame
        week, adherence of this client; empty without a diary.
    events : DataFrame
        Unwanted events of this client.
    notes : tuple of str
        Measures left out, with the reason.
    """

    client: str
    episode: int
    n_visits: int
    measures: tuple[ClientMeasure, ...]
    profile: pd.DataFrame
    adherence: pd.DataFrame
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
        If the client was never measured twice.
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
    before = judged_side(visit_values(caseload), caseload.clients)
    after = judged_side(visit_values(caseload, moment="after"), caseload.clients)
    mine = before[(before["client"] == client) & (before["episode"] == episode)]
    found, notes = [], []
    for code in [c for c in mine["measure"].unique() if c not in _ANCHORS]:
        judged = judge_measure(caseload, before, code, confidence=confidence)
        row = _own(judged.judged, client, episode)
        if row is None:
            notes.append(f"{judged.measure.name}: measured once only.")
            continue
        found.append(_one_measure(judged, row, after, client, episode, confidence))
    if not found:
        raise DataError(
            "a client must have been measured twice in one measure to be judged; this one was "
            "not. Measure again."
        )
    found.sort(key=lambda m: (not m.verdict["worse"], -_or(m.verdict["chance_improved"], 0)))
    rows = pd.DataFrame([m.verdict for m in found]).reset_index(drop=True)
    return ClientView(
        client=client,
        episode=episode,
        n_visits=int(visits["attended"].fillna(True).astype(bool).sum()),
        measures=tuple(found),
        profile=profile(rows),
        adherence=_adherence(caseload, client, episode),
        events=caseload.events[caseload.events["client"] == client],
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
    visits = both[(both["client"] == client) & (both["episode"] == episode)]
    visits = visits.sort_values(["visit", "moment"], ascending=[True, False])
    course, ahead, standing = pd.DataFrame(), {}, None
    if judged.courses is not None:
        at = _position(judged.courses, client, episode)
        if at is not None:
            course, ahead = _course(judged.courses, at, confidence)
            line = judged.importance.value if judged.importance else None
            table = meeting_table(
                judged.courses, better=judged.measure.better, minimal_important_change=line
            )
            standing = _own(table, client, episode)
    return ClientMeasure(
        measure=judged.measure,
        verdict=row,
        visits=visits[["visit", "week", "moment", "value"]].reset_index(drop=True),
        course=course,
        next_visit=ahead,
        standing=standing,
        kept=_kept(before_all, after_all, judged.measure.better, client, episode),
    )


def _course(
    courses: ClientCourses, at: int, confidence: float
) -> tuple[pd.DataFrame, dict[str, float]]:
    """Draw the client's own course to the next visit, and where its reading should fall."""
    series = courses.series.iloc[at]
    length = float(series["latest_time"] - series["first_time"])
    tail = (1 - confidence) / 2
    rows = []
    for week in np.linspace(0, length + courses.usual_gap, 25):
        level = courses.level(week).row(at)
        rows.append(
            {
                "week": week + float(series["first_time"]),
                "estimate": float(level.mean[0]),
                "ci_low": float(level.quantile(tail)[0]),
                "ci_high": float(level.quantile(1 - tail)[0]),
            }
        )
    ahead = courses.level(length + courses.usual_gap).row(at).widened(courses.scatter_sd**2)
    return pd.DataFrame(rows), {
        "week": length + courses.usual_gap + float(series["first_time"]),
        "estimate": float(ahead.mean[0]),
        "ci_low": float(ahead.quantile(tail)[0]),
        "ci_high": float(ahead.quantile(1 - tail)[0]),
    }


def _kept(
    before: pd.DataFrame, after: pd.DataFrame, better: str, client: str, episode: int
) -> pd.Series | None:
    if after.empty:
        return None
    try:
        found = immediate_and_kept(before, after, better=better)
    except OutcomesError:
        return None
    return _own(found.per_client, client, episode)


def _adherence(caseload: Caseload, client: str, episode: int) -> pd.DataFrame:
    diary = caseload.home_exercise[caseload.home_exercise["client"] == client]
    if diary.empty:
        return pd.DataFrame(columns=["week", "adherence"])
    weeks = episode_adherence(diary, visits=caseload.visits)
    return weeks.loc[weeks["episode"] == episode, ["week", "adherence"]].reset_index(drop=True)


def _own(table: pd.DataFrame, client: str, episode: int) -> pd.Series | None:
    rows = table[(table["client"] == client) & (table["episode"] == episode)]
    return None if rows.empty else rows.iloc[0]


def _position(courses: ClientCourses, client: str, episode: int) -> int | None:
    series = courses.series
    found = np.flatnonzero((series["client"] == client) & (series["episode"] == episode))
    return int(found[0]) if found.size else None


def _or(value: float, otherwise: float) -> float:
    return otherwise if value != value else float(value)
