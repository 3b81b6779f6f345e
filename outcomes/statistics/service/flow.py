"""Where clients are lost between the door and the analysis, and what that could hide.

The unit is an episode of care. For one measure and one quarter:

    eligible           an attended visit in the quarter
    measured_at_start  of those, a before-treatment reading, no later than the quarter's end
    measured_again     of those, a before-treatment reading at a later visit, same end
    analysed           of those, one series (side, instrument, active or passive) with both

so that eligible >= measured_at_start >= measured_again >= analysed. The stages are those that the
STROBE statement asks to report (von Elm et al. 2007, PLoS Med 4:e296, item 13).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_columns, check_count, check_positive
from outcomes.statistics.service.quarters import quarter_dates

__all__ = ["eligible_episodes", "flow_counts", "mean_bounds", "share_bounds"]

_STAGES = ["eligible", "measured_at_start", "measured_again", "analysed"]
_EPISODE = ["client", "episode"]
_SERIES = ["side", "instrument", "mode"]


def eligible_episodes(visits: pd.DataFrame, *, quarter: str) -> pd.DataFrame:
    """List the episodes of care that had a kept appointment in the quarter.

    Parameters
    ----------
    visits : DataFrame
        One row per visit: client, episode, date, and perhaps attended (an empty cell counts as
        attended; false is a booked visit that was not kept).
    quarter : str
        As ``2026Q2``.

    Returns
    -------
    DataFrame
        client, episode: each episode once, in order.

    Examples
    --------
    >>> visits = pd.DataFrame(
    ...     {
    ...         "client": ["a", "a", "b"],
    ...         "episode": [1, 1, 1],
    ...         "date": pd.to_datetime(["2026-03-30", "2026-04-06", "2026-04-07"]),
    ...         "attended": [True, True, False],
    ...     }
    ... )
    >>> eligible_episodes(visits, quarter="2026Q2")
      client  episode
    0      a        1
    """
    check_columns(visits, [*_EPISODE, "date"], thing="the visits")
    first, last = quarter_dates(quarter)
    seen = visits["date"].between(first, last + pd.Timedelta(days=1), inclusive="left")
    if "attended" in visits:
        seen &= visits["attended"].astype("boolean").fillna(True).astype(bool)
    return visits.loc[seen, _EPISODE].drop_duplicates().sort_values(_EPISODE).reset_index(drop=True)


def flow_counts(
    values: pd.DataFrame,
    *,
    visits: pd.DataFrame,
    quarter: str,
    measures: Sequence[str] | None = None,
    clients: pd.DataFrame | None = None,
    by: Sequence[str] = (),
    start_days: int | None = None,
) -> pd.DataFrame:
    """Count, per measure, the clients seen, measured at the start, measured again and analysed.

    Use beside every result. Not for attendance itself: an episode with a visit in the quarter is
    eligible whether or not a measure was taken.

    Parameters
    ----------
    values : DataFrame
        One row per client, episode, visit, measure, side, mode and instrument, before treatment:
        client, episode, date, measure, value, and side, instrument, mode where known (an empty
        instrument or mode is a value of its own).
    visits : DataFrame
        As for `eligible_episodes`.
    quarter : str
        As ``2026Q2``.
    measures : sequence of str, optional
        Measures to count; default all in `values`. One without any reading is counted as zero.
    clients : DataFrame, optional
        One row per client; needed where `by` is given.
    by : sequence of str
        Columns of `clients` to count apart, as ``["practitioner"]``. An empty cell is counted
        under ``"not recorded"``.
    start_days : int, optional
        If given, a first reading counts as a start only within so many days of the episode's
        first attended visit. Default: whenever it was taken.

    Returns
    -------
    DataFrame
        quarter, measure, columns of `by`, eligible, measured_at_start, measured_again, analysed,
        share_measured_at_start (of eligible), share_followed_up (measured_again of
        measured_at_start), share_analysed (of eligible). A share of nobody is empty.

    Raises
    ------
    ArgumentError
        If the quarter is not written like 2026Q2, or `by` is given without `clients`.
    DataError
        If columns are missing.

    Examples
    --------
    >>> days = pd.to_datetime(["2026-04-01", "2026-04-15", "2026-05-02"])
    >>> visits = pd.DataFrame({"client": [*"aab"], "episode": 1, "date": days})
    >>> values = visits.head(2).assign(measure="cervical_rotation", value=[60.0, 68.0])
    >>> flow = flow_counts(values, visits=visits, quarter="2026Q2")
    >>> flow[["eligible", "measured_at_start", "measured_again", "analysed"]].values.tolist()
    [[2, 1, 1, 1]]
    """
    check_columns(values, [*_EPISODE, "date", "measure", "value"], thing="the values")
    if start_days is not None:
        check_count("start_days", start_days, least=0)
    by = list(by)
    episodes = eligible_episodes(visits, quarter=quarter)
    if by:
        episodes = episodes.merge(_labels(clients, by), on="client", how="left")
        episodes[by] = episodes[by].fillna("not recorded")
    names = list(dict.fromkeys(values["measure"])) if measures is None else list(measures)
    readings = _readings(values, episodes, quarter)
    reached = _reached(readings)
    if start_days is not None:
        reached = _started_in_time(reached, visits, start_days)

    full = episodes.merge(pd.DataFrame({"measure": names}, dtype="str"), how="cross")
    full = full.merge(reached, on=[*_EPISODE, "measure"], how="left")
    full["eligible"] = True
    full[_STAGES] = full[_STAGES].astype("boolean").fillna(False).astype(bool)
    if by:
        counts = full.groupby(["measure", *by], sort=True)[_STAGES].sum().reset_index()
    else:
        counts = full.groupby("measure")[_STAGES].sum().reindex(names, fill_value=0)
        counts = counts.rename_axis("measure").reset_index()
    counts[_STAGES] = counts[_STAGES].astype("int64")
    counts.insert(0, "quarter", quarter)
    counts["share_measured_at_start"] = _ratio(counts, "measured_at_start", "eligible")
    counts["share_followed_up"] = _ratio(counts, "measured_again", "measured_at_start")
    counts["share_analysed"] = _ratio(counts, "analysed", "eligible")
    return counts


def share_bounds(count: int, *, analysed: int, eligible: int) -> tuple[float, float]:
    """Bound a share if all missing clients had not, or all had, the outcome.

    Parameters
    ----------
    count : int
        Clients with the outcome among those analysed.
    analysed, eligible : int
        Clients analysed, and clients who should have been.

    Returns
    -------
    tuple of float
        (count / eligible, (count + eligible - analysed) / eligible).

    Notes
    -----
    No assumption is made (Manski 1990, Am Econ Rev 80:319): the truth for everyone eligible lies
    between the two, apart from sampling error.

    Examples
    --------
    >>> share_bounds(30, analysed=50, eligible=80)
    (0.375, 0.75)
    """
    count = check_count("count", count, least=0)
    analysed = check_count("analysed", analysed, least=0)
    eligible = check_count("eligible", eligible, least=1)
    if not count <= analysed <= eligible:
        raise ArgumentError(
            "count, analysed and eligible must not decrease in that order, got "
            f"{count}, {analysed} and {eligible}."
        )
    return count / eligible, (count + eligible - analysed) / eligible


def mean_bounds(
    mean: float, *, sd: float, analysed: int, eligible: int, shift: float = 1.0
) -> tuple[float, float]:
    """Bound a mean improvement if the missing clients did worse, or better, than those measured.

    A mean has no bounds without an assumption: the missing are taken to differ from the measured
    by at most `shift` standard deviations.

    Parameters
    ----------
    mean, sd : float
        Mean and standard deviation of the improvement among those analysed.
    analysed, eligible : int
        Clients analysed, and clients who should have been.
    shift : float
        Largest difference of the missing from the measured, in standard deviations; common
        practice, no source for its size.

    Returns
    -------
    tuple of float
        mean -/+ (1 - analysed / eligible) * shift * sd.

    Examples
    --------
    >>> mean_bounds(8.0, sd=10.0, analysed=60, eligible=80)
    (5.5, 10.5)
    """
    sd = check_positive("sd", sd, zero=True)
    shift = check_positive("shift", shift, zero=True)
    analysed = check_count("analysed", analysed, least=1)
    eligible = check_count("eligible", eligible, least=1)
    if analysed > eligible:
        raise ArgumentError(f"analysed must not exceed eligible, got {analysed} and {eligible}.")
    reach = (1 - analysed / eligible) * shift * sd
    return float(mean) - reach, float(mean) + reach


def _labels(clients: pd.DataFrame | None, by: list[str]) -> pd.DataFrame:
    if clients is None:
        raise ArgumentError("clients must be given where by is given. Pass caseload.clients.")
    check_columns(clients, ["client", *by], thing="the clients")
    if clients["client"].duplicated().any():
        raise DataError("clients must have one row per client. Merge the rows of a client.")
    return clients[["client", *by]]


def _readings(values: pd.DataFrame, episodes: pd.DataFrame, quarter: str) -> pd.DataFrame:
    """Keep the readings of these episodes up to the quarter's end, with whole series columns."""
    end = quarter_dates(quarter)[1] + pd.Timedelta(days=1)
    rows = values[(values["date"] < end) & values["value"].notna()]
    rows = rows.merge(episodes[_EPISODE], on=_EPISODE)
    for column in _SERIES:
        found = rows[column] if column in rows else pd.Series("", index=rows.index)
        if found.isna().any() or not isinstance(found.dtype, pd.CategoricalDtype):
            found = found.astype("object").where(found.notna(), "").astype("str")
        rows[column] = found
    return rows


def _reached(rows: pd.DataFrame) -> pd.DataFrame:
    """Say which stages each episode reached on each measure, and when its start was."""
    key = [*_EPISODE, "measure"]
    whole = rows.groupby(key)["date"].agg(start_date="min", last="max").reset_index()
    series = rows.groupby([*key, *_SERIES])["date"].agg(["min", "max"]).reset_index()
    series["analysed"] = series["max"] > series["min"]
    done = series.groupby(key)["analysed"].any().reset_index()
    whole["measured_at_start"] = True
    whole["measured_again"] = whole["last"] > whole["start_date"]
    return whole.merge(done, on=key).drop(columns="last")


def _started_in_time(reached: pd.DataFrame, visits: pd.DataFrame, start_days: int) -> pd.DataFrame:
    kept = visits
    if "attended" in visits:
        kept = visits[visits["attended"].astype("boolean").fillna(True).astype(bool)]
    opening = kept.groupby(_EPISODE)["date"].min().rename("opening").reset_index()
    rows = reached.merge(opening, on=_EPISODE, how="left")
    late = (rows["start_date"] - rows["opening"]).dt.days > start_days
    rows.loc[late, _STAGES[1:]] = False
    return rows.drop(columns="opening")


def _ratio(counts: pd.DataFrame, part: str, whole: str) -> np.ndarray:
    top, bottom = counts[part].to_numpy(float), counts[whole].to_numpy(float)
    return np.divide(top, bottom, out=np.full(len(counts), np.nan), where=bottom > 0)
