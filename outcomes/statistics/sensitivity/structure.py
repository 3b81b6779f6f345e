"""Whether the course rests on single clients, on its random terms, or on the software."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_columns

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model import MixedModelFit

__all__ = ["choose_random_terms", "client_influence", "compare_engines"]


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
