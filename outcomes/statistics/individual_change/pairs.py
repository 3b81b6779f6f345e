"""From readings at visits to one start and one latest value per client and measure.

Instruments, active and passive movement, and sides are never mixed inside a pair: a goniometer
against an inclinometer differs by more than most clients gain.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import check_columns, check_count, rows_must

__all__ = ["start_and_latest"]

_KEYS = ("client", "episode", "measure", "side")
_NEVER_MIXED = ("mode", "instrument")
_CARRIED = ("clinic", "practitioner", "unit")


def start_and_latest(values: pd.DataFrame, *, least_visits: int = 2) -> pd.DataFrame:
    """Pair each client's first and latest reading of each measure, like with like.

    Use when a first-against-latest verdict is wanted. Do not use it for the course between them:
    the model's verdict uses every visit.

    Parameters
    ----------
    values : DataFrame
        One row per client, episode, visit, measure, side, mode and instrument, with `value` in the
        measure's unit; what `visit_values` gives. `side`, `mode`, `instrument` and `episode` may be
        absent. Rows without a value are passed over. `visit` gives the order; `date`, where
        present, breaks ties and is carried along.
    least_visits : int
        Visits with a reading that a client must have. 1 keeps clients measured once, with an empty
        `latest_value`: those lost to follow-up.

    Returns
    -------
    DataFrame
        One row per client, episode, measure and side: the keys; `mode` and `instrument` of the
        series kept, the one with most visits (the earlier start where two are equal);
        `start_value`, `latest_value`, `start_visit`, `latest_visit`, `start_date`, `latest_date`,
        `n_visits`, and `n_readings_not_paired`, readings of the same measure with another
        instrument or mode, which are left out.

    Raises
    ------
    DataError
        If a column is absent, a value is infinite, or one series has two values at one visit.

    Examples
    --------
    >>> values = pd.DataFrame({
    ...     "client": ["a", "a", "a"], "visit": [1, 2, 4], "measure": "cervical_rotation",
    ...     "instrument": "goniometer", "value": [50.0, 55.0, 61.0]})
    >>> start_and_latest(values)[["client", "start_value", "latest_value", "n_visits"]]
      client  start_value  latest_value  n_visits
    0      a         50.0          61.0         3
    """
    least_visits = check_count("least_visits", least_visits)
    check_columns(values, ["client", "visit", "measure", "value"], thing="the table of readings")
    if np.isinf(values["value"].to_numpy(float, na_value=np.nan)).any():
        raise rows_must(
            "value", "be finite", np.isinf(values["value"].astype(float)), "Correct the readings"
        )
    frame = values.loc[values["value"].notna()]
    keys = [name for name in _KEYS if name in frame.columns]
    apart = [name for name in _NEVER_MIXED if name in frame.columns]
    series, combination = _codes(frame, keys), _codes(frame, keys + apart)
    moments = [_sortable(frame.loc[:, c]) for c in ("date", "visit") if c in frame.columns]
    order = np.lexsort([*moments, combination, series])
    frame, series, combination = frame.iloc[order], series[order], combination[order]
    visit = _sortable(frame["visit"])
    twice = np.zeros(len(frame), dtype=bool)
    twice[1:] = (combination[1:] == combination[:-1]) & (visit[1:] == visit[:-1])
    if twice.any():
        raise rows_must(
            "a visit",
            "have one value per client, measure, side, mode and instrument",
            np.isin(np.arange(len(values)), np.flatnonzero(values["value"].notna())[order][twice]),
            "Average the trials first, with visit_values",
        )
    first, last = _ends(combination)
    n_visits = last - first + 1
    chosen = _longest(series[first], n_visits, visit[first])
    total = np.bincount(series, minlength=series.max(initial=-1) + 1)[series[first]]
    keep = chosen & (n_visits >= least_visits)
    return _assemble(frame, keys + apart, first, last, n_visits, total, keep)


def _assemble(
    frame: pd.DataFrame,
    keys: list[str],
    first: np.ndarray,
    last: np.ndarray,
    n_visits: np.ndarray,
    total: np.ndarray,
    keep: np.ndarray,
) -> pd.DataFrame:
    start, latest = frame.iloc[first[keep]], frame.iloc[last[keep]]
    once = n_visits[keep] < 2
    carried = [c for c in _CARRIED if c in frame.columns]
    pairs = start[keys + carried].reset_index(drop=True)
    pairs["start_value"] = start["value"].to_numpy(float)
    pairs["latest_value"] = np.where(once, np.nan, latest["value"].to_numpy(float))
    for column in ("visit", "date"):
        if column in frame.columns:
            pairs[f"start_{column}"] = start[column].to_numpy()
            pairs[f"latest_{column}"] = latest[column].reset_index(drop=True).mask(once)
    pairs["n_visits"] = n_visits[keep]
    pairs["n_readings_not_paired"] = total[keep] - n_visits[keep]
    return pairs


def _codes(frame: pd.DataFrame, columns: list[str]) -> np.ndarray:
    """Give each distinct combination of some columns a number; an empty cell is a value too."""
    code = np.zeros(len(frame), dtype=np.int64)
    for column in columns:
        part, levels = pd.factorize(frame[column], use_na_sentinel=True)
        code = code * (len(levels) + 1) + part + 1
        code = np.unique(code, return_inverse=True)[1]
    return code


def _sortable(column: pd.Series) -> np.ndarray:
    if pd.api.types.is_datetime64_any_dtype(column):
        return column.to_numpy("datetime64[us]").astype(np.int64)
    return column.to_numpy(float, na_value=np.nan)


def _ends(code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions of the first and last row of each run of equal codes."""
    edges = np.flatnonzero(np.diff(code)) + 1
    first = np.concatenate([[0], edges]) if code.size else edges
    last = np.concatenate([edges - 1, [code.size - 1]]) if code.size else edges
    return first, last


def _longest(series: np.ndarray, n_visits: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Mark, in each series, the run with most visits; of equals the one that starts first."""
    order = np.lexsort([start, -n_visits, series])
    chosen = np.zeros(series.size, dtype=bool)
    leads = np.ones(series.size, dtype=bool)
    leads[1:] = np.diff(series[order]) != 0
    chosen[order[leads]] = True
    return chosen
