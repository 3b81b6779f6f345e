"""One partition judged: the functions of a single clinic's review, on some of the clients.

Every row of a client is in one partition, so a client's start, latest value and verdict by cut-off
are the same here as over the whole network. What needs the whole network, the mixed model above
all, comes in later stages from the series that this one leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.network.attention import listed_in_partition
from outcomes.network.coding import read_coded
from outcomes.network.quarters import count_quarters
from outcomes.network.stages import write_part
from outcomes.network.store import Partition, Store, open_store
from outcomes.network.tally import Tally, counts_of, moments
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import error_of, importance_of, measure_of
from outcomes.records.readings import judged_side, visit_values
from outcomes.statistics.effect_size import verdict_shares
from outcomes.statistics.individual_change import (
    count_verdicts,
    judge_change,
    start_and_latest,
)
from outcomes.statistics.review.judging import row_errors
from outcomes.statistics.service import eligible_episodes, flow_counts, quarter_dates

__all__ = [
    "ANCHORS",
    "EPISODE",
    "LONGEST",
    "STAGES_OF_FLOW",
    "Plan",
    "judge_partition",
    "opened",
    "series_starts",
]

EPISODE = ["client", "episode"]
_SERIES = [*EPISODE, "side", "mode", "instrument"]
#: Ratings of change itself: no outcome with a start and a latest value.
ANCHORS = ("groc",)
STAGES_OF_FLOW = ("eligible", "measured_at_start", "measured_again", "analysed")
#: Weeks that the mean course looks at.
LONGEST = 26.0
_COLUMNS = {
    "clients": ["client", "clinic", "practitioner", "birth_year", "affected_side"]
    + ["complaint", "onset_weeks"],
    "visits": ["client", "episode", "visit", "date", "practitioner", "attended", "end_reason"],
    "events": ["client", "date", "event", "severity"],
    "measurements": ["client", "episode", "visit", "date", "measure", "side", "moment", "value"]
    + ["unit", "rater", "instrument", "mode"],
}
_SLIM = [*EPISODE, "visit", "clinic", "week", "value", "error"]


@dataclass(frozen=True)
class Plan:
    """What a review asks of every partition.

    Attributes
    ----------
    folder, fingerprint : str
        The store, and its state: a store that changes in mid-run is noticed.
    quarter : str
        As 2026Q2, or all.
    measures : tuple of str
        Codes to review; all when empty.
    confidence : float
        Level of intervals and of the detectable change.
    every_column : bool
        Keep all columns and all readings for a report that lists clients. Left out: count by
        quarter, and list clients to speak about apart, for one that does not.
    as_of : str
        Day up to which the network's records are known; for lists.
    remeasure_after_weeks : int
        Weeks without a reading that are too many; for lists.
    """

    folder: str
    fingerprint: str
    quarter: str
    measures: tuple[str, ...] = ()
    confidence: float = 0.95
    every_column: bool = False
    as_of: str = ""
    remeasure_after_weeks: int = 6

    @property
    def end(self) -> pd.Timestamp:
        """First day after the quarter."""
        return quarter_dates(self.quarter)[1] + pd.Timedelta(days=1)


@lru_cache(maxsize=4)
def opened(folder: str, fingerprint: str) -> Store:
    """Open a store once per worker, refusing one that is no longer the same."""
    store = open_store(folder)
    if store.fingerprint != fingerprint:
        raise DataError(f"{store.folder.name} must not change during a run; it did. Run again.")
    return store


def judge_partition(task: tuple[Plan, Sequence[Partition]], prefix: str) -> Tally:
    """Judge all episodes of some partitions; leave their series and verdicts, give counts.

    Leaves, per measure, ``series-CODE`` (one row per visit of every series judged, sorted by
    client, episode and week) and ``judged-CODE`` (one row per episode, sorted, up to the quarter's
    end, with `in_quarter`).
    """
    plan, partitions = task
    coded = read_coded(opened(plan.folder, plan.fingerprint), partitions, _COLUMNS)
    caseload = coded.caseload
    values = visit_values(caseload, measures=plan.measures or None)
    values = judged_side(values, caseload.clients)
    values = values[values["date"] < plan.end]
    codes = [code for code in sorted(values["measure"].unique()) if code not in ANCHORS]
    tally: Tally = {"visits": len(caseload.visits), "readings": len(caseload.measurements)}
    episodes = eligible_episodes(caseload.visits, quarter=plan.quarter)
    tally["eligible"] = len(episodes)
    tally["flow"] = _flow(caseload, values, codes, plan.quarter)
    tally["measures"] = {}
    here = pd.MultiIndex.from_frame(episodes)
    about = _about_clients(caseload)
    everything = {}
    for code in codes:
        readings = values[values["measure"] == code]
        series, judged = _judge(caseload, readings, code, plan.confidence)
        judged = judged.merge(about, on="client", how="left")
        judged["in_quarter"] = pd.MultiIndex.from_frame(judged[EPISODE]).isin(here)
        judged = judged.sort_values(EPISODE, kind="stable", ignore_index=True)
        tally["measures"][code] = _tally(caseload, code, series, judged, plan.confidence)
        kept = series if plan.every_column else series[_SLIM]
        write_part(prefix, f"series-{code}", coded.named(kept))
        write_part(prefix, f"judged-{code}", coded.named(judged))
        if plan.every_column:
            write_part(prefix, f"readings-{code}", coded.named(readings))
        everything[code] = series, judged, measure_of(caseload, code).better
    if not plan.every_column:
        tally["quarters"] = count_quarters(
            caseload, everything, end=plan.end, confidence=plan.confidence
        )
        readings = values[values["measure"].isin(codes)]
        weeks = plan.remeasure_after_weeks
        rows = listed_in_partition(
            caseload, readings, quarter=plan.quarter, as_of=plan.as_of, weeks=weeks
        )
        write_part(prefix, "attention", coded.named(rows))
    return tally


def _judge(
    caseload: Caseload, rows: pd.DataFrame, code: str, confidence: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    measure, importance = measure_of(caseload, code), importance_of(caseload, code)
    pairs = start_and_latest(rows)
    series = rows.merge(pairs[_SERIES], on=_SERIES)
    series = series.sort_values([*EPISODE, "week"], kind="stable", ignore_index=True)
    judged = judge_change(
        pairs,
        standard_error_of_measurement=row_errors(caseload, code, pairs),
        minimal_important_change=importance.value if importance else None,
        better=measure.better,
        confidence=confidence,
    )
    error = error_of(caseload, code)
    own = error is not None and error.source == "own study"
    return series.assign(error=row_errors(caseload, code, series) if own else np.nan), judged


def _about_clients(caseload: Caseload) -> pd.DataFrame:
    """Give what results are adjusted for, one row per client."""
    return caseload.clients[["client", "birth_year", "onset_weeks", "complaint"]].drop_duplicates(
        "client"
    )


def _flow(
    caseload: Caseload, values: pd.DataFrame, codes: list[str], quarter: str
) -> dict[str, Any]:
    """Count the stages from the door to the analysis, by measure and clinic."""
    if not codes:
        return {}
    counts = flow_counts(
        values,
        visits=caseload.visits,
        quarter=quarter,
        measures=codes,
        clients=caseload.clients.drop_duplicates("client"),
        by=["clinic"],
    )
    stages = list(STAGES_OF_FLOW[1:])  # eligible is the same for every measure
    return {
        code: {
            str(clinic): {stage: int(row[stage]) for stage in stages}
            for clinic, row in own.set_index("clinic")[stages].iterrows()
        }
        for code, own in counts.groupby("measure")
    }


def _tally(
    caseload: Caseload, code: str, series: pd.DataFrame, judged: pd.DataFrame, confidence: float
) -> Tally:
    now = judged[judged["in_quarter"]]
    sign = 1.0 if measure_of(caseload, code).better == "higher" else -1.0
    found: Tally = {
        "moments": moments(sign * now[["start_value", "latest_value"]].to_numpy(float)),
        "shares": {},
        "verdicts": {},
        "everyone": len(judged),
    }
    if len(now):
        for row in verdict_shares(now, confidence=confidence).itertuples():
            found["shares"][row.quantity] = {"count": int(row.count), "n": int(row.n)}  # pyright: ignore
        counts = count_verdicts(now).set_index("verdict")["count"]
        found["verdicts"] = {word: int(n) for word, n in counts.items() if n}
    found["worsened"] = int(now["worsened"].fillna(False).sum())
    return found | _series_tally(series)


def _series_tally(rows: pd.DataFrame) -> Tally:
    """Count what the models need to know of all series before they begin; sorted rows."""
    first = series_starts(rows)
    size = np.diff(np.r_[first, len(rows)])
    day = rows["day"].to_numpy(float).astype("int64")
    same = np.ones(len(rows), dtype=bool)
    same[first] = False
    early = rows["week"].to_numpy(float) <= LONGEST
    kept = np.add.reduceat(early, first, dtype=np.int64) if first.size else size
    last = np.maximum.reduceat(np.where(early, day, -1), first) if first.size else size
    error = rows["error"].to_numpy(float)
    known = np.isfinite(error)
    return {
        "series": first.size,
        "series_of_three": int((size >= 3).sum()),
        "value": moments(rows[["value"]].to_numpy(float)),
        "error": {"known": int(known.sum()), "squares": float((error[known] ** 2).sum())},
        "gap_days": counts_of(np.diff(day)[same[1:]]),
        "last_days": counts_of(last[kept > 0]),
        "sizes": counts_of(kept[kept > 0]),
    }


def series_starts(rows: pd.DataFrame) -> np.ndarray:
    """Give the positions where series begin, of rows sorted by client and episode."""
    begins = np.zeros(len(rows), dtype=bool)
    begins[:1] = True
    for column in EPISODE:
        begins[1:] |= np.diff(pd.factorize(rows[column])[0]) != 0
    return np.flatnonzero(begins)
