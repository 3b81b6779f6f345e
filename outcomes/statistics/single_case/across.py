"""What happened across the clients of a case series, how much they differ, and the next client.

Notation: gain_i = client i's own change of level (treatment minus baseline, positive is better)
with mean G and standard deviation tau between clients; m clients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, ModelError, check_between
from outcomes.results import Estimate
from outcomes.statistics.mixed_model import fit_mixed_model
from outcomes.statistics.single_case.between_moment import one_series_per_client
from outcomes.statistics.single_case.phases import Series, read_series

__all__ = ["AcrossClients", "mean_of_client_effects", "multilevel_effect"]


@dataclass(frozen=True, eq=False, kw_only=True)
class AcrossClients(Estimate):
    """Mean gain across clients, what is between them, and what to expect of the next.

    Attributes
    ----------
    standard_error, df, p_value : float
        Of the mean gain.
    sd_between : float
        Standard deviation of the gain between clients (tau).
    heterogeneity_p : float
        Test of tau = 0; not a number where it was not tested.
    new_client_low, new_client_high : float
        Prediction interval of the gain of the next such client, at `ci_level`.
    share_worse : float
        Expected share of clients whose level gets worse, from G and tau.
    n_readings : int
        Readings used.
    clients : DataFrame
        client, estimate (own gain, drawn towards the mean where the model does so).
    """

    standard_error: float
    df: float
    p_value: float
    sd_between: float
    heterogeneity_p: float
    new_client_low: float
    new_client_high: float
    share_worse: float
    n_readings: int
    clients: pd.DataFrame
    question: str = "By how much did the level change on average, and how much do clients differ?"
    use_when: str = ""
    do_not_use_when: str = ""
    source: str = ""


def multilevel_effect(
    values: pd.DataFrame,
    *,
    better: str = "higher",
    varying_effect: bool = True,
    serial: bool = False,
    time: str | None = None,
    ci_level: float = 0.95,
) -> AcrossClients:
    """Mean gain across clients from a multilevel model with small-sample degrees of freedom.

    Use with 3 to 20 clients on one measure, each with a baseline. Do not read it as an effect of
    treatment where starts were not randomised.

    Parameters
    ----------
    values : DataFrame
        Readings as for `read_series`: one series per client.
    better : {"higher", "lower"}
        Direction of improvement.
    varying_effect : bool
        Let the gain differ between clients; without it the interval is too narrow.
    serial : bool
        Let a client's errors be correlated in continuous time; varying gains take up most of it.
    time, ci_level : str, float
        Time column (week, day, visit) and level of intervals, in (0, 1).

    Returns
    -------
    AcrossClients

    Raises
    ------
    DataError, ModelError
        Fewer than 3 clients, several series of a client, no baseline; no fit.

    Notes
    -----
    Restricted likelihood; value = level_i + gain_i B + error, level_i and gain_i jointly normal.
    Interval with small-sample df (Kenward-Roger; at a boundary Satterthwaite). Prediction: G +- t
    sqrt(se^2 + tau^2), t with m - 2 df (Higgins et al. 2009). heterogeneity_p: likelihood ratio,
    half chi-square 1 and half 2 df.
    In 5,000 simulated series of 8 clients x 16 readings with differing gains the 95% interval
    covered 97, 96 and 96% at serial correlation 0, .2 and .4.

    References
    ----------
    Ferron et al. 2009, Behav Res Methods 41:372; Kenward & Roger 1997, Biometrics 53:983;
    Higgins, Thompson & Spiegelhalter 2009, J R Stat Soc A 172:137.

    Examples
    --------
    >>> values = pd.DataFrame({"client": np.repeat(list("ABC"), 4), "week": list(range(4)) * 3,
    ...                        "phase": (["baseline"] * 2 + ["treatment"] * 2) * 3,
    ...                        "value": [1, 3, 6, 8, 4, 4, 9, 8, 2, 3, 4, 5]})
    >>> round(multilevel_effect(values).estimate, 3)
    3.833

    Checked against: lme4 with lmerTest and pbkrtest (R). Test: test_single_case_across.py.
    """
    level = check_between("ci_level", ci_level, 0, 1)
    series = one_series_per_client(read_series(values, better=better, time=time))
    frame = _frame(series)
    residual = "autoregressive" if serial else "independent"
    errors = {"residual": residual, "time": "when" if serial else None}
    random = "1 + treated" if varying_effect else "1"
    fit = fit_mixed_model(frame, "value ~ treated", random=random, ci_level=level, **errors)
    row = fit.fixed.set_index("term").loc["treated"]
    tau = heterogeneity_p = 0.0
    notes = [note.replace(" (df_reliable says where)", "") for note in fit.notes]
    if varying_effect:
        covariance = fit.random_covariances["client"]
        tau = float(np.sqrt(max(float(covariance.loc["treated", "treated"]), 0.0)))
        plain = fit_mixed_model(frame, "value ~ treated", random="1", **errors)
        ratio = max(2 * (fit.log_likelihood - plain.log_likelihood), 0.0)
        heterogeneity_p = float((stats.chi2.sf(ratio, 1) + stats.chi2.sf(ratio, 2)) / 2)
    else:
        notes.append("Clients are taken to gain alike; the interval does not allow for more.")
    effects = fit.client_effects()
    own = _own_gains(effects, float(row["estimate"]), [str(one.key["client"]) for one in series])
    return _across(
        float(row["estimate"]),
        float(row["standard_error"]),
        float(row["df"]),
        tau,
        heterogeneity_p if varying_effect else float("nan"),
        own,
        len(frame),
        level,
        method="multilevel model, restricted likelihood, small-sample df"
        + (", errors with continuous-time serial correlation" if serial else ""),
        notes=tuple(notes),
        use_when="3 to 20 clients with uneven numbers of readings.",
        do_not_use_when="Starts were not randomised and the change is to be called an effect.",
        source="Ferron et al. 2009, Behav Res Methods 41:372",
    )


def mean_of_client_effects(
    values: pd.DataFrame,
    *,
    better: str = "higher",
    time: str | None = None,
    ci_level: float = 0.95,
) -> AcrossClients:
    """Mean of the clients' own gains, each client counting once.

    Use beside the multilevel model: it needs no model of the readings within a client, so serial
    correlation does not disturb its size. Do not use where numbers of readings differ wildly.

    Parameters
    ----------
    values : DataFrame
        Readings as for `read_series`: one series per client.
    better : {"higher", "lower"}
        Direction of improvement.
    time, ci_level : str, float
        Time column (week, day, visit) and level of intervals, in (0, 1).

    Returns
    -------
    AcrossClients
        sd_between is the plain standard deviation of the gains and holds error too.

    Raises
    ------
    DataError
        Fewer than 3 clients, several series of a client, no baseline, equal gains.

    Notes
    -----
    gain_i = treatment mean - baseline mean; t interval with m - 1 df; prediction G +- t s
    sqrt(1 + 1 / m). In 5,000 simulated series of 8 clients x 16 readings the 95% interval covered
    95, 95 and 95% at serial correlation 0, .2 and .4.

    References
    ----------
    Matthews et al. 1990, BMJ 300:230 (summary measures).

    Examples
    --------
    >>> values = pd.DataFrame({"client": np.repeat(list("ABC"), 4), "week": list(range(4)) * 3,
    ...                        "phase": (["baseline"] * 2 + ["treatment"] * 2) * 3,
    ...                        "value": [1, 3, 6, 8, 4, 4, 9, 8, 2, 3, 4, 5]})
    >>> round(mean_of_client_effects(values).estimate, 3)
    3.833

    Checked against: scipy.stats.ttest_1samp. Test: test_single_case_across.py.
    """
    level = check_between("ci_level", ci_level, 0, 1)
    series = one_series_per_client(read_series(values, better=better, time=time))
    gains = np.array(
        [one.improved[one.treated].mean() - one.improved[~one.treated].mean() for one in series]
    )
    m = gains.size
    spread = float(gains.std(ddof=1))
    if not spread > 0:
        raise DataError("gains must differ between clients for an interval. List the clients.")
    own = pd.DataFrame({"client": [str(one.key["client"]) for one in series], "estimate": gains})
    return _across(
        float(gains.mean()),
        spread / np.sqrt(m),
        m - 1.0,
        spread,
        float("nan"),
        own,
        int(sum(one.value.size for one in series)),
        level,
        method="mean of the clients' own gains; t interval",
        notes=("The spread between clients holds measurement error too.",),
        use_when="Every client should count once, whatever the number of readings.",
        do_not_use_when="Some clients have many more readings than others.",
        source="Matthews et al. 1990, BMJ 300:230",
        prediction_df=m - 1.0,
    )


def _frame(series: list[Series]) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "client": str(one.key["client"]),
                    "value": one.improved.astype(float),
                    "treated": one.treated.astype(float),
                    "when": one.time,
                }
            )
            for one in series
        ],
        ignore_index=True,
    )


def _own_gains(effects: pd.DataFrame, mean: float, clients: list[str]) -> pd.DataFrame:
    terms = effects[effects["term"] == "treated"]
    if terms.empty:
        return pd.DataFrame({"client": clients, "estimate": mean})
    by = dict(zip(terms["client"].astype(str), terms["estimate"].astype(float), strict=True))
    return pd.DataFrame({"client": clients, "estimate": [mean + by[c] for c in clients]})


def _across(
    estimate: float,
    error: float,
    df: float,
    tau: float,
    heterogeneity_p: float,
    own: pd.DataFrame,
    readings: int,
    level: float,
    *,
    method: str,
    notes: tuple[str, ...],
    use_when: str,
    do_not_use_when: str,
    source: str,
    prediction_df: float | None = None,
) -> AcrossClients:
    m = len(own)
    if not (np.isfinite(error) and error > 0):
        raise ModelError("the mean gain must have a standard error. List the clients instead.")
    reach = float(stats.t.isf((1 - level) / 2, df)) * error
    far_df = prediction_df if prediction_df is not None else m - 2.0
    far = float(stats.t.isf((1 - level) / 2, far_df)) * float(np.hypot(error, tau))
    worse = float(stats.norm.cdf(-estimate / tau)) if tau > 0 else float(estimate < 0)
    return AcrossClients(
        estimate=estimate,
        ci_low=estimate - reach,
        ci_high=estimate + reach,
        ci_level=level,
        n=m,
        measure="mean gain across clients",
        method=method,
        notes=notes,
        standard_error=error,
        df=df,
        p_value=float(2 * stats.t.sf(abs(estimate) / error, df)),
        sd_between=tau,
        heterogeneity_p=heterogeneity_p,
        new_client_low=estimate - far,
        new_client_high=estimate + far,
        share_worse=worse,
        n_readings=readings,
        clients=own,
        use_when=use_when,
        do_not_use_when=do_not_use_when,
        source=source,
    )
