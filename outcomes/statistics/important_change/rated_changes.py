"""From values at visits to one change with one rating per client."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_columns
from outcomes.measures.catalogue import get

__all__ = ["rated_changes"]

_EPISODE = ["client", "episode"]
_SERIES = [*_EPISODE, "side", "mode", "instrument"]


def rated_changes(values: pd.DataFrame, *, measure: str, rating: str = "groc") -> pd.DataFrame:
    """Pair each client's change with the global rating given at the same visit.

    Use it to prepare a clinic's own anchor-based threshold. The rating must be of change since
    the start of care; ratings of change since the last visit do not fit.

    Parameters
    ----------
    values : DataFrame
        Before-treatment values at visits, one side per client: what `judged_side` and
        `visit_values` give. Columns client, episode, visit, measure, value; side, mode and
        instrument where recorded. Holds the rating as a measure of its own.
    measure : str
        Code in the catalogue, which says whether higher or lower is better.
    rating : str, default "groc"
        Code of the rating; positive means better.

    Returns
    -------
    DataFrame
        One row per client and episode with a value at the first visit of the series and a later
        visit that has both a value and a rating (the latest such): client, episode, start_value,
        latest_value, change, improvement, rating, n_visits. Sides, modes and instruments are
        never mixed; of several series the one with most visits is kept.

    Raises
    ------
    ArgumentError
        Unknown measure.
    DataError
        Missing columns; no client has a change with a rating.

    Examples
    --------
    >>> values = pd.DataFrame({
    ...     "client": ["a"] * 4, "episode": 1, "visit": [1, 3, 5, 5],
    ...     "measure": ["ndi", "ndi", "ndi", "groc"], "value": [30.0, 24, 18, 3]})
    >>> rated_changes(values, measure="ndi")[["improvement", "rating"]].values.tolist()
    [[12.0, 3.0]]
    """
    sign = get(measure).sign
    check_columns(values, [*_EPISODE, "visit", "measure", "value"], thing="values")
    frame: Any = values[values["value"].notna()]
    for column in ("side", "mode", "instrument"):
        frame = frame.assign(**{column: frame[column].fillna("") if column in frame else ""})
    own = frame[frame["measure"] == measure].sort_values([*_SERIES, "visit"], kind="stable")
    said = frame[frame["measure"] == rating].drop_duplicates([*_EPISODE, "visit"], keep="last")
    said = said[[*_EPISODE, "visit", "value"]].rename(columns={"value": "rating"})
    grouped = own.groupby(_SERIES, sort=False)
    own = own.assign(
        start_value=grouped["value"].transform("first"),
        first_visit=grouped["visit"].transform("first"),
        n_visits=grouped["value"].transform("size"),
    )
    rated = own.merge(said, on=[*_EPISODE, "visit"])
    rated = rated[rated["visit"] > rated["first_visit"]]
    if not len(rated):
        raise DataError(
            "no client has a later value with a rating of change at the same visit. Ask for the "
            "rating whenever the measure is taken again."
        )
    rated = rated.sort_values([*_EPISODE, "n_visits", "visit"], kind="stable")
    last = rated.drop_duplicates(_EPISODE, keep="last").reset_index(drop=True)
    change = last["value"].to_numpy(dtype=float) - last["start_value"].to_numpy(dtype=float)
    return pd.DataFrame(
        {
            "client": last["client"],
            "episode": last["episode"],
            "start_value": last["start_value"].astype(float),
            "latest_value": last["value"].astype(float),
            "change": change,
            "improvement": np.where(change == 0, 0.0, sign * change),
            "rating": last["rating"].astype(float),
            "n_visits": last["n_visits"],
        }
    )
