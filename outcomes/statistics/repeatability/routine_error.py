"""The clinic's own measurement error, from the readings of everyday visits.

Notation
--------
series      one client, episode, measure, side, mode and instrument, over visits
trial       repeated reading within a visit, before treatment
y_v, t_v    value of visit v (mean of its trials) and its day
e_v         y_v - a y_(v-1) - b y_(v+1), a and b the weights of linear interpolation in t
s_t         error of one trial: what differs within a visit
s_v         error of one visit's recorded value: what differs from visit to visit without change

Trials within a visit: within-visit mean square; chi-square interval, exact if normal.

Scatter about the course: mean of e^2 / (1 + a^2 + b^2), the mean bend at each visit number taken
off first. Where one client's course bends by c units more than the mean over one visit, c^2 / 6 is
added to the variance. Errors that last from visit to visit (serial correlation r) are seen only in
part: with visits equally far apart the method gives s sqrt(1 - 4r/3 + r^2/3).

Short interval, no change reported: half the mean squared difference of neighbouring visits. If
those clients truly moved with standard deviation m, m^2 / 2 is added.

Mixed model: residual variance of value ~ log(1 + week), intercept and slope per series.

Intervals of the second and third: chi-square on as many independent contrasts as the overlapping
ones are worth, fewer where clients differ.

On the synthetic caseload (20 draws, rows of one rater and instrument) the intervals held the
planted error in 95.4% (trials) and 92.7% (course) at nominal 95%, the course method being 2.4% too
high; 16% too low where session errors carried over with correlation 0.4, 7% too high where courses
ran twice as fast.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import chi2

from outcomes.errors import DataError, ModelError, check_between, check_columns, check_positive
from outcomes.statistics.repeatability.visit_contrasts import (
    independent_contrasts,
    pooled_error,
    without_mean_bend,
)

__all__ = ["error_from_routine_visits"]

_SERIES = ["client", "episode", "measure", "side", "mode", "instrument"]
_KIND = ["measure", "mode", "instrument"]

_TRIALS = "trials within a visit"
_COURSE = "scatter about each client's course"
_STABLE = "short interval, no change reported"
_MODEL = "mixed model, course of each client"

_USE = {
    _TRIALS: "one trial is compared with another of the same visit; too small between visits",
    _COURSE: "change between visits is judged; any smooth course is allowed for",
    _STABLE: "change between visits is judged, if unchanged clients truly did not change",
    _MODEL: "change between visits is judged, if courses follow the logarithm of time",
}


def error_from_routine_visits(
    readings: pd.DataFrame,
    *,
    rating: str = "groc",
    no_change: float = 1.0,
    longest_gap_days: float = 14.0,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Find the clinic's own measurement error from its everyday visits, without a study.

    Use it where a repeatability study is still to come, per instrument and rater. Do not use it
    where readings are taken knowing the last one, or where the true state jumps from visit to
    visit: jumps cannot be told from error and are counted as error.

    Parameters
    ----------
    readings : DataFrame
        Measurements: client, episode, visit, date, measure, side, value, and moment, trial,
        mode, instrument, rater, unit where recorded. Only before-treatment readings are used.
    rating : str, default "groc"
        Measure that holds the client's global rating of change since the start of care.
    no_change : float, default 1
        Ratings from minus this to this count as no change.
    longest_gap_days : float, default 14
        Longest time between neighbouring visits that are compared.
    confidence : float, default 0.95

    Returns
    -------
    DataFrame
        One row per measure, mode, instrument, rater ("all" and each) and method, where the data
        reach: measure, mode, instrument, rater, quantity, estimate, ci_low, ci_high, ci_level,
        unit, n (clients), n_readings, method, use_when, notes. The four methods rest on different
        assumptions; where they disagree, the assumption matters. One rater's rows rest on
        neighbouring visits that are all his; "all" holds the shifts between raters.

    Raises
    ------
    DataError
        Missing columns; nothing from which any error can be seen.

    Notes
    -----
    The four estimators, their intervals and what breaks them: at the head of this module.

    References
    ----------
    Gasser, Sroka & Jennen-Steinmetz 1986, Biometrika 73:625, doi:10.1093/biomet/73.3.625.
    Bland & Altman 1996, BMJ 313:744, doi:10.1136/bmj.313.7059.744.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> visit = np.tile(np.arange(1, 7), 40)
    >>> readings = pd.DataFrame({
    ...     "client": np.repeat(np.arange(40), 6), "episode": 1, "visit": visit,
    ...     "date": pd.Timestamp("2026-01-05") + pd.to_timedelta(7 * visit, unit="D"),
    ...     "measure": "shoulder_flexion", "side": "left",
    ...     "value": 130 + 3.0 * visit + rng.normal(0, 4, 240)})
    >>> found = error_from_routine_visits(readings)
    >>> bool(found.loc[0, "ci_low"] < 4 < found.loc[0, "ci_high"])
    True

    Checked against: planted errors of the synthetic caseload, by instrument and rater, and how
    far off under broken assumptions: tests/evidence/results/repeatability_routine_error.json.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    gap = check_positive("longest_gap_days", longest_gap_days)
    check_positive("no_change", no_change, zero=True)
    frame = _prepared(readings)
    ranges = frame[frame["measure"] != rating]
    visits = _visits(ranges)
    unchanged = _unchanged(frame[frame["measure"] == rating], no_change)
    rows: list[dict[str, Any]] = []
    group: Any
    key: Any
    for key, group in visits.groupby(_KIND, sort=True):
        for rater, chosen in _by_rater(group):
            base = dict(zip(_KIND, key, strict=True)) | {"rater": rater}
            base["unit"] = str(group["unit"].iloc[0])
            rows += [base | row for row in _routes(chosen, rater, unchanged, gap, level)]
    if not rows:
        raise DataError(
            "readings must hold repeated trials, three visits of a client, or unchanged clients. "
            "None was found: take two trials per visit, or keep measuring at every visit."
        )
    order = [*_KIND, "rater", "quantity", "estimate", "ci_low", "ci_high", "ci_level", "unit"]
    result: Any = pd.DataFrame(rows)
    return result[[*order, "n", "n_readings", "method", "use_when", "notes"]]


def _routes(
    visits: Any, rater: str, unchanged: Any, gap: float, level: float
) -> Iterator[dict[str, Any]]:
    """Every method that these visits allow."""
    makers = [_from_trials(visits, level), _from_course(visits, gap, level)]
    if len(unchanged):
        makers.append(_from_stable(visits, unchanged, gap, level))
    if rater == "all":
        makers.append(_from_model(visits, level))
    for row in makers:
        if row is None:
            continue
        notes = list(row.pop("notes", []))
        if row["estimate"] <= 1e-9 * float(visits["value"].abs().max()):
            row |= {"estimate": 0.0, "ci_low": 0.0, "ci_high": 0.0}
        if row["n"] < 5:
            notes.append(f"Only {row['n']} clients: expect a wide interval.")
        if row["estimate"] == 0:
            notes.append("No error seen: readings may have been copied or rounded too coarsely.")
        yield row | {
            "ci_level": level,
            "use_when": _USE[row["method"]],
            "notes": " ".join(notes),
        }


def _from_trials(visits: Any, level: float) -> dict[str, Any] | None:
    several = visits[visits["n_trials"] > 1]
    df = int((several["n_trials"] - 1).sum())
    if df < 2:
        return None
    square = float(several["within"].sum()) / df
    low, high = (float(chi2.ppf(q, df)) for q in ((1 - level) / 2, (1 + level) / 2))
    return {
        "quantity": "standard error of measurement of one trial",
        "estimate": float(np.sqrt(square)),
        "ci_low": float(np.sqrt(square * df / high)),
        "ci_high": float(np.sqrt(square * df / low)),
        "n": int(several["client"].nunique()),
        "n_readings": int(several["n_trials"].sum()),
        "method": _TRIALS,
    }


def _from_course(visits: Any, gap: float, level: float) -> dict[str, Any] | None:
    """Scatter of each visit about the line between its neighbours."""
    before, after = visits.groupby("series").shift(1), visits.groupby("series").shift(-1)
    early = (visits["day"] - before["day"]).to_numpy(dtype=float)
    late = (after["day"] - visits["day"]).to_numpy(dtype=float)
    use = (early > 0) & (late > 0) & (early <= gap) & (late <= gap)
    if not use.any():
        return None
    a, b = late[use] / (early + late)[use], early[use] / (early + late)[use]
    y = visits["value"].to_numpy(dtype=float)
    left = y[use] - a * before["value"].to_numpy()[use] - b * after["value"].to_numpy()[use]
    place = visits.groupby("series").cumcount().to_numpy()[use]
    left = without_mean_bend(left / np.sqrt(1 + a**2 + b**2), place)
    df = independent_contrasts(visits["series"].to_numpy()[use], place, a, b)
    found = pooled_error(left**2, df, visits["client"].to_numpy()[use], level)
    return None if found is None else found | {"n_readings": int(use.sum()), "method": _COURSE}


def _from_stable(visits: Any, unchanged: Any, gap: float, level: float) -> dict[str, Any] | None:
    """Differences of neighbouring visits at the end of which the client reports no change."""
    before = visits.groupby("series").shift(1)
    wait = (visits["day"] - before["day"]).to_numpy(dtype=float)
    at = pd.MultiIndex.from_frame(visits[["client", "episode", "visit"]])
    quiet = at.isin(pd.MultiIndex.from_frame(unchanged))
    use = (wait > 0) & (wait <= gap) & quiet
    if not use.any():
        return None
    d = (visits["value"] - before["value"]).to_numpy(dtype=float)[use]
    one = np.ones(len(d))
    place = visits.groupby("series").cumcount().to_numpy()[use]
    df = independent_contrasts(visits["series"].to_numpy()[use], place, one, 0 * one)
    found = pooled_error(d**2 / 2, df, visits["client"].to_numpy()[use], level)
    if found is None:
        return None
    note = f"Their mean change was {d.mean():.3g}: true change among them is counted as error."
    return found | {"n_readings": 2 * int(use.sum()), "method": _STABLE, "notes": [note]}


def _from_model(visits: Any, level: float) -> dict[str, Any] | None:
    """Residual scatter of a model with an intercept and a slope for every series."""
    from outcomes.statistics.mixed_model import fit_mixed_model

    counts = visits.groupby("series")["value"].transform("size")
    rows = visits[counts >= 3]
    series = int(rows["series"].nunique())
    df = len(rows) - 2 * series - 2
    if series < 5 or df < 5:
        return None
    start = rows.groupby("series")["day"].transform("min")
    data: Any = pd.DataFrame(
        {
            "value": rows["value"].to_numpy(dtype=float),
            "log_week": np.log1p((rows["day"] - start).to_numpy(dtype=float) / 7),
            "series": rows["series"].to_numpy(),
            "client": rows["client"].to_numpy(),
        }
    )
    if data["log_week"].nunique() < 3 or data["value"].nunique() < 3:
        return None
    try:
        fit = fit_mixed_model(
            data,
            "value ~ log_week",
            groups="series",
            random="1 + log_week",
            degrees_of_freedom="normal",
        )
    except ModelError:
        return None
    square = float(fit.residual_variance)
    low, high = (float(chi2.ppf(q, df)) for q in ((1 - level) / 2, (1 + level) / 2))
    return {
        "quantity": "standard error of measurement of one visit's value",
        "estimate": float(np.sqrt(square)),
        "ci_low": float(np.sqrt(square * df / high)),
        "ci_high": float(np.sqrt(square * df / low)),
        "n": int(data["client"].nunique()),
        "n_readings": len(data),
        "method": _MODEL,
    }


def _by_rater(visits: Any) -> Iterator[tuple[str, Any]]:
    """All visits, then those of each rater (neighbours are then both that rater's)."""
    yield "all", visits
    raters = sorted(set(visits["rater"]) - {"", "several"})
    if len(raters) > 1:
        for rater in raters:
            yield rater, _same_rater_stretches(visits, rater)


def _same_rater_stretches(visits: Any, rater: str) -> Any:
    """One rater's visits; a visit by somebody else between two of them starts a new series."""
    mine = visits["rater"] == rater
    breaks = (~mine).groupby(visits["series"]).cumsum()
    found = visits.assign(series=visits["series"].astype(str) + "/" + breaks.astype(str))
    return found[mine]


def _prepared(readings: pd.DataFrame) -> Any:
    """Before-treatment readings with every column filled."""
    needed = ["client", "episode", "visit", "date", "measure", "side", "value"]
    check_columns(readings, needed, thing="readings")
    frame: Any = readings.copy()
    if "moment" in frame:
        frame = frame[frame["moment"].fillna("before") == "before"]
    for column in ("mode", "instrument", "rater", "unit"):
        frame[column] = frame[column].astype("object").fillna("") if column in frame else ""
        frame[column] = frame[column].astype(str)
    frame["side"] = frame["side"].astype("object").fillna("midline").astype(str)
    frame["value"] = pd.to_numeric(frame["value"], errors="coerce")
    frame = frame[np.isfinite(frame["value"]) & frame["date"].notna() & frame["visit"].notna()]
    if not len(frame):
        raise DataError(
            "readings must hold values with a visit and a date; none do. Fill in value, visit "
            "and date."
        )
    date = pd.to_datetime(frame["date"])
    return frame.assign(day=(date - date.min()).dt.days.to_numpy(dtype=float))


def _visits(frame: Any) -> Any:
    """One row per series and visit: mean of trials, their number and scatter, the rater."""
    groups: Any = frame.groupby([*_SERIES, "visit"], sort=True)
    found = groups.agg(
        day=("day", "first"),
        value=("value", "mean"),
        n_trials=("value", "size"),
        rater=("rater", "first"),
        raters=("rater", "nunique"),
        unit=("unit", "first"),
        within=("value", "var"),
    ).reset_index()
    found["within"] = found["within"].fillna(0.0) * (found["n_trials"] - 1)
    found.loc[found["raters"] > 1, "rater"] = "several"
    found["series"] = found.groupby(_SERIES, sort=False).ngroup()
    return found.sort_values(["series", "day", "visit"], ignore_index=True)


def _unchanged(ratings: Any, no_change: float) -> Any:
    """Visits at which the client reports no change since the start of care."""
    quiet = ratings[ratings["value"].abs() <= no_change]
    return quiet[["client", "episode", "visit"]].drop_duplicates()
