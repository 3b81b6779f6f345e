"""Which clients a meeting should speak about. Codes only; no names, no dates of birth.

Reasons, in the order of the list:

    worsened detectably      a decline beyond measurement error since the start
    unwanted event           recorded in the period
    levelled off             no further gain expected, and still short of an important change
    stopped coming           no kept visit for some weeks, not discharged, nothing booked
    overdue                  still coming, but not measured for some weeks
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import check_columns, check_count
from outcomes.statistics.service.quarters import quarter_dates

__all__ = ["REASONS", "attention_list"]

REASONS = (
    "worsened detectably",
    "unwanted event",
    "levelled off short of an important change",
    "stopped coming without discharge",
    "overdue for re-measurement",
)
_COLUMNS = [
    "client",
    "episode",
    "reason",
    "measure",
    "improvement",
    "minimal_detectable_change",
    "event",
    "severity",
    "days",
]
_EPISODE = ["client", "episode"]
_SEVERE = {"severe": 0, "moderate": 1, "mild": 2}


def attention_list(
    visits: pd.DataFrame,
    *,
    quarter: str,
    values: pd.DataFrame,
    judged: pd.DataFrame | None = None,
    events: pd.DataFrame | None = None,
    levelled_off: pd.DataFrame | None = None,
    as_of: object = None,
    remeasure_after_weeks: int = 6,
    silent_after_weeks: int = 4,
    not_discharged: tuple[str, ...] = ("stopped coming",),
) -> pd.DataFrame:
    """List the clients that the next meeting should speak about, with the reason.

    Use at the end of a quarter. Do not read the order as urgency: a person looks at each.

    Parameters
    ----------
    visits : DataFrame
        client, episode, date, and attended, end_reason where recorded.
    quarter : str
        Period of the list: events in it, and episodes with a kept visit in it.
    values : DataFrame
        Before-treatment readings: client, episode, date, measure.
    judged : DataFrame, optional
        client, episode, measure, improvement, minimal_detectable_change, worsened.
    events : DataFrame, optional
        client, date, event, severity.
    levelled_off : DataFrame, optional
        client, episode, measure of those who gain no more, short of an important change.
    as_of : date, optional
        Day up to which records are known; default the last recorded visit or the quarter's end,
        whichever is earlier.
    remeasure_after_weeks, silent_after_weeks : int
        Weeks without a reading, and without a kept visit, that are too many.
    not_discharged : tuple of str
        Words of `end_reason` that say that the client just stayed away. An empty end_reason does
        too; any other word closes the episode.

    Returns
    -------
    DataFrame
        client, episode, reason (one of `REASONS`), measure, improvement,
        minimal_detectable_change, event, severity, days (since the event, the last kept visit or
        the oldest last reading). Cells that a reason does not use are empty. An unwanted event
        between episodes has no episode.

    Raises
    ------
    DataError
        If columns are missing.

    Examples
    --------
    >>> days = pd.to_datetime(["2026-04-02", "2026-06-29"])
    >>> visits = pd.DataFrame({"client": ["a", "b"], "episode": 1, "date": days})
    >>> values = visits.assign(measure="ndi")
    >>> found = attention_list(visits, quarter="2026Q2", values=values)
    >>> found[["client", "reason"]].values.tolist()
    [['a', 'stopped coming without discharge']]
    """
    check_columns(visits, [*_EPISODE, "date"], thing="the visits")
    check_columns(values, [*_EPISODE, "date", "measure"], thing="the values")
    check_count("remeasure_after_weeks", remeasure_after_weeks)
    check_count("silent_after_weeks", silent_after_weeks)
    first, last = quarter_dates(quarter)
    end = last if as_of is None else pd.Timestamp(as_of)  # pyright: ignore[reportArgumentType]
    if as_of is None and len(visits):
        end = min(last, visits["date"].max())
    episodes = _episodes(visits, first, end, not_discharged)
    parts = [
        _worsened(judged, episodes),
        _events(events, episodes, first, end),
        _levelled(levelled_off, episodes),
        _stopped(episodes, end, silent_after_weeks),
        _overdue(values, episodes, end, remeasure_after_weeks, silent_after_weeks),
    ]
    found = [part.assign(reason=reason) for part, reason in zip(parts, REASONS, strict=True)]
    rows = pd.concat([part for part in found if len(part)] or [pd.DataFrame(columns=_COLUMNS)])
    return rows.reindex(columns=_COLUMNS).reset_index(drop=True)


def _episodes(
    visits: pd.DataFrame,
    first: pd.Timestamp,
    end: pd.Timestamp,
    not_discharged: tuple[str, ...],
) -> pd.DataFrame:
    """Sum up the episodes with a kept visit in the period: last kept visit, booking, closed."""
    rows = visits.copy()
    kept = pd.Series(True, index=rows.index)
    if "attended" in rows:
        kept = rows["attended"].astype("boolean").fillna(True).astype(bool)
    reason = (
        rows["end_reason"] if "end_reason" in rows else pd.Series(None, rows.index, dtype="str")
    )
    reason = reason.astype("object").where(reason.notna(), "")
    rows["closed"] = ~reason.isin(["", *not_discharged]) & (rows["date"] <= end)
    rows["last_kept"] = rows["date"].where(kept & (rows["date"] <= end))
    rows["booked"] = rows["date"] > end
    table = rows.groupby(_EPISODE).agg(
        last_kept=("last_kept", "max"), booked=("booked", "any"), closed=("closed", "any")
    )
    return table[table["last_kept"] >= first].reset_index()


def _worsened(judged: pd.DataFrame | None, episodes: pd.DataFrame) -> pd.DataFrame:
    if judged is None:
        return pd.DataFrame()
    needed = [*_EPISODE, "measure", "improvement", "minimal_detectable_change", "worsened"]
    check_columns(judged, needed, thing="the judged changes")
    down = judged["worsened"].astype("boolean").fillna(False).astype(bool)
    rows = judged[down].merge(episodes[_EPISODE], on=_EPISODE)
    ratio = rows["improvement"] / rows["minimal_detectable_change"]
    return rows.iloc[np.argsort(ratio.to_numpy(float), kind="stable")]


def _events(
    events: pd.DataFrame | None, episodes: pd.DataFrame, first: pd.Timestamp, end: pd.Timestamp
) -> pd.DataFrame:
    if events is None or events.empty:
        return pd.DataFrame()
    check_columns(events, ["client", "date", "event"], thing="the events")
    rows = events[events["date"].between(first, end + pd.Timedelta(days=1), inclusive="left")]
    latest = episodes.groupby("client")["episode"].max()
    rows = rows.assign(
        episode=rows["client"].map(latest).astype("Int64"), days=(end - rows["date"]).dt.days
    )
    if "severity" not in rows:
        return rows.sort_values("days")
    order = rows["severity"].map(_SEVERE).fillna(len(_SEVERE))
    return rows.assign(order=order).sort_values(["order", "days"]).drop(columns="order")


def _levelled(levelled_off: pd.DataFrame | None, episodes: pd.DataFrame) -> pd.DataFrame:
    if levelled_off is None:
        return pd.DataFrame()
    check_columns(levelled_off, [*_EPISODE, "measure"], thing="the levelled-off clients")
    open_ones = episodes.loc[~episodes["closed"], _EPISODE]
    return levelled_off.merge(open_ones, on=_EPISODE).sort_values([*_EPISODE, "measure"])


def _stopped(episodes: pd.DataFrame, end: pd.Timestamp, weeks: int) -> pd.DataFrame:
    days = (end - episodes["last_kept"]).dt.days
    away = (days > 7 * weeks) & ~episodes["closed"] & ~episodes["booked"]
    return episodes.assign(days=days)[away].sort_values("days", ascending=False)


def _overdue(
    values: pd.DataFrame, episodes: pd.DataFrame, end: pd.Timestamp, weeks: int, silent: int
) -> pd.DataFrame:
    """Find episodes still running whose oldest last reading is too old; one row each."""
    days = (end - episodes["last_kept"]).dt.days
    running = episodes[~episodes["closed"] & ((days <= 7 * silent) | episodes["booked"])]
    rows = values[values["date"] <= end].merge(running[_EPISODE], on=_EPISODE)
    latest = rows.groupby([*_EPISODE, "measure"])["date"].max().reset_index()
    latest["days"] = (end - latest["date"]).dt.days
    oldest = latest.sort_values("days", ascending=False, kind="stable").drop_duplicates(_EPISODE)
    return oldest[oldest["days"] > 7 * weeks]
