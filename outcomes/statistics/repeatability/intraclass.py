"""Intraclass correlations: how well readings tell clients apart.

Notation (McGraw & Wong 1996; the older names of Shrout & Fleiss 1979 in brackets)
--------
ICC(1), ICC(k)      one-way: every client may have had other raters      [1,1] [1,k]
ICC(C,1), ICC(C,k)  two-way, consistency: rater shifts are not error     [3,1] [3,k]
ICC(A,1), ICC(A,k)  two-way, agreement: rater shifts are error           [2,1] [2,k]
n, k                clients, raters (or trials)
MSR, MSW            mean square between clients, within clients
MSC, MSE            mean square between raters, residual

Random and mixed models have the same estimate and interval; what differs is to whom it applies:
random to raters like these, mixed to these raters only. The average forms of the mixed agreement
and consistency model suppose that raters do not rank clients differently (no interaction).

Complete tables: exact F intervals; for agreement the Satterthwaite df of McGraw & Wong.
Incomplete: REML components; one-way and consistency by the exact F pivot of Harville & Fenech,
agreement by profile likelihood. Coverage at nominal 95%, 10,000 data sets per setting: exact forms
94.5 to 95.2%; agreement by Satterthwaite 93.0 to 95.6%, but 75.6% with 30 clients and two raters
who hold 15% of the variance; modified large sample 95.1 to 97.4%; incomplete tables 96.0 to 96.2%
(500 sets). tests/evidence/results/repeatability_intraclass_coverage.json.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import f as f_distribution

from outcomes.errors import DataError, check_between, check_choice, rows_must
from outcomes.statistics.repeatability.analysis_of_variance import crossed_mean_squares, one_way
from outcomes.statistics.repeatability.intraclass_unbalanced import unbalanced_rows
from outcomes.statistics.repeatability.mean_square_interval import ratio_interval_large_sample

__all__ = ["intraclass_correlation", "two_way_intraclass"]

#: form: (name in the older notation, model, kind, unit of the average, use when, do not use when)
_FORMS = {
    "ICC(1)": ("ICC(1,1)", "one-way random", "agreement", "single"),
    "ICC(k)": ("ICC(1,k)", "one-way random", "agreement", "average"),
    "ICC(A,1)": ("ICC(2,1)", "two-way random or mixed", "agreement", "single"),
    "ICC(A,k)": ("ICC(2,k)", "two-way random or mixed", "agreement", "average"),
    "ICC(C,1)": ("ICC(3,1)", "two-way random or mixed", "consistency", "single"),
    "ICC(C,k)": ("ICC(3,k)", "two-way random or mixed", "consistency", "average"),
}

_AGREEMENT_METHODS = {
    "satterthwaite": "F interval with Satterthwaite df",
    "modified large sample": "modified large-sample interval",
}

_USE = {
    "ICC(1)": ("raters differ from client to client", "the same raters saw every client"),
    "ICC(A,1)": (
        "the same raters saw every client, and values of different raters are compared",
        "one rater's own repeats are meant",
    ),
    "ICC(C,1)": (
        "a shift between raters (or trials) can be ignored or corrected",
        "clients change hands between raters",
    ),
}


def intraclass_correlation(
    ratings: Any, *, agreement_interval: str = "satterthwaite", confidence: float = 0.95
) -> pd.DataFrame:
    """Give every form of the intraclass correlation with its interval.

    Use it to say how well readings tell these clients apart. Do not use it as the error of a
    reading (that is `measurement_error`), nor carry it over to clients who differ more or less
    from one another. Assumed: errors are independent and equally spread at all sizes, roughly
    normal; for two-way forms each rater saw each client once.

    Parameters
    ----------
    ratings : DataFrame or array, clients x raters; or DataFrame with client, rater, value
        One reading per client and rater; missing readings are nan. Trials of one rater may stand
        for raters.
    agreement_interval : {"satterthwaite", "modified large sample"}
        For agreement forms of complete tables. The first is the published one, too short with few
        raters who differ; the second keeps its level then.
    confidence : float, default 0.95
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        One row per form: form, also_called, model, kind, average_of, estimate, ci_low, ci_high,
        ci_level, statistic (F against zero), df1, df2, p_value (one-sided), n, n_raters,
        n_readings, method, use_when, do_not_use_when, notes. Estimates below zero are reported as
        estimated from complete data; REML stops at zero and says so.

    Raises
    ------
    DataError
        Fewer than two clients or raters, nothing varies, or no client has two readings.

    Notes
    -----
    Intervals and their coverage: at the head of this module.

    References
    ----------
    McGraw & Wong 1996, Psychol Methods 1:30, doi:10.1037/1082-989X.1.1.30 (correction p. 390).
    Shrout & Fleiss 1979, Psychol Bull 86:420, doi:10.1037/0033-2909.86.2.420.
    Harville & Fenech 1985, Biometrics 41:137, doi:10.2307/2530650.

    Examples
    --------
    >>> judges = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9],
    ...           [6, 2, 4, 7]]
    >>> intraclass_correlation(judges)[["form", "estimate"]].round(2).values.tolist()[:3]
    [['ICC(1)', 0.17], ['ICC(k)', 0.44], ['ICC(A,1)', 0.29]]

    Checked against: Shrout & Fleiss 1979, Weir 2005, Eliasziw et al. 1994.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    table = _table(ratings)
    complete = bool(np.isfinite(table).all())
    check_choice("agreement_interval", agreement_interval, _AGREEMENT_METHODS)
    if complete:
        rows = _complete_rows(table, level, agreement_interval)
    else:
        rows = unbalanced_rows(table, level)
    n, k = table.shape
    notes = () if n >= 5 else (f"Only {n} clients: the interval is what this can tell, no more.",)
    result = []
    for form, row in rows.items():
        also, model, kind, average = _FORMS[form]
        use, avoid = _USE[form.replace("k)", "1)") if form != "ICC(k)" else "ICC(1)"]
        result.append(
            {
                "form": form,
                "also_called": also,
                "model": model,
                "kind": kind,
                "average_of": f"{k} raters" if average == "average" else "single reading",
                **{name: row[name] for name in ("estimate", "ci_low", "ci_high")},
                "ci_level": level,
                **{name: row[name] for name in ("statistic", "df1", "df2", "p_value")},
                "n": n,
                "n_raters": k,
                "n_readings": int(np.isfinite(table).sum()),
                "method": row["method"],
                "use_when": use if average == "single" else f"{use}; decisions use the mean",
                "do_not_use_when": avoid,
                "notes": " ".join((*notes, *row["notes"])),
            }
        )
    return pd.DataFrame(result)


def two_way_intraclass(
    table: np.ndarray, *, agreement_interval: str = "satterthwaite", confidence: float = 0.95
) -> dict[str, dict[str, np.ndarray]]:
    """Compute all forms for a batch of complete tables at once.

    Use it inside simulations; `intraclass_correlation` is for people.

    Parameters
    ----------
    table : ndarray, (..., clients, raters)
        Complete, with variation.

    Returns
    -------
    dict
        Form to estimate, ci_low, ci_high, statistic, df1, df2, each an array over the batch.
    """
    *_, n, k = table.shape
    squares = crossed_mean_squares(table[..., None], ("client", "rater"))
    msr, msc, mse = np.moveaxis(squares.mean_squares, -1, 0)
    msw = (msc + (n - 1) * mse) / n
    tail = (1 + confidence) / 2
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        forms = {
            "ICC(1)": _from_ratio(msr / msw, n - 1, n * (k - 1), k, tail),
            "ICC(A,1)": _agreement(msr, msc, mse, n, k, tail),
            "ICC(C,1)": _from_ratio(msr / mse, n - 1, (n - 1) * (k - 1), k, tail),
        }
        if agreement_interval == "modified large sample":
            shared, error = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 1.0])
            low, high = ratio_interval_large_sample(squares, shared, error, confidence=confidence)
            single = forms["ICC(A,1)"]
            single["ci_low"] = np.minimum(low, single["estimate"])
            single["ci_high"] = np.maximum(high, single["estimate"])
    return {
        "ICC(1)": forms["ICC(1)"],
        "ICC(k)": _stepped_up(forms["ICC(1)"], k),
        "ICC(A,1)": forms["ICC(A,1)"],
        "ICC(A,k)": _stepped_up(forms["ICC(A,1)"], k),
        "ICC(C,1)": forms["ICC(C,1)"],
        "ICC(C,k)": _stepped_up(forms["ICC(C,1)"], k),
    }


def _from_ratio(f: Any, df1: int, df2: int, k: int, tail: float) -> dict[str, Any]:
    """Turn an F ratio into the correlation it stands for, and so its exact limits."""

    def correlation(ratio: Any) -> Any:
        return np.where(np.isinf(ratio), 1.0, (ratio - 1) / (ratio + k - 1))

    low = f / f_distribution.ppf(tail, df1, df2)
    high = f * f_distribution.ppf(tail, df2, df1)
    return {
        "estimate": correlation(f),
        "ci_low": correlation(low),
        "ci_high": correlation(high),
        "statistic": f,
        "df1": np.full(np.shape(f), float(df1)),
        "df2": np.full(np.shape(f), float(df2)),
    }


def _agreement(msr: Any, msc: Any, mse: Any, n: int, k: int, tail: float) -> dict[str, Any]:
    """Agreement, single reading; the df of the mixture a MSC + b MSE by Satterthwaite."""
    estimate = (msr - mse) / (msr + (k - 1) * mse + k / n * (msc - mse))
    odds = k * estimate / (n * (1 - estimate))
    rater, error = odds * msc, (1 + odds * (n - 1)) * mse
    df = (rater + error) ** 2 / (rater**2 / (k - 1) + error**2 / ((n - 1) * (k - 1)))
    # No spread at all between raters and no error: every df gives the same limits.
    df = np.where(np.isfinite(df) & (df > 0), df, (n - 1) * (k - 1))
    above, below = f_distribution.ppf(tail, n - 1, df), f_distribution.ppf(tail, df, n - 1)
    mixture = k * msc + (k * n - k - n) * mse
    return {
        "estimate": estimate,
        "ci_low": n * (msr - above * mse) / (above * mixture + n * msr),
        "ci_high": n * (below * msr - mse) / (mixture + n * below * msr),
        "statistic": msr / mse,
        "df1": np.full(np.shape(msr), float(n - 1)),
        "df2": np.full(np.shape(msr), float((n - 1) * (k - 1))),
    }


def _stepped_up(single: dict[str, Any], k: int) -> dict[str, Any]:
    """Take a single-reading form to the mean of k (Spearman-Brown); monotone, so limits go too."""

    def up(r: Any) -> Any:
        with np.errstate(divide="ignore"):
            return k * r / (1 + (k - 1) * r)

    return single | {name: up(single[name]) for name in ("estimate", "ci_low", "ci_high")}


def _complete_rows(table: np.ndarray, level: float, how: str) -> dict[str, dict[str, Any]]:
    """Dress the batch result of one complete table as plain rows."""
    within = one_way(table.ravel(), np.repeat(np.arange(len(table)), table.shape[1])).ss_within
    notes: list[str] = []
    if within == 0:
        notes.append("All raters read the same in every client: check that readings were blind.")
    rows = {}
    found = two_way_intraclass(table, agreement_interval=how, confidence=level)
    for form, columns in found.items():
        row: dict[str, Any] = {name: float(value) for name, value in columns.items()}
        row["p_value"] = float(f_distribution.sf(row["statistic"], row["df1"], row["df2"]))
        agreement = form.startswith("ICC(A")
        row["method"] = "analysis of variance; " + (
            _AGREEMENT_METHODS[how] if agreement else "exact F interval"
        )
        row["notes"] = list(notes)
        if agreement and how == "satterthwaite" and table.shape[1] < 5:
            row["notes"].append(
                "Few raters: if they truly differ this interval is too short; see "
                "agreement_interval."
            )
        if row["estimate"] < 0:
            row["notes"].append(
                "Below zero: clients differ less than readings of one client; no reliability shown."
            )
        rows[form] = row
    return rows


def _table(ratings: Any) -> np.ndarray:
    """Return clients x raters without empty rows and columns, or say what is missing."""
    if isinstance(ratings, pd.DataFrame) and {"client", "rater", "value"} <= set(ratings.columns):
        again = ratings.duplicated(["client", "rater"])
        if again.any():
            raise rows_must(
                "ratings",
                "hold one reading per client and rater",
                again,
                "Average the trials, or use measurement_error, which keeps them apart",
            )
        ratings = ratings.pivot(index="client", columns="rater", values="value")
    try:
        table = np.asarray(ratings, dtype=float)
    except (TypeError, ValueError):
        raise DataError(
            "ratings must be numbers, clients by raters. Give a table with one row per client, "
            "or the columns client, rater, value."
        ) from None
    if table.ndim != 2:
        raise DataError("ratings must be a table, clients by raters. Give one row per client.")
    if np.isinf(table).any():
        raise rows_must("ratings", "be finite", np.isinf(table).any(axis=1), "Correct them")
    present = np.isfinite(table)
    table = table[present.any(axis=1)][:, present.any(axis=0)]
    if table.shape[0] < 2:
        raise DataError("ratings must come from two or more clients. Add clients.")
    if table.shape[1] < 2:
        raise DataError(
            "ratings must come from two or more raters (or trials). Let a second rater measure, "
            "or repeat the reading."
        )
    if np.isfinite(table).sum(axis=1).max() < 2:
        raise DataError("ratings must hold two or more readings of some client. Repeat readings.")
    if np.nanmax(table) == np.nanmin(table):
        raise DataError(
            "ratings must vary; all readings are equal. A finer instrument, or other clients, "
            "are needed to see reliability."
        )
    return table
