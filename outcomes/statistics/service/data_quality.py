"""Can the readings be trusted: the ledger, rounding by rater, drift by instrument.

Every question is asked of several raters or instruments at once, so p-values are Holm-adjusted
within the question: with nothing wrong, anyone is flagged in at most 5% of looks.

    digit preference  share of readings on a multiple of 5, against 1 in 5 by chance
    drift             start values of clients by date: does one instrument's move from a date on,
                      when the others' do not
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_between, check_columns, check_positive
from outcomes.statistics.effect_size import holm
from outcomes.statistics.service.robust import least_squares, t_interval

__all__ = ["digit_preference", "instrument_drift", "ledger_summary"]


def ledger_summary(ledger: pd.DataFrame) -> pd.DataFrame:
    """Count what was set aside, changed or asked about while reading, by table and rule.

    Parameters
    ----------
    ledger : DataFrame
        table, rule, action, client, of a caseload.

    Returns
    -------
    DataFrame
        table, action, rule, count (entries), clients; most frequent first.

    Examples
    --------
    >>> ledger = pd.DataFrame(
    ...     {"table": ["visits"] * 2, "rule": "date", "action": "set aside", "client": ["a", "a"]}
    ... )
    >>> ledger_summary(ledger)[["count", "clients"]].values.tolist()
    [[2, 1]]
    """
    check_columns(ledger, ["table", "rule", "action", "client"], thing="the ledger")
    grouped = ledger.groupby(["table", "action", "rule"])["client"].agg(["size", "nunique"])
    table = grouped.reset_index().rename(columns={"size": "count", "nunique": "clients"})
    return table.sort_values(
        ["count", "table", "action", "rule"], ascending=[False, True, True, True]
    ).reset_index(drop=True)


def digit_preference(
    readings: pd.DataFrame, *, multiple: float = 5.0, step: float = 1.0, level: float = 0.95
) -> pd.DataFrame:
    """Find raters who round to multiples of 5.

    Use on readings recorded to 1 degree (or 1 mm). Not for questionnaire scores, whose values
    are uneven by design.

    Parameters
    ----------
    readings : DataFrame
        One row per single reading (not means of trials): rater, value. Readings without a rater
        form the rater ``"not recorded"``.
    multiple, step : float
        Multiple looked for, and the step to which readings are recorded otherwise.
    level : float
        Level of the interval of the share, in (0, 1).

    Returns
    -------
    DataFrame
        rater, n_readings, count, share, expected_share (step / multiple), ci_low, ci_high,
        ci_level (Clopper-Pearson), p_value (one-sided, Holm-adjusted), flagged (p below 1 - level),
        rounding_sd (multiple / sqrt(12), the error added where all is rounded).

    Notes
    -----
    Readings of one client are alike, so the exact interval is somewhat too narrow; a rater who
    rounds has a share near 1, not near 0.25.

    Examples
    --------
    >>> readings = pd.DataFrame({"rater": ["a"] * 40 + ["b"] * 40})
    >>> readings["value"] = [50.0, 55.0] * 20 + [*range(40)]
    >>> digit_preference(readings)["flagged"].tolist()
    [True, False]
    """
    check_columns(readings, ["rater", "value"], thing="the readings")
    multiple, step = check_positive("multiple", multiple), check_positive("step", step)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    rows = readings[readings["value"].notna()]
    whole = rows["value"] / multiple
    rows = rows.assign(rater=recorded(rows["rater"]), even=(whole - whole.round()).abs() < 1e-9)
    table = rows.groupby("rater")["even"].agg(["size", "sum"]).reset_index()
    table.columns = ["rater", "n_readings", "count"]
    n, count = table["n_readings"].to_numpy(float), table["count"].to_numpy(float)
    expected, half = step / multiple, (1 - level) / 2
    table["share"], table["expected_share"] = count / n, expected
    table["ci_low"] = np.where(
        count > 0, stats.beta.ppf(half, np.maximum(count, 1), n - count + 1), 0
    )
    table["ci_high"] = np.where(
        count < n, stats.beta.isf(half, count + 1, np.maximum(n - count, 1)), 1
    )
    table["ci_level"] = level
    table["p_value"] = holm(stats.binom.sf(count - 1, n, expected))
    table["flagged"] = table["p_value"] < 1 - level
    table["rounding_sd"] = multiple / np.sqrt(12)
    return table


def instrument_drift(values: pd.DataFrame, *, since: object, level: float = 0.95) -> pd.DataFrame:
    """Say whether an instrument's start readings have moved since a date, unlike the others'.

    Use with a date before which all was well, as the last check of the instruments. Needs at
    least two instruments; with exactly two it cannot be known which of them moved, and both are
    flagged. A change in who comes to one site looks the same as drift there: check the instrument
    against a known angle before blaming it.

    Parameters
    ----------
    values : DataFrame
        One row per client and measure at the start of an episode, measures in one unit: client,
        measure, instrument, date, value, and clinic where there are sites.
    since : date
        Day from which drift is looked for.
    level : float
        Level of intervals, in (0, 1).

    Returns
    -------
    DataFrame
        instrument, n (clients since), n_readings (since), estimate (drift in 30 days, in the
        unit, relative to the other instruments), standard_error, df, ci_low, ci_high, ci_level,
        p_value (Holm-adjusted), flagged, method. Instruments with fewer than 5 clients before or
        since are left out.

    Raises
    ------
    DataError
        If fewer than two instruments remain.

    Notes
    -----
    Least squares on the level of each measure and instrument, a common movement since the date,
    and one of the instrument in question; rows weighted by the inverse variance of their measure;
    CR2 by client.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> values = pd.DataFrame({"client": range(200), "instrument": [*"ab"] * 100})
    >>> values["date"] = pd.Timestamp("2026-01-01") + pd.to_timedelta(np.arange(200), unit="D")
    >>> months = ((values["date"] - pd.Timestamp("2026-04-01")).dt.days / 30).clip(lower=0)
    >>> values["value"] = 130 + rng.normal(0, 4, 200) + 3 * months * (values["instrument"] == "b")
    >>> values["measure"] = "shoulder_flexion"
    >>> instrument_drift(values, since="2026-04-01").set_index("instrument")["flagged"].to_dict()
    {'a': True, 'b': True}
    """
    check_columns(values, ["client", "measure", "instrument", "date", "value"], thing="the values")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    start = pd.Timestamp(since)  # pyright: ignore[reportArgumentType]
    rows = values[values["value"].notna()].copy()
    rows["instrument"] = recorded(rows["instrument"])
    rows["months"] = ((rows["date"] - start).dt.days / 30).clip(lower=0)
    rows = rows[rows["instrument"].isin(_watched(rows)) & (rows["instrument"] != "not recorded")]
    instruments = sorted(rows["instrument"].unique())
    if len(instruments) < 2:
        raise DataError(
            "drift must be judged between at least two instruments with 5 clients before and "
            "after the date each. Choose another date."
        )
    spread = rows.groupby(["measure", "instrument"])["value"].transform("std")
    rows = rows[spread > 0]
    weight = 1 / spread[spread > 0].to_numpy(float)
    levels = pd.get_dummies(rows["measure"].astype("str") + "/" + rows["instrument"])
    months = rows["months"].to_numpy(float)
    found = []
    for instrument in instruments:
        own = (rows["instrument"] == instrument).to_numpy(float)
        design = np.column_stack([months * own, months, levels.to_numpy(float)]) * weight[:, None]
        fit = least_squares(
            design, rows["value"].to_numpy(float) * weight, rows["client"].to_numpy()
        )
        estimate, error, df = fit.contrast(np.eye(design.shape[1])[0])
        low, high = t_interval(estimate, error, df, level)
        since_then = (own > 0) & (months > 0)
        found.append(
            {
                "instrument": instrument,
                "n": rows.loc[since_then, "client"].nunique(),
                "n_readings": int(since_then.sum()),
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
    return table.assign(method="start values by date, clients as clusters (CR2)")


def recorded(column: pd.Series) -> pd.Series:
    """Turn codes into words; an empty cell reads ``not recorded``."""
    words = column.astype("object").where(column.notna(), "").astype("str")
    return words.where(words != "", "not recorded")


def _watched(rows: pd.DataFrame) -> list[str]:
    counts = rows.assign(later=rows["months"] > 0).groupby(["instrument", "later"])["client"]
    table = counts.nunique().unstack(fill_value=0).reindex(columns=[False, True], fill_value=0)
    return table.index[(table >= 5).all(axis=1)].tolist()
