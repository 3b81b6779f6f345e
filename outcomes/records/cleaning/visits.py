"""Rules about the order of visits."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import pandas as pd

from outcomes.records.cleaning.findings import findings, none_found
from outcomes.records.cleaning.records import Records, combine, days_of, starts_of

__all__ = [
    "follow_up_before_baseline",
    "two_visits_on_one_day",
    "visit_after_discharge",
    "visit_out_of_order",
]

#: Days from every other visit of the episode at which a date is asked about: wrong years show.
FAR = 300


def two_visits_on_one_day(records: Records) -> pd.DataFrame:
    """Ask about a client's second visit of the same day."""
    visits = records.caseload.visits
    dated = visits["date"].notna().to_numpy()
    again = visits.duplicated(["client", "date"]).to_numpy() & dated
    reason = "the client has an earlier visit on this day"
    return findings("visits", np.flatnonzero(again), reason, column="date")


def visit_out_of_order(records: Records) -> pd.DataFrame:
    """Ask about visits whose date does not fit their number, or stands far from all others."""
    visits = records.caseload.visits
    if visits.empty:
        return none_found("visits")
    misplaced, _ = _misplaced(visits)
    wrong = findings(
        "visits", misplaced, "the date does not fit the number of the visit", column="date"
    )
    far = np.setdiff1d(_far(visits), misplaced)
    reason = f"the date is more than {FAR} days from every other visit of the episode"
    return pd.concat([wrong, findings("visits", far, reason, column="date")], ignore_index=True)


def follow_up_before_baseline(records: Records) -> pd.DataFrame:
    """Ask about first visits that are dated after the visits that follow them."""
    visits = records.caseload.visits
    if visits.empty:
        return none_found("visits")
    _, baselines = _misplaced(visits)
    reason = "the first visit is dated after its follow-up"
    return findings("visits", baselines, reason, column="date")


def visit_after_discharge(records: Records) -> pd.DataFrame:
    """Ask about visits after the one that gives the reason why the episode ended."""
    visits = records.caseload.visits
    ended = (visits["end_reason"].fillna("") != "").to_numpy()
    if not ended.any():
        return none_found("visits")
    episode, day = _episode(visits), days_of(visits)
    last = np.full(int(episode.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(last, episode[ended], day[ended])
    rows = np.flatnonzero((day > last[episode]) & visits["date"].notna().to_numpy())
    reason = "an earlier visit says that the episode had ended"
    return findings("visits", rows, reason, column="date")


def _episode(visits: pd.DataFrame) -> np.ndarray:
    client = pd.factorize(visits["client"])[0].astype(np.int64) + 1
    episode = visits["episode"].to_numpy(dtype=np.int64, na_value=0)
    return pd.factorize(combine(client, episode - min(episode.min(initial=0), 0)))[0]


def _misplaced(visits: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Rows to move so that dates and visit numbers agree: later visits, and first visits apart.

    Only as few rows are named as must be moved: those outside a longest run of rising dates.
    """
    usable = (visits["date"].notna() & visits["visit"].notna()).to_numpy()
    rows = np.flatnonzero(usable)
    episode = _episode(visits)[rows]
    number = visits["visit"].to_numpy(dtype=np.int64, na_value=0)[rows]
    day = days_of(visits)[rows]
    order = np.lexsort((day, number, episode))
    rows, episode, day = rows[order], episode[order], day[order]
    falls = np.r_[False, (episode[1:] == episode[:-1]) & (day[1:] < day[:-1])]
    later: list[int] = []
    first: list[int] = []
    starts = np.r_[np.flatnonzero(starts_of(episode)), len(rows)]
    for at in np.unique(np.searchsorted(starts, np.flatnonzero(falls), side="right") - 1):
        begin, end = starts[at], starts[at + 1]
        for place in _outside_longest_rise(day[begin:end].tolist()):
            (later if place else first).append(int(rows[begin + place]))
    return np.array(sorted(later), dtype=np.int64), np.array(sorted(first), dtype=np.int64)


def _outside_longest_rise(days: list[int]) -> list[int]:
    """Positions outside a longest non-falling subsequence (of equal ones, the later falls out)."""
    tails: list[int] = []
    at_tail: list[int] = []
    before = [-1] * len(days)
    for i, day in enumerate(days):
        place = bisect_right(tails, day)
        before[i] = at_tail[place - 1] if place else -1
        if place == len(tails):
            tails.append(day)
            at_tail.append(i)
        else:
            tails[place], at_tail[place] = day, i
    inside = set()
    i = at_tail[-1]
    while i >= 0:
        inside.add(i)
        i = before[i]
    return [i for i in range(len(days)) if i not in inside]


def _far(visits: pd.DataFrame) -> np.ndarray:
    """Rows of episodes with several visits whose date stands far from all others."""
    rows = np.flatnonzero(visits["date"].notna().to_numpy())
    if not len(rows):
        return rows
    episode, day = _episode(visits)[rows], days_of(visits)[rows]
    order = np.lexsort((day, episode))
    rows, episode, day = rows[order], episode[order], day[order]
    same = episode[1:] == episode[:-1]
    gap = np.where(same, np.diff(day), np.iinfo(np.int64).max)
    behind, ahead = np.r_[np.iinfo(np.int64).max, gap], np.r_[gap, np.iinfo(np.int64).max]
    several = np.r_[False, same] | np.r_[same, False]
    two = several & (np.bincount(episode)[episode] == 2)  # which of two is wrong cannot be said:
    lonely = several & (np.minimum(behind, ahead) > FAR)
    lonely &= ~two | np.r_[False, same]  # name the later one
    return np.sort(rows[lonely])
