"""Who is measured again: by site and by practitioner, over all measures of the quarter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.statistics.review.quarter import QuarterReview
from outcomes.statistics.service import flow_counts

__all__ = ["completeness_by_group"]

_COUNTS = ["measured_at_start", "measured_again"]


def completeness_by_group(
    review: QuarterReview, *, rng: np.random.Generator, names_shown: bool = False
) -> pd.DataFrame:
    """Count first measurements, and those followed by a second, by site and by practitioner.

    Use to see where to ask why. Do not rank by it: clients who live far away, or are discharged
    early because they are well, are not the practitioner's doing.

    Parameters
    ----------
    review : QuarterReview
    rng : numpy Generator
        Draws the order in which unnamed practitioners are numbered.
    names_shown : bool
        Show practitioner codes.

    Returns
    -------
    DataFrame
        by (``"clinic"``, ``"practitioner"``), group, measured_at_start, measured_again,
        share_followed_up; clients without a recorded group under ``"not recorded"``.

    Raises
    ------
    DataError
        If neither is recorded.
    """
    readings = pd.concat([m.readings for m in review.measures], ignore_index=True)
    clients = review.caseload.clients.drop_duplicates("client")
    tables = []
    for by in ("clinic", "practitioner"):
        known = _who(clients, readings, by)
        if known[by].eq("").all():
            continue
        counts = flow_counts(
            readings,
            visits=review.caseload.visits,
            quarter=review.quarter,
            clients=known.replace({by: {"": "not recorded"}}),
            by=[by],
        )
        total = counts.groupby(by)[_COUNTS].sum().reset_index()
        total = total[total["measured_at_start"] > 0].rename(columns={by: "group"})
        if by == "practitioner" and not names_shown:
            total = _numbered(total, rng)
        tables.append(total.assign(by=by))
    if not tables:
        raise DataError("sites or practitioners must be recorded to be compared; neither is.")
    found = pd.concat(tables, ignore_index=True)
    found["share_followed_up"] = found["measured_again"] / found["measured_at_start"]
    return found[["by", "group", *_COUNTS, "share_followed_up"]]


def _who(clients: pd.DataFrame, readings: pd.DataFrame, by: str) -> pd.DataFrame:
    """Give each client's site or practitioner: the client's own, else that of the first reading."""
    first = readings.sort_values("date", kind="stable").drop_duplicates("client")
    own = clients["client"].map(first.set_index("client")[by])
    own = clients[by].where(clients[by].notna(), own) if by in clients else own
    text = own.astype("object").where(own.notna(), "").astype("str")
    return pd.DataFrame({"client": clients["client"].to_numpy(), by: text.to_numpy()})


def _numbered(total: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Give practitioners numbers at random; those not recorded stay last."""
    unknown = total["group"].eq("not recorded").to_numpy()
    people = total[~unknown].iloc[rng.permutation(int((~unknown).sum()))].copy()
    people["group"] = [f"practitioner {i}" for i in range(1, len(people) + 1)]
    return pd.concat([people, total[unknown]], ignore_index=True)
