"""Clients to speak about: listed for each clinic beside the page, counted on it.

The rules are those of `attention_list`. Whether a client has levelled off is not looked at: it
takes a look at each course, which a clinic's own report does.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from outcomes.network.results import NetworkReview
from outcomes.network.stages import read_part
from outcomes.network.store import Partition
from outcomes.records.caseload import Caseload
from outcomes.records.write import write_atomically
from outcomes.statistics.service.attention import REASONS, attention_list

__all__ = ["COLUMNS", "listed_in_partition", "write_attention"]

COLUMNS = ["client", "episode", "reason", "measure", "improvement", "minimal_detectable_change"]
COLUMNS += ["event", "severity", "days"]
_WORSE = ["client", "episode", "clinic", "improvement", "minimal_detectable_change"]


def listed_in_partition(
    caseload: Caseload, values: pd.DataFrame, *, quarter: str, as_of: str, weeks: int
) -> pd.DataFrame:
    """List a partition's clients with an event, who stopped coming, or are overdue; coded."""
    events = caseload.events
    words = [c for c in events.columns if isinstance(events[c].dtype, pd.CategoricalDtype)]
    rows = attention_list(
        caseload.visits,
        quarter=quarter,
        values=values,
        events=events.astype(dict.fromkeys(words, "str")),
        as_of=as_of or None,
        remeasure_after_weeks=weeks,
    )
    clinic = caseload.clients.drop_duplicates("client").set_index("client")["clinic"]
    return rows.assign(
        client=rows["client"].astype("int64"),
        clinic=rows["client"].map(clinic).astype("str").fillna(""),
        measure=rows["measure"].astype("str"),
        event=rows["event"].astype("str"),
        severity=rows["severity"].astype("str"),
        improvement=rows["improvement"].astype(float),
        minimal_detectable_change=rows["minimal_detectable_change"].astype(float),
        days=rows["days"].astype("Int64"),
    )


def write_attention(review: NetworkReview, folder: Path) -> pd.DataFrame:
    """Write one list a clinic (``clinic=CODE.csv``); give clinic, reason and count.

    Parameters
    ----------
    review : NetworkReview
        With its rows: declines come from the verdicts.
    folder : Path
        Where the lists go. They hold client codes: each is for its own clinic.
    """
    stages = review.rows.stages
    parts = [read_part(path) for path in stages.files("judge", "attention")]
    for m in review.measures:
        code = m.measure.code
        for path in stages.files(f"verdicts-{code}", "verdicts"):
            table = read_part(path, [*_WORSE, "worse", "in_quarter"])
            down = table[table["worse"] & table["in_quarter"]]
            parts.append(down[_WORSE].assign(reason=REASONS[0], measure=code))
    rows = pd.concat([part for part in parts if len(part)] or [pd.DataFrame(columns=COLUMNS)])
    if rows.empty:
        return pd.DataFrame({"clinic": [], "reason": [], "count": []})
    rows["reason"] = pd.Categorical(rows["reason"], REASONS)
    rows = rows.sort_values(["clinic", "reason", "client", "episode"], kind="stable")
    for clinic, own in rows.groupby("clinic", sort=True, observed=True):
        text = own.reindex(columns=COLUMNS).to_csv(index=False)
        write_atomically(folder / f"{Partition(str(clinic), 0).folder}.csv", text.encode())
    counts = rows.groupby(["clinic", "reason"], observed=True).size()
    return counts.rename("count").reset_index().astype({"reason": "str"})
