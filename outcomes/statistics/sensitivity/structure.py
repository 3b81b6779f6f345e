"""Whether the course rests on single clients, on its random terms, or on the software."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import (
    ArgumentError,
    check_between,
    check_columns,
    check_count,
    rows_must,
)

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model import MixedModelFit

__all__ = [
    "check_linearity",
    "choose_random_terms",
    "client_influence",
    "compare_engines",
    "residual_trend",
]


def client_influence(fit: MixedModelFit, *, term: str | None = None) -> pd.DataFrame:
    """Say how much the mean course rests on single clients.

    Parameters
    ----------
    fit : MixedModelFit
        A fit with random terms.
    term : str, optional
        Fixed term; default the last one.

    Returns
    -------
    DataFrame
        Key columns of the client, term, estimate (with all), estimate_without, change_without,
        change_in_errors (change over the standard error), cooks_distance, flagged (Cook's distance
        above 4 / clients: a place to look, not a reason to leave anyone out). Most influential
        first.

    Examples
    --------
    >>> from outcomes.statistics.mixed_model import fit_mixed_model
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> fit = fit_mixed_model(data, "value ~ week", random="1 + week")
    >>> table = client_influence(fit)
    >>> len(table), bool(table["cooks_distance"].is_monotonic_decreasing)
    (30, True)
    """
    table = fit.influence()
    fixed = fit.fixed.set_index("term")
    chosen = str(fixed.index[-1]) if term is None else term
    if chosen not in fixed.index:
        raise ArgumentError(f"term must be a fixed term of the model, got {term!r}.")
    own = table[table["term"] == chosen].copy()
    own["estimate"] = float(fixed.loc[chosen, "estimate"])
    own["change_in_errors"] = own["change_without"] / float(fixed.loc[chosen, "standard_error"])
    own["flagged"] = own["cooks_distance"] > 4 / len(own)
    return own.sort_values("cooks_distance", ascending=False).reset_index(drop=True)


def choose_random_terms(
    data: pd.DataFrame, formula: str, *, time: str = "week", groups: str = "client"
) -> pd.DataFrame:
    """Compare a level per client, a level and slope, and none of it correlated, by likelihood.

    Parameters
    ----------
    data : DataFrame
        One row per reading.
    formula : str
        Fixed part, as ``"value ~ week"``.
    time, groups : str
        Column of time, and of clients.

    Returns
    -------
    DataFrame
        random (terms), n_parameters, log_likelihood (restricted), aic, statistic and p_value of
        the likelihood ratio against the row above (mixture of chi-squares at the boundary), notes
        (boundary of the fit).

    Raises
    ------
    ModelError
        If not even a level per client can be fitted.

    Examples
    --------
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> table = choose_random_terms(data, "value ~ week")
    >>> table["random"].iloc[int(table["aic"].argmin())]
    '1 + week, uncorrelated'
    """
    from outcomes.statistics.mixed_model import fit_mixed_model

    check_columns(data, [time, groups])
    plans = [("1", True), (f"1 + {time}", False), (f"1 + {time}", True)]
    rows, before = [], None
    for random, correlated in plans:
        fit = fit_mixed_model(data, formula, groups=groups, random=random, correlated=correlated)
        words = random if random == "1" else f"{random}, {'' if correlated else 'un'}correlated"
        row = {
            "random": words,
            "n_parameters": fit.n_parameters,
            "log_likelihood": fit.log_likelihood,
            "aic": fit.aic,
            "statistic": np.nan,
            "p_value": np.nan,
            "notes": " ".join(fit.boundary),
        }
        if before is not None:
            test = fit.compare(before)
            row |= {"statistic": test.statistic, "p_value": test.p_value}
        rows.append(row)
        before = fit
    return pd.DataFrame(rows)


def check_linearity(
    data: pd.DataFrame, formula: str, *, time: str = "week", groups: str = "client"
) -> pd.DataFrame:
    """Compare a straight course with flattening and bent ones.

    Parameters
    ----------
    data : DataFrame
        One row per reading; time is 0 or more.
    formula : str
        Fixed part with the time in it, as ``"value ~ week"``.
    time, groups : str
        Column of time, and of clients.

    Returns
    -------
    DataFrame
        shape (straight, flattening: log(1 + time), bent: with a square), n_parameters,
        log_likelihood, aic (both by maximum likelihood), difference (of aic from the straight
        course; below -2 is worth a look), p_value (likelihood ratio of the square).

    Notes
    -----
    All with a random level and slope in weeks, so that the shapes differ in the mean course only.

    Examples
    --------
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> table = check_linearity(data, "value ~ week")
    >>> table["shape"].tolist(), bool(table["difference"].min() > -4)
    (['straight', 'flattening', 'bent'], True)
    """
    from outcomes.statistics.mixed_model import fit_mixed_model

    check_columns(data, [time, groups])
    if (data[time] < 0).any():
        raise rows_must(time, "be zero or more", data[time] < 0, "Count time from the start")
    rows = data.assign(flattening=np.log1p(data[time]), square=data[time] ** 2)
    shapes = {
        "straight": formula,
        "flattening": re.sub(rf"\b{re.escape(time)}\b", "flattening", formula),
        "bent": f"{formula} + square",
    }
    fits = {
        shape: fit_mixed_model(rows, words, groups=groups, random=f"1 + {time}", method="ML")
        for shape, words in shapes.items()
    }
    straight = fits["straight"]
    table = pd.DataFrame(
        {
            "shape": list(fits),
            "n_parameters": [fit.n_parameters for fit in fits.values()],
            "log_likelihood": [fit.log_likelihood for fit in fits.values()],
            "aic": [fit.aic for fit in fits.values()],
        }
    )
    table["difference"] = table["aic"] - straight.aic
    table["p_value"] = [np.nan, np.nan, fits["bent"].compare(straight).p_value]
    return table


def residual_trend(
    fit: MixedModelFit, *, along: pd.Series | np.ndarray, bins: int = 8, level: float = 0.95
) -> pd.DataFrame:
    """Average the clients' residuals over classes of time, of the fitted value, or of anything.

    Parameters
    ----------
    fit : MixedModelFit
        A fit with rows.
    along : array of float
        One value per row of the fit, in the order of the rows used: the week, or the fitted value.
    bins : int
        Classes of about equal numbers of readings.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        along (mean of the class), n_readings, mean (of the residuals), ci_low, ci_high, ci_level,
        sd (of the residuals: a funnel shape shows here), beyond_limits (interval excludes zero).

    Notes
    -----
    Intervals take readings as independent; they serve to see a pattern, not to test one.

    Examples
    --------
    >>> from outcomes.statistics.mixed_model import fit_mixed_model
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> fit = fit_mixed_model(data, "value ~ week", random="1 + week")
    >>> int(residual_trend(fit, along=data["week"], bins=4)["n_readings"].sum())
    120
    """
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    bins = check_count("bins", bins, least=2)
    residual = fit.residuals()["residual_client"].to_numpy(float)
    place = np.asarray(along, dtype=float)
    if place.size != residual.size:
        raise ArgumentError(
            f"along must have one entry per row of the fit, got {place.size} for {residual.size}. "
            "Take the rows that the fit used."
        )
    edges = np.unique(np.quantile(place, np.linspace(0, 1, bins + 1)))
    which = np.clip(np.searchsorted(edges, place, side="right") - 1, 0, max(edges.size - 2, 0))
    rows = pd.DataFrame({"which": which, "along": place, "residual": residual})
    group = rows.groupby("which")
    table = group["residual"].agg(["size", "mean", "std"]).reset_index(drop=True)
    table.columns = ["n_readings", "mean", "sd"]
    n = table["n_readings"].to_numpy(float)
    spread = table["sd"].fillna(0.0).to_numpy(float)
    reach = stats.t.ppf(0.5 + level / 2, np.maximum(n - 1, 1)) * spread / np.sqrt(n)
    table.insert(0, "along", group["along"].mean().to_numpy())
    table["ci_low"], table["ci_high"] = table["mean"] - reach, table["mean"] + reach
    table["ci_level"] = level
    table["beyond_limits"] = (table["ci_low"] > 0) | (table["ci_high"] < 0)
    return table


def compare_engines(
    data: pd.DataFrame, formula: str, *, time: str = "week", groups: str = "client"
) -> pd.DataFrame:
    """Fit the course again with statsmodels: its mixed model where it converges, and GEE always.

    Parameters
    ----------
    data, formula, time, groups
        As for `choose_random_terms`; random level and slope.

    Returns
    -------
    DataFrame
        engine, term, estimate, standard_error, difference (of the estimate from ours),
        difference_in_errors (over our standard error), converged.

    Notes
    -----
    GEE (exchangeable working correlation, robust errors) estimates the same mean course by another
    principle; with missed visits that depend on how a client is doing the two may differ.

    Examples
    --------
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> table = compare_engines(data, "value ~ week")
    >>> bool(table["difference_in_errors"].abs().max() < 0.05)
    True
    """
    import warnings

    import statsmodels.formula.api as smf
    from statsmodels.genmod.cov_struct import Exchangeable

    from outcomes.statistics.mixed_model import fit_mixed_model

    check_columns(data, [time, groups])
    ours = fit_mixed_model(data, formula, groups=groups, random=f"1 + {time}").fixed
    own = ours.set_index("term")[["estimate", "standard_error"]]
    found = [own.assign(engine="this project", converged=True)]
    with warnings.catch_warnings():
        # convergence is read from the fit itself; the warnings repeat it
        warnings.simplefilter("ignore")
        try:
            other = smf.mixedlm(formula, data, groups=data[groups], re_formula=f"~{time}").fit()
            table = pd.DataFrame({"estimate": other.fe_params, "standard_error": other.bse_fe})
            found.append(table.assign(engine="statsmodels mixed model", converged=other.converged))
        except (np.linalg.LinAlgError, ValueError):
            empty = own.assign(estimate=np.nan, standard_error=np.nan)
            found.append(empty.assign(engine="statsmodels mixed model", converged=False))
        gee = smf.gee(formula, groups, data, cov_struct=Exchangeable()).fit()
        table = pd.DataFrame({"estimate": gee.params, "standard_error": gee.bse})
        found.append(table.assign(engine="statsmodels GEE", converged=bool(gee.converged)))
    table = pd.concat(found).rename_axis("term").reset_index()
    table["difference"] = table["estimate"] - table["term"].map(own["estimate"])
    table["difference_in_errors"] = table["difference"] / table["term"].map(own["standard_error"])
    names = ["engine", "term", "estimate", "standard_error", "difference", "difference_in_errors"]
    return table[[*names, "converged"]]
