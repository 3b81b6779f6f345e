"""When did each client reach a gain: known only to lie between two visits.

    line     improvement that counts: the minimal detectable or the minimal important change
    left     time of the last reading before the line was reached (0: the start)
    right    time of the first reading at or beyond it; infinite if never seen
    time     weeks since the start, or visits since the start (the start is 0)

A single reading can pass the line by measurement error and fall back. With `confirmed` the next
reading must be beyond the line as well; a client whose last reading is the first beyond it then
counts as not yet reached.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_choice, check_columns, check_positive, rows_must

__all__ = ["gain_intervals"]

_SERIES = ["client", "episode", "measure", "side", "mode", "instrument"]


def gain_intervals(
    values: pd.DataFrame,
    *,
    line: float,
    better: str = "higher",
    scale: str = "week",
    confirmed: bool = False,
    visits: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Find, for each client, the two visits between which the gain was reached.

    Use before any estimate of time to gain; one measure at a time. Do not use on after-treatment
    readings.

    Parameters
    ----------
    values : DataFrame
        Before-treatment readings of one measure: client, episode, week, visit, value; side, mode
        and instrument keep series apart, and of several series of an episode the longest counts.
    line : float
        Improvement that counts as gain, in the unit of the measure, above 0.
    better : {"higher", "lower"}
        Direction that is good.
    scale : {"week", "visit"}
        Weeks since the first reading, or visits since then.
    confirmed : bool
        Count a gain only when the next reading shows it too.
    visits : DataFrame, optional
        client, episode, end_reason: why episodes ended; then `ending` tells discharge from
        drop-out.

    Returns
    -------
    DataFrame
        One row per client and episode with at least two readings: client, episode, left, right,
        reached, time (right where reached, else the last reading's), ending (``"gain"``, else the
        end_reason, else ``"no further record"``), n_visits.

    Raises
    ------
    DataError
        If values hold more than one measure, or no series has two readings.
    ArgumentError
        If an argument lies outside its rule.

    Examples
    --------
    >>> values = pd.DataFrame(
    ...     {"client": "a", "episode": 1, "visit": [1, 2, 3], "week": [0.0, 1.0, 3.0]}
    ... ).assign(value=[50.0, 54.0, 61.0], measure="cervical_rotation")
    >>> gain_intervals(values, line=10)[["left", "right", "reached"]].values.tolist()
    [[1.0, 3.0, True]]
    """
    check_columns(values, ["client", "episode", "visit", "week", "value"], thing="the values")
    line = check_positive("line", line)
    sign = 1.0 if check_choice("better", better, ("higher", "lower")) == "higher" else -1.0
    check_choice("scale", scale, ("week", "visit"))
    if "measure" in values and values["measure"].nunique() > 1:
        raise DataError(
            "values must hold one measure, since each has its own line. Choose the rows of one."
        )
    wrong = ~np.isfinite(values["value"].to_numpy(float))
    if wrong.any():
        raise rows_must("value", "be a finite number", wrong, "Leave these rows out")
    rows = longest_series(values)
    group = rows.groupby(["client", "episode"], sort=True)
    gain = sign * (rows["value"] - group["value"].transform("first"))
    clock = rows["week"] if scale == "week" else rows["visit"].astype(float)
    rows = rows.assign(
        clock=clock - clock.groupby([rows["client"], rows["episode"]]).transform("first")
    )
    beyond = gain >= line * (1 - 1e-9)
    if confirmed:
        following = beyond.groupby([rows["client"], rows["episode"]]).shift(-1, fill_value=False)
        beyond &= following
    rows["hit"] = rows["clock"].where(beyond)
    group = rows.groupby(["client", "episode"], sort=True)
    first_hit = group["hit"].transform("min")
    rows["before"] = rows["clock"].where(first_hit.isna() | (rows["clock"] < first_hit))
    table = rows.groupby(["client", "episode"], sort=True).agg(
        left=("before", "max"),
        right=("hit", "min"),
        last=("clock", "max"),
        n_visits=("value", "size"),
    )
    table = table.reset_index()
    table["reached"] = table["right"].notna()
    if confirmed:
        # an unconfirmed last reading beyond the line says nothing either way
        table["last"] = np.where(table["reached"], table["last"], table["left"])
    table["time"] = table["right"].where(table["reached"], table["last"])
    table["right"] = table["right"].fillna(np.inf)
    table["ending"] = _endings(table, visits)
    names = ["client", "episode", "left", "right", "reached", "time", "ending", "n_visits"]
    return table[names]


def longest_series(values: pd.DataFrame, *, least: int = 2) -> pd.DataFrame:
    """Keep, of each episode, the series with most readings (of equals the first by name)."""
    keys = [name for name in _SERIES if name in values]
    rows = values.sort_values([*keys, "visit"], kind="stable")
    size = rows.groupby(keys, dropna=False)["value"].transform("size")
    number = rows.groupby(keys, dropna=False).ngroup()
    rows = rows.assign(size=size, number=number)
    best = rows.sort_values(["size", "number"], ascending=[False, True], kind="stable")
    best = best.drop_duplicates(["client", "episode"])
    kept = rows[rows["number"].isin(best["number"]) & (rows["size"] >= least)]
    if kept.empty:
        raise DataError(
            "a time to gain must rest on clients measured at least twice; there are none. "
            "Choose another measure or a longer period."
        )
    return kept.drop(columns=["size", "number"])


def _endings(table: pd.DataFrame, visits: pd.DataFrame | None) -> pd.Series:
    ending = pd.Series("no further record", index=table.index, dtype="object")
    if visits is not None:
        check_columns(visits, ["client", "episode", "end_reason"], thing="the visits")
        known = visits[visits["end_reason"].notna() & (visits["end_reason"].astype("str") != "")]
        reasons = known.groupby(["client", "episode"])["end_reason"].last()
        keys = pd.MultiIndex.from_frame(table[["client", "episode"]])
        found = reasons.reindex(keys).to_numpy(object)
        ending = ending.where(pd.isna(found), found)
    return ending.where(~table["reached"], "gain").astype("str")
