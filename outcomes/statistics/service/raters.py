"""Who measures differently: raters compared on the clients that they share.

    reading_cvm = series_c + course of the measure + rater + error

A rater is compared with colleagues on the same clients, never on different ones; raters whom no
chain of shared clients links, as those of two sites, are not compared at all. p-values are
Holm-adjusted: with nothing wrong, anyone is flagged in at most 5% of looks.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse, stats
from scipy.sparse import csgraph

from outcomes.errors import DataError, check_between, check_columns
from outcomes.statistics.effect_size import holm
from outcomes.statistics.service.data_quality import recorded
from outcomes.statistics.service.robust import least_squares, t_interval

__all__ = ["rater_differences"]

_SERIES = ["client", "episode", "measure", "side", "mode", "instrument"]


def rater_differences(values: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Say who reads higher or lower than colleagues do on the same clients.

    Use where a client is measured by more than one rater over time. Raters who never share a
    client with another cannot be compared, and are left out.

    Parameters
    ----------
    values : DataFrame
        One row per series and visit of measures in one unit: client, episode, measure, rater,
        week, value, and side, mode, instrument where known.
    level : float
        Level of intervals, in (0, 1).

    Returns
    -------
    DataFrame
        rater, compared_with (colleagues linked by shared clients, as at one site), n (clients
        shared), n_readings, estimate (reads higher than the average of them all, by so much in
        the unit), standard_error, df, ci_low, ci_high, ci_level, p_value
        (Holm-adjusted), flagged, method.

    Raises
    ------
    DataError
        If no two raters share a client.

    Notes
    -----
    Within-series least squares: readings less their series' mean, on a course in log(1 + week) per
    measure and on the raters, whose effects sum to zero among those linked; CR2 by client.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> values = pd.DataFrame({"client": np.repeat(range(30), 6), "week": [*range(6)] * 30})
    >>> values = values.assign(episode=1, measure="cervical_rotation", rater=[*"aaabab"] * 30)
    >>> values["value"] = 60 + rng.normal(0, 2, 180) + 3 * (values["rater"] == "b")
    >>> found = rater_differences(values).set_index("rater")
    >>> bool(found.loc["b", "flagged"]), bool(abs(found.loc["b", "estimate"] - 1.5) < 0.4)
    (True, True)
    """
    needed = ["client", "episode", "measure", "rater", "week", "value"]
    check_columns(values, needed, thing="the values")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    keys = [name for name in _SERIES if name in values]
    rows = values[values["value"].notna()].copy()
    rows["rater"] = recorded(rows["rater"])
    rows = rows[~rows["rater"].isin(["not recorded", "several"])]
    rows = rows[rows.groupby(keys, dropna=False)["rater"].transform("nunique") > 1]
    if rows.empty:
        raise DataError(
            "raters must share clients to be compared, and no two of them do. "
            "Let a colleague measure some visits."
        )
    codes, raters = pd.factorize(rows["rater"], sort=True)
    series = rows.groupby(keys, dropna=False).ngroup().to_numpy()
    circles = _circles(codes, series)
    effects = _sum_to_zero(circles)
    course = np.log1p(rows["week"].to_numpy(float).clip(min=0))[:, None]
    measures = pd.get_dummies(rows["measure"].astype("str")).to_numpy(float)
    courses = _within(course * measures, series)
    courses = courses[:, np.abs(courses).max(axis=0) > 1e-9]
    design = np.column_stack([_within(effects[codes], series), courses])
    y = _within(rows["value"].to_numpy(float), series)
    fit = least_squares(design, y, rows["client"].to_numpy())
    found = []
    for i, rater in enumerate(raters):
        weights = np.concatenate([effects[i], np.zeros(courses.shape[1])])
        estimate, error, df = fit.contrast(weights)
        low, high = t_interval(estimate, error, df, level)
        found.append(
            {
                "rater": rater,
                "compared_with": ", ".join(raters[(circles == circles[i]) & (raters != rater)]),
                "n": rows.loc[codes == i, "client"].nunique(),
                "n_readings": int((codes == i).sum()),
                "estimate": estimate,
                "standard_error": error,
                "df": df,
                "ci_low": low,
                "ci_high": high,
                "ci_level": level,
                "p_value": 2 * float(stats.t.sf(abs(estimate) / error, df)),
            }
        )
    table = pd.DataFrame(found)
    table["p_value"] = holm(table["p_value"].to_numpy())
    table["flagged"] = table["p_value"] < 1 - level
    return table.assign(method="within-client least squares, clients as clusters (CR2)")


def _within(columns: np.ndarray, series: np.ndarray) -> np.ndarray:
    """Take each series' mean away."""
    wide = columns.reshape(len(series), -1)
    sizes = np.bincount(series)
    means = np.column_stack([np.bincount(series, column) / sizes for column in wide.T])
    return (wide - means[series]).reshape(columns.shape)


def _circles(raters: np.ndarray, series: np.ndarray) -> np.ndarray:
    """Find the circles of raters that shared series link, directly or through others."""
    shape = (series.max() + 1, raters.max() + 1)
    met = sparse.coo_array((np.ones(raters.size), (series, raters)), shape=shape).tocsr()
    return csgraph.connected_components(met.T @ met, directed=False)[1]


def _sum_to_zero(circles: np.ndarray) -> np.ndarray:
    """Code raters so that effects sum to zero in each circle: raters x coefficients."""
    columns = []
    for circle in np.unique(circles):
        *others, last = np.flatnonzero(circles == circle)
        for one in others:
            column = np.zeros(circles.size)
            column[one], column[last] = 1.0, -1.0
            columns.append(column)
    return np.column_stack(columns)
