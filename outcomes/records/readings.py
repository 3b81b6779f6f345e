"""From single readings to one value per visit, and from two sides to the one that is judged.

Statistics on visits take the frames made here. Nothing is pooled that must not be: instruments,
active and passive movement, sides and moments each keep their own rows.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from outcomes.errors import check_choice
from outcomes.records.caseload import Caseload
from outcomes.records.schema import MOMENTS

__all__ = ["SERIES", "judged_side", "visit_values"]

#: What makes one series of comparable values.
SERIES = ["client", "episode", "measure", "side", "mode", "instrument"]


def visit_values(
    caseload: Caseload,
    *,
    measures: Iterable[str] | None = None,
    moment: str = "before",
) -> pd.DataFrame:
    """Average the trials of each visit: one value per client, visit and kind of reading.

    Use for change between visits (``moment="before"``: before-treatment values only) and, with
    ``moment="after"``, for the other half of a within-visit comparison. Never mix the two.

    Parameters
    ----------
    caseload : Caseload
        The checked records.
    measures : iterable of str, optional
        Catalogue codes to keep; all when left out.
    moment : {"before", "after"}
        Which readings of the visit.

    Returns
    -------
    DataFrame
        One row per client, episode, visit, measure, side, mode and instrument, sorted so, with
        columns client, clinic, practitioner, episode, visit, date, day, week, measure, side,
        mode, instrument, rater, value, n_trials, unit. `mode`, `instrument` and `rater` are empty
        text where not recorded; `rater` is ``"several"`` where trials of one visit differ.
        `week` counts from the first visit of the episode.

    Raises
    ------
    ArgumentError
        If `moment` is neither before nor after.

    Notes
    -----
    value = mean of the trials of the visit. Missing readings are not imputed.

    Examples
    --------
    >>> from outcomes.records.caseload import Caseload
    >>> len(visit_values(Caseload(tables={})))
    0
    """
    check_choice("moment", moment, MOMENTS)
    readings = caseload.measurements
    keep = readings["moment"] == moment
    if measures is not None:
        keep &= readings["measure"].isin(list(measures))
    readings = readings.loc[keep.fillna(False)]
    words = {name: _filled(readings[name]) for name in ("mode", "instrument", "rater")}
    readings = readings.assign(**words)
    keys = ["client", "episode", "visit", "measure", "side", "mode", "instrument"]
    order = _order_of_single_readings(readings, keys)
    if order is None:
        values = _mean_of_trials(readings, keys)
    else:
        kept = readings[[*keys, "date", "rater", "value", "unit"]]
        values = kept.iloc[order].reset_index(drop=True).assign(n_trials=1)
    values["day"] = _days_since_first_visit(values, caseload.visits)
    values["week"] = values["day"] / 7
    values = _add_people(values, caseload)
    return values[
        ["client", "clinic", "practitioner", "episode", "visit", "date", "day", "week"]
        + ["measure", "side", "mode", "instrument", "rater", "value", "n_trials", "unit"]
    ]


def _filled(column: pd.Series) -> pd.Series:
    """Put empty text where nothing is recorded; categories stay what they are."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        return column.fillna("").astype("str")
    known = "" in column.cat.categories
    return (column if known else column.cat.add_categories("")).fillna("")


def _mean_of_trials(readings: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    grouped = readings.groupby(keys, sort=True, observed=True, dropna=False)
    values = grouped.agg(
        date=("date", "first"),
        rater=("rater", "first"),
        last_rater=("rater", "last"),
        value=("value", "mean"),
        n_trials=("value", "size"),
        unit=("unit", "first"),
    ).reset_index()
    values["rater"] = values["rater"].where(values["rater"] == values["last_rater"], "several")
    return values.drop(columns="last_rater")


def _order_of_single_readings(readings: pd.DataFrame, keys: list[str]) -> np.ndarray | None:
    """Give the order by the keys where each stands once: nothing is to be averaged then.

    None where some stand twice, or are empty, or have too many combinations for one number each.
    """
    code, size = np.zeros(len(readings), dtype=np.int64), 1
    for name in keys:
        column = readings[name]
        if (
            isinstance(column.dtype, pd.CategoricalDtype)
            and column.cat.categories.is_monotonic_increasing
        ):
            part, levels = column.cat.codes.to_numpy(), len(column.cat.categories)
        else:
            part, found = pd.factorize(column, sort=True)
            levels = len(found)
        size *= max(levels, 1)
        if size >= 2**62 or (part < 0).any():
            return None
        code = code * levels + part
    order = np.argsort(code, kind="stable")
    return None if (np.diff(code[order]) == 0).any() else order


def judged_side(values: pd.DataFrame, clients: pd.DataFrame) -> pd.DataFrame:
    """Keep one side per client: the affected one, or the mean of both where none is recorded.

    Choosing the side that read worse at the start would select on measurement error, and the
    chosen side would then improve by chance. So the affected side is the one that the clinic
    recorded; where it recorded none, or both, left and right are averaged at visits where both
    were measured. A client measured on one side only keeps that side.

    Parameters
    ----------
    values : DataFrame
        From `visit_values`.
    clients : DataFrame
        The caseload's clients, with `client` and `affected_side`.

    Returns
    -------
    DataFrame
        The rows kept, same columns plus `n_sides` (1, or 2 for a mean of both, whose `side` is
        ``"both"``).
    """
    values = values.assign(n_sides=1)
    paired = values["side"].isin(["left", "right"])
    middle, sided = values[~paired], values[paired]
    if sided.empty:
        return middle.reset_index(drop=True)

    affected = sided["client"].map(clients.set_index("client")["affected_side"]).fillna("")
    known = affected.isin(["left", "right"])
    chosen = sided[known & (sided["side"] == affected)]
    open_side = sided[~known]
    series = open_side.groupby(["client", "episode", "measure"], observed=True)["side"]
    single = series.transform("nunique") == 1
    both = _mean_of_sides(open_side[~single])
    kept = pd.concat([middle, chosen, open_side[single], both], ignore_index=True)
    order = ["measure", "client", "episode", "visit", "mode", "instrument"]
    return kept.sort_values(order, ignore_index=True)


def _mean_of_sides(values: pd.DataFrame) -> pd.DataFrame:
    """Average left and right where a visit has both; visits with one side only are left out."""
    if values.empty:
        return values
    keys = ["client", "episode", "visit", "measure", "mode", "instrument"]
    grouped = values.groupby(keys, sort=False, observed=True)
    first = {c: "first" for c in values.columns if c not in [*keys, "value", "side", "n_sides"]}
    first["n_trials"] = "min"
    both = grouped.agg({**first, "value": "mean", "side": "nunique"}).reset_index()
    both = both[both["side"] == 2].assign(side="both", n_sides=2)
    return both[values.columns]


def _days_since_first_visit(values: pd.DataFrame, visits: pd.DataFrame) -> np.ndarray:
    episode = ["client", "episode"]
    first = visits.groupby(episode, observed=True)["date"].min().rename("first_date")
    own_first = values.groupby(episode, observed=True)["date"].min().rename("own_first")
    dates = values[episode].join(first, on=episode).join(own_first, on=episode)
    start = dates["first_date"].fillna(dates["own_first"])
    return (values["date"] - start).dt.days.to_numpy(dtype=float)


def _add_people(values: pd.DataFrame, caseload: Caseload) -> pd.DataFrame:
    """Add the client's clinic, and the practitioner of the visit or else of the client."""
    clients = caseload.clients.drop_duplicates("client").set_index("client")
    visits = caseload.visits.drop_duplicates(["client", "episode", "visit"])
    treated = visits.set_index(["client", "episode", "visit"])["practitioner"].rename("treated_by")
    values = values.join(treated, on=["client", "episode", "visit"])
    in_charge = values["client"].map(clients["practitioner"])
    return values.assign(
        clinic=_filled(values["client"].map(clients["clinic"])),
        practitioner=_filled(values["treated_by"].fillna(in_charge)),
    )
