"""The network over the quarters: counts of a partition that add up, and the charts made of them.

Each partition judges every episode as of the end of each quarter in which it was seen, by the
functions of one machine, and keeps counts only. Quarters are numbered from 1970Q1.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.errors import DataError, OutcomesError
from outcomes.network.tally import Tally, equivalent_rows, moments
from outcomes.records.caseload import Caseload
from outcomes.records.settings import Settings
from outcomes.statistics.individual_change import judge_change, start_and_latest
from outcomes.statistics.review.over_time import small_shifts
from outcomes.statistics.service import EventRate, event_rate, rate_chart, share_chart
from outcomes.statistics.service.quarters import ALL

__all__ = ["NetworkQuarters", "count_quarters", "over_quarters"]

_LEAST_QUARTERS = 4
#: All that pairs are made of where an episode has one series: side, mode, instrument are the same.
_NEEDED = ["client", "episode", "visit", "date", "measure", "value"]


@dataclass(frozen=True, eq=False, kw_only=True)
class NetworkQuarters:
    """What the sections on time and events show, with the names of `Meeting`.

    Attributes
    ----------
    gain_charts : dict of str to DataFrame
        Share of episodes with a detectable gain, by measure (`share_chart`).
    follow_up_chart : DataFrame or None
        Share of the episodes begun in a quarter that were measured again.
    small_shifts : DataFrame
        As `small_shifts` of `outcomes.statistics.review.over_time` gives it.
    events : EventRate or None
    event_chart : DataFrame or None
        Unwanted events per 1,000 kept visits (`rate_chart`).
    completeness : DataFrame
        by, group, measured_at_start, measured_again, share_followed_up, over all measures.
    notes : dict of str to str
        Why a part is absent.
    """

    gain_charts: dict[str, pd.DataFrame]
    follow_up_chart: pd.DataFrame | None
    events: EventRate | None
    event_chart: pd.DataFrame | None
    completeness: pd.DataFrame
    small_shifts: pd.DataFrame = field(default_factory=pd.DataFrame)
    settings: Settings = field(default_factory=Settings)
    notes: dict[str, str] = field(default_factory=dict)


def count_quarters(
    caseload: Caseload,
    judged: Mapping[str, tuple[pd.DataFrame, pd.DataFrame, str]],
    *,
    end: pd.Timestamp,
    confidence: float,
) -> Tally:
    """Count a partition by quarter.

    Parameters
    ----------
    caseload : Caseload
        The partition, coded: `client` a whole number.
    judged : dict
        Per measure: its series, the verdicts with their thresholds, and which way is better.
    end : Timestamp
        First day that no longer counts.
    confidence : float
        Level of the detectable change.

    Returns
    -------
    dict
        gain (per measure and quarter: gained, judged), first (moments of the improvements of
        episodes that have one for the first time), again (per quarter of the start: measured
        again, begun), visits (kept) and events, per quarter.
    """
    visits = caseload.visits[caseload.visits["date"] < end]
    if visits.empty:
        return {}
    quarter = _quarter(visits["date"])
    width = int(visits["episode"].max()) + 1
    episodes, place = np.unique(_key(visits, width), return_inverse=True)
    kept = visits["attended"].fillna(True).to_numpy(bool)
    begun = np.full(episodes.size, np.iinfo(np.int64).max)
    np.minimum.at(begun, place, quarter)
    again = np.zeros(episodes.size, dtype=bool)
    gain: Tally = {code: {} for code in judged}
    first: Tally = {code: {} for code in judged}
    had = {code: np.zeros(episodes.size, dtype=bool) for code in judged}
    known, rows_of = {}, {}
    for code, (series, verdicts, _) in judged.items():
        at, there = _places(episodes, _key(verdicts, width))
        error, line = np.full((2, episodes.size), np.nan)
        error[at[there]] = verdicts["standard_error_of_measurement"].to_numpy(float)[there]
        line[at[there]] = verdicts["minimal_important_change"].to_numpy(float)[there]
        at, there = _places(episodes, _key(series, width))
        known[code] = at, there, _quarter(series["date"]), error, line
        single = len(verdicts) == len(verdicts[["client", "episode"]].drop_duplicates())
        rows_of[code] = series[_NEEDED] if single else series
    for now in range(int(quarter.min()), int(quarter.max()) + 1):
        seen = np.zeros(episodes.size, dtype=bool)
        seen[place[kept & (quarter == now)]] = True
        for code, (_, _, better) in judged.items():
            at, there, when, error, line = known[code]
            pairs = start_and_latest(rows_of[code][there & seen[at] & (when <= now)])
            own, _ = _places(episodes, _key(pairs, width))
            again[own] = True
            rows = judge_change(
                pairs,
                standard_error_of_measurement=error[own],
                minimal_important_change=line[own],
                better=better,
                confidence=confidence,
            )
            sure = rows["detectable"].notna()
            gained = rows["detectable"].fillna(False).astype(bool) & (rows["improvement"] > 0)
            new = ~had[code][own]
            had[code][own] = True
            if new.any():
                first[code][_name(now)] = moments(rows[["improvement"]].to_numpy(float)[new])
            if sure.any():
                gain[code][_name(now)] = [int((gained & sure).sum()), int(sure.sum())]
    events = caseload.events[caseload.events["date"] < end]
    return {
        "gain": gain,
        "first": first,
        "again": {
            _name(q): [int(again[begun == q].sum()), int((begun == q).sum())]
            for q in np.unique(begun)
        },
        "visits": _counts(quarter[kept]),
        "events": _counts(_quarter(events["date"])) if len(events) else {},
    }


def over_quarters(
    found: Tally,
    *,
    quarter: str,
    flow_by_clinic: Mapping[str, pd.DataFrame],
    events_recorded: bool,
    settings: Settings | None = None,
) -> NetworkQuarters:
    """Make charts and rates of counts that were added up over all partitions.

    Parameters
    ----------
    found : dict
        From `count_quarters`, merged.
    quarter : str
        The quarter reviewed, or all.
    flow_by_clinic : dict of str to DataFrame
        Per measure, as `NetworkMeasure.flow_by_clinic`.
    events_recorded : bool
        Whether the sources have a table of events.
    settings : Settings, optional
        For dated changes and names of sites.
    """
    notes: dict[str, str] = {}
    gains = {}
    for code in flow_by_clinic:
        counts = sorted(found.get("gain", {}).get(code, {}).items())
        if len(counts) >= _LEAST_QUARTERS:
            names, numbers = zip(*counts, strict=True)
            gained, n = np.array(numbers).T
            gains[code] = share_chart(gained, n=n, periods=list(names))
    if not gains:
        notes["charts"] = "charts over time must have at least 4 quarters. Come back later."
    rate = chart = followed = None
    try:
        if not events_recorded:
            raise DataError(
                "unwanted events must be recorded to be counted. Add a table of events."
            )
        rate = _event_rate(found, quarter)
        chart = _event_chart(found)
    except OutcomesError as reason:
        notes["events"] = str(reason)
    with contextlib.suppress(OutcomesError):  # too few quarters
        counts = sorted(found.get("again", {}).items())
        again, n = np.array([numbers for _, numbers in counts]).reshape(-1, 2).T
        followed = share_chart(again, n=n, periods=[name for name, _ in counts])
    shifts = pd.DataFrame()
    try:
        shifts = small_shifts(_first_improvements(found, list(flow_by_clinic)))
    except OutcomesError as reason:
        notes["small shifts"] = str(reason)
    return NetworkQuarters(
        small_shifts=shifts,
        gain_charts=gains,
        follow_up_chart=followed,
        events=rate,
        event_chart=chart,
        completeness=_completeness(flow_by_clinic),
        settings=settings or Settings(),
        notes=notes,
    )


def _event_rate(found: Tally, quarter: str) -> EventRate:
    visits, events = found.get("visits", {}), found.get("events", {})
    mine = sorted(visits) if quarter == ALL else [quarter]
    count = sum(events.get(q, 0) for q in mine)
    return event_rate(count, visits=sum(visits.get(q, 0) for q in mine))


def _event_chart(found: Tally) -> pd.DataFrame:
    quarters, events = sorted(found.get("visits", {})), found.get("events", {})
    exposure = np.array([found["visits"][q] for q in quarters]) / 1000
    return rate_chart([events.get(q, 0) for q in quarters], exposure=exposure, periods=quarters)


def _first_improvements(found: Tally, codes: list[str]) -> pd.DataFrame:
    """Make rows that have the moments counted, quarter by quarter; they stand for no client."""
    frames = [pd.DataFrame({"quarter": [], "measure": [], "improvement": []})]
    for code in codes:
        for quarter, own in sorted(found.get("first", {}).get(code, {}).items()):
            rows = equivalent_rows(own)[:, 0] if own["n"] > 1 else np.array(own["mean"])
            frames.append(pd.DataFrame({"quarter": quarter, "measure": code, "improvement": rows}))
    rows = pd.concat([frame for frame in frames if len(frame)] or frames, ignore_index=True)
    return rows.assign(client=np.arange(len(rows)), episode=1)


def _completeness(flow_by_clinic: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    counts = ["measured_at_start", "measured_again"]
    total = pd.concat(flow_by_clinic.values()).groupby("clinic")[counts].sum().reset_index()
    total = total[total["measured_at_start"] > 0].rename(columns={"clinic": "group"})
    total["share_followed_up"] = total["measured_again"] / total["measured_at_start"]
    return total.assign(by="clinic")[["by", "group", *counts, "share_followed_up"]]


def _key(frame: pd.DataFrame, width: int) -> np.ndarray:
    """Give every row one number for its client and episode."""
    return frame["client"].to_numpy() * width + frame["episode"].to_numpy(dtype=np.int64)


def _places(episodes: np.ndarray, key: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    at = np.searchsorted(episodes, key).clip(max=episodes.size - 1)
    return at, episodes[at] == key


def _quarter(dates: pd.Series) -> np.ndarray:
    return dates.to_numpy("datetime64[M]").astype(np.int64) // 3


def _name(quarter: int) -> str:
    return f"{1970 + quarter // 4}Q{quarter % 4 + 1}"


def _counts(quarter: np.ndarray) -> dict[str, int]:
    found = np.unique(quarter, return_counts=True)
    return {_name(int(q)): int(n) for q, n in zip(*found, strict=True)}
