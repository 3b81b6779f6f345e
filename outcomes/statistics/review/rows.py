"""One row per episode, measure and quarter: what comparisons over time and between groups rest on.

An episode seen in two quarters has a row in each, judged as the records stood at that quarter's
end.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.statistics.individual_change import judge_change, start_and_latest
from outcomes.statistics.review.quarter import QuarterReview
from outcomes.statistics.service import (
    age_bands,
    earlier_quarter,
    eligible_episodes,
    quarter_dates,
    quarter_of,
)

__all__ = ["episode_rows", "quarters_up_to"]

_KEYS = ["client", "episode", "measure"]


def quarters_up_to(review: QuarterReview) -> list[str]:
    """List the quarters of the caseload up to the one reviewed, without gaps."""
    if review.quarter == "all":
        return []
    visits = review.caseload.visits
    first = quarter_of(visits["date"].min())
    found = [review.quarter]
    while found[-1] > first:
        found.append(earlier_quarter(found[-1]))
    return found[::-1]


def episode_rows(review: QuarterReview, quarters: Sequence[str] | None = None) -> pd.DataFrame:
    """Judge every episode as of the end of each quarter in which it was seen.

    Parameters
    ----------
    review : QuarterReview
        The quarter reviewed and its values.
    quarters : sequence of str, optional
        Default: all up to the one reviewed.

    Returns
    -------
    DataFrame
        quarter, client, episode, measure, the columns of `judge_change`, and of the client: age
        (years at the start), age_band, sex, onset_weeks, complaint. For a review of the whole
        caseload there is one quarter, ``"all"``.
    """
    values = pd.concat([m.values for m in review.measures], ignore_index=True)
    known = pd.concat(
        [m.everyone.assign(better=m.measure.better) for m in review.measures], ignore_index=True
    )
    if quarters is None:
        quarters = quarters_up_to(review) or [review.quarter]
    tables = [_one_quarter(review, values, known, quarter) for quarter in quarters]
    return _with_client(pd.concat(tables, ignore_index=True), review.caseload.clients)


def _one_quarter(
    review: QuarterReview, values: pd.DataFrame, known: pd.DataFrame, quarter: str
) -> pd.DataFrame:
    end = quarter_dates(quarter)[1] + pd.Timedelta(days=1)
    seen = pd.MultiIndex.from_frame(eligible_episodes(review.caseload.visits, quarter=quarter))
    mine = pd.MultiIndex.from_frame(values[["client", "episode"]]).isin(seen)
    pairs = start_and_latest(values[mine & (values["date"] < end).to_numpy()])
    thresholds = ["standard_error_of_measurement", "minimal_important_change", "better"]
    pairs = pairs.merge(known[[*_KEYS, *thresholds]], on=_KEYS, how="left")
    return judge_change(pairs).assign(quarter=quarter)


def _with_client(rows: pd.DataFrame, clients: pd.DataFrame) -> pd.DataFrame:
    about = clients.drop_duplicates("client").set_index("client")
    born = rows["client"].map(about["birth_year"]).astype("Float64")
    age = (rows["start_date"].dt.year - born).to_numpy(float, na_value=np.nan)
    band = age_bands(pd.Series(age)).to_numpy()
    return rows.assign(
        age=age,
        age_band=np.where(np.isfinite(age), band, ""),
        **{c: rows["client"].map(about[c]) for c in ("sex", "onset_weeks", "complaint")},
    )
