"""The chance to reach the gain at the next visit, given that it has not been reached yet.

    cloglog h_iv = log(-log(1 - h_iv)) = a_v + x_i b,   v the visit, h the chance at that visit

exp(b) is the hazard ratio of the proportional-hazards model for times grouped by visits, whatever
happens between them (Prentice & Gloeckler 1978, Biometrics 34:57). Each client gives one row per
visit until the gain or the last reading, and those rows are conditionally independent: no random
client effect is needed for a gain that happens once.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import ArgumentError, DataError, ModelError, check_between, check_columns
from outcomes.statistics.service.casemix import case_mix

__all__ = ["hazard_by_visit", "hazard_ratios", "visit_rows"]


def visit_rows(times: pd.DataFrame, *, most: int = 12) -> pd.DataFrame:
    """Lay out one row per client and visit until the gain or the last reading.

    Parameters
    ----------
    times : DataFrame
        From `gain_intervals` with ``scale="visit"``: time, reached, and columns to carry along.
    most : int
        Visits beyond this are left out (too few clients to tell the chance at each).

    Returns
    -------
    DataFrame
        The columns of `times`, visit (since the start, from 1), gained (1 at the visit of the
        gain). Clients without a visit after the start have no rows.

    Examples
    --------
    >>> times = pd.DataFrame({"client": ["a", "b"], "time": [2.0, 1.0], "reached": [True, False]})
    >>> visit_rows(times)[["client", "visit", "gained"]].values.tolist()
    [['a', 1, 0], ['a', 2, 1], ['b', 1, 0]]
    """
    check_columns(times, ["time", "reached"], thing="the times")
    whole = times["time"].to_numpy(float)
    if (whole != np.floor(whole)).any() or (whole < 0).any():
        raise DataError(
            "times must be counted in whole visits for a chance per visit. "
            'Use gain_intervals with scale="visit".'
        )
    stop = np.minimum(whole, most).astype(int)
    rows = times.loc[times.index.repeat(stop)].reset_index(drop=True)
    visit = np.concatenate([np.arange(1, k + 1) for k in stop]) if stop.sum() else np.empty(0, int)
    rows["visit"] = visit.astype("int64")
    last = rows["visit"].to_numpy(float) == rows["time"].to_numpy(float)
    rows["gained"] = (last & rows["reached"].to_numpy(bool)).astype("int64")
    return rows


def hazard_by_visit(rows: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Give the chance to reach the gain at each visit, among those not there yet.

    Parameters
    ----------
    rows : DataFrame
        From `visit_rows`.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        visit, at_risk, events, share (the chance), ci_low, ci_high (Wilson), ci_level.

    Examples
    --------
    >>> times = pd.DataFrame({"time": [1.0, 2, 2, 3], "reached": [True, True, False, False]})
    >>> hazard_by_visit(visit_rows(times))["share"].round(2).tolist()
    [0.25, 0.33, 0.0]
    """
    from outcomes.statistics.effect_size.shares import share_interval

    check_columns(rows, ["visit", "gained"], thing="the rows")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    table = rows.groupby("visit")["gained"].agg(["size", "sum"]).reset_index()
    table.columns = ["visit", "at_risk", "events"]
    table["share"] = table["events"] / table["at_risk"]
    low, high = share_interval(table["events"], table["at_risk"], confidence=level)
    return table.assign(ci_low=low, ci_high=high, ci_level=level)


def hazard_ratios(rows: pd.DataFrame, *, on: Sequence[str], level: float = 0.95) -> pd.DataFrame:
    """Say which clients reach the gain sooner, as ratios of the chance at each visit.

    Use for a few columns known at the start and at least ten gains for each term. Do not read a
    ratio as an effect: clients were not assigned to it.

    Parameters
    ----------
    rows : DataFrame
        From `visit_rows`, with the columns of `on`.
    on : sequence of str
        Columns; numbers are centred, words compared with the commonest.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        term, estimate (ratio; above 1: sooner), standard_error (of its logarithm), statistic (z),
        p_value, ci_low, ci_high, ci_level, n (clients' visits), events, method, notes.

    Raises
    ------
    ArgumentError
        If `on` is empty.
    ModelError
        If no gain was seen, all were seen at once, or the fit does not converge.

    Notes
    -----
    Visits at which nobody or everybody gained carry no information on the ratios and are left out.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> times = pd.DataFrame({"time": rng.integers(1, 7, 150).astype(float)})
    >>> times["reached"], times["age"] = rng.random(150) < 0.7, rng.normal(45, 10, 150)
    >>> found = hazard_ratios(visit_rows(times), on=["age"])
    >>> bool(found["ci_low"].iloc[0] < 1 < found["ci_high"].iloc[0])
    True

    Checked against: R's glm with complementary log-log link (test_time_to_gain_hazard).
    """
    import statsmodels.api as sm

    if not on:
        raise ArgumentError("on must name at least one column.")
    check_columns(rows, ["visit", "gained", *on], thing="the rows")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    mix = case_mix(rows, adjust_for=on)
    used = rows[mix.kept]
    informative = used.groupby("visit")["gained"].transform("nunique").to_numpy() > 1
    used, columns = used[informative], mix.design[informative]
    if used.empty or columns.shape[1] == 0:
        raise ModelError(
            "hazard ratios must rest on visits at which some clients gained and others did not, "
            "and on columns that differ between clients. Look at hazard_by_visit instead."
        )
    visits = pd.get_dummies(used["visit"]).to_numpy(float)
    design = np.column_stack([visits, columns])
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            fit = sm.GLM(used["gained"].to_numpy(float), design, family=family).fit(
                maxiter=100, tol=1e-10
            )
    except (Warning, ValueError, FloatingPointError, np.linalg.LinAlgError):
        raise ModelError(_NOT_CONVERGED) from None
    wanted = slice(visits.shape[1], None)
    beta, error = np.asarray(fit.params)[wanted], np.asarray(fit.bse)[wanted]
    if not fit.converged or not np.isfinite(error).all() or (error > 30).any():
        raise ModelError(_NOT_CONVERGED)
    reach = float(stats.norm.ppf(0.5 + level / 2)) * error
    return pd.DataFrame(
        {
            "term": mix.terms,
            "estimate": np.exp(beta),
            "standard_error": error,
            "statistic": beta / error,
            "p_value": 2 * stats.norm.sf(np.abs(beta / error)),
            "ci_low": np.exp(beta - reach),
            "ci_high": np.exp(beta + reach),
            "ci_level": level,
            "n": len(used),
            "events": int(used["gained"].sum()),
            "method": "discrete-time hazard, complementary log-log, a level per visit",
            "notes": " ".join(mix.notes),
        }
    )


_NOT_CONVERGED = (
    "hazard ratios must have a finite estimate, and these do not: some group always or never "
    "gained. Use fewer columns, or compare groups with interval_score_test."
)
