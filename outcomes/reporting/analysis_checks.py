"""What the rebuilt analysis says of its mixed model: whether it fits."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure
from outcomes.reporting.figures import (
    influence_figure,
    quantile_figure,
    residual_figure,
    variogram_figure,
)
from outcomes.reporting.picture import Html, Picture
from outcomes.reporting.tables import table
from outcomes.reporting.wording import (
    interval,
    join_words,
    number,
    signed,
)
from outcomes.statistics.mixed_model import MixedModelFit
from outcomes.statistics.sensitivity import (
    caseload_simulation,
    check_linearity,
    choose_random_terms,
    client_influence,
    quantile_envelopes,
    residual_trend,
    residual_variogram,
)

__all__ = [
    "ModelChecks",
    "caseload_like",
    "check_model",
    "in_words",
    "influence",
    "quantiles",
    "residuals",
    "shape_and_terms",
    "variogram",
]


@dataclass(frozen=True, eq=False, kw_only=True)
class ModelChecks:
    """Every check of one fit, as plain frames.

    Attributes
    ----------
    residuals : DataFrame
        From `MixedModelFit.residuals`.
    weeks : array
        Week of each residual.
    by_fitted, by_week : DataFrame
        From `residual_trend`.
    envelopes, variogram, influence, simulation : DataFrame
        From the functions of `outcomes.statistics.sensitivity`.
    random_terms, shapes : DataFrame
        From `choose_random_terms` and `check_linearity`.
    """

    residuals: pd.DataFrame
    weeks: np.ndarray
    by_fitted: pd.DataFrame
    by_week: pd.DataFrame
    envelopes: pd.DataFrame
    variogram: pd.DataFrame
    influence: pd.DataFrame
    simulation: pd.DataFrame
    random_terms: pd.DataFrame
    shapes: pd.DataFrame


def check_model(
    fit: MixedModelFit,
    rows: pd.DataFrame,
    *,
    rng: np.random.Generator,
    formula: str = "value ~ time",
    simulations: int = 200,
) -> ModelChecks:
    """Run every check of a fit with random level and slope.

    Parameters
    ----------
    fit : MixedModelFit
        Of `rows`.
    rows : DataFrame
        One row per reading, all used by the fit: care (the group), week, time, value.
    rng : numpy Generator
        For the simulated data.
    formula : str
        Fixed part of the fit, with `time` in it.
    simulations : int
        Simulated data sets behind each envelope, at least 20.

    Returns
    -------
    ModelChecks
    """
    found = fit.residuals()
    weeks = rows["week"].to_numpy(float)
    in_weeks = formula.replace("time", "week")
    return ModelChecks(
        residuals=found,
        weeks=weeks,
        by_fitted=residual_trend(fit, along=found["fitted_client"]),
        by_week=residual_trend(fit, along=weeks),
        envelopes=quantile_envelopes(fit, rng=rng, simulations=simulations),
        variogram=residual_variogram(fit, week=weeks, rng=rng, simulations=simulations),
        influence=client_influence(fit, term="time"),
        simulation=caseload_simulation(fit, rng=rng, simulations=simulations),
        random_terms=choose_random_terms(rows, formula, time="time", groups="care"),
        shapes=check_linearity(rows, in_weeks, time="week", groups="care"),
    )


def in_words(checks: ModelChecks) -> Html:
    """Say what the checks found, what it means, and what to do about it."""
    lines = [
        _trend_words(checks),
        _quantile_words(checks.envelopes),
        _variogram_words(checks.variogram),
        _influence_words(checks.influence),
        _structure_words(checks),
        _simulation_words(checks.simulation),
    ]
    return Html("<ul>" + "".join(f"<li>{escape(x)}</li>" for x in lines) + "</ul>")


def _trend_words(checks: ModelChecks) -> str:
    bent = [
        name
        for name, t in (("fitted value", checks.by_fitted), ("week", checks.by_week))
        if t["beyond_limits"].sum() > 1
    ]
    spread = checks.by_fitted["sd"].dropna()
    ratio = float(spread.max() / spread.min()) if len(spread) and spread.min() > 0 else np.inf
    text = (
        f"Residuals bend with the {join_words(bent)}: the mean course has another shape there. Try "
        "another time scale in the formula."
        if bent
        else "Residuals show no bend with the fitted value or with time."
    )
    if ratio > 2:
        text += (
            f" Their spread differs {number(ratio)}-fold over the fitted values: intervals are too "
            "narrow where it is wide. Scores near the end of a scale do this."
        )
    return text


def _quantile_words(envelopes: pd.DataFrame) -> str:
    share = envelopes.groupby("quantity", sort=False)["beyond_limits"].mean()
    odd = [_NAMES.get(str(q), str(q)) for q, s in share.items() if s > 0.15]
    if not odd:
        return "Residuals and clients' own deviations look as normal as simulated ones do."
    return (
        f"Not normal: {join_words(odd)}. The mean course stands with this many clients; forecasts "
        "for one client and chances in the tails are less sure than they read."
    )


def _variogram_words(variogram: pd.DataFrame) -> str:
    low = variogram["observed"] < variogram["lower_limit"]
    if low.iloc[:2].any():
        return (
            "Readings close in time are more alike than the model says: try "
            "residual='autoregressive', time='week' in the fit."
        )
    if variogram["beyond_limits"].sum() > 1:
        return "The variogram leaves its band, but not as serial correlation would."
    return "No sign that readings close in time are more alike than the model says."


def _influence_words(influence: pd.DataFrame) -> str:
    most = float(influence["change_in_errors"].abs().max())
    if most > 0.5:
        return (
            f"Leaving out one episode moves the slope by up to {number(most)} standard errors: "
            "look at its rows before anything else."
        )
    return (
        "No single episode carries the result: leaving any out moves the slope by at most "
        f"{number(most)} standard errors."
    )


def _structure_words(checks: ModelChecks) -> str:
    best = checks.random_terms.sort_values("aic")["random"].iloc[0]
    shape = checks.shapes.sort_values("aic")["shape"].iloc[0]
    gain = -float(checks.shapes["difference"].min())
    text = f"Of the random terms tried, {best} fits best"
    if gain > 2:
        return (
            f"{text}; of the shapes in weeks, the {shape} one (AIC lower by {number(gain)} than "
            "the straight one)."
        )
    return f"{text}; a straight course in weeks fits as well as a flattening or bent one."


def _simulation_words(simulation: pd.DataFrame) -> str:
    odd = simulation.loc[simulation["beyond_limits"], "quantity"].tolist()
    if not odd:
        return "Caseloads drawn from the model look like this one in every quantity compared."
    return f"Caseloads drawn from the model differ from this one in: {join_words(odd)}."


_NAMES = {
    "residual": "residuals",
    "Intercept": "clients' levels",
    "1": "clients' levels",
    "time": "clients' slopes",
}


def residuals(checks: ModelChecks, measure: Measure) -> Picture:
    """Draw the residuals by fitted value and by week."""
    unit = _axis_unit(measure)
    by_fitted, by_week = f"fitted value ({unit})", "weeks since the first visit"
    return residual_figure(
        checks.residuals,
        along={
            by_fitted: checks.residuals["fitted_client"].to_numpy(float),
            by_week: checks.weeks,
        },
        trends={by_fitted: checks.by_fitted, by_week: checks.by_week},
        unit=unit,
    )


def quantiles(checks: ModelChecks) -> Picture:
    """Draw the normal quantile plots of both levels."""
    return quantile_figure(checks.envelopes, {k: v.capitalize() for k, v in _NAMES.items()})


def variogram(checks: ModelChecks, measure: Measure) -> Picture:
    """Draw the variogram of the residuals."""
    return variogram_figure(checks.variogram, unit=_axis_unit(measure))


def influence(checks: ModelChecks) -> Picture:
    """Draw which episodes the slope rests on."""
    return influence_figure(checks.influence, client="care")


def shape_and_terms(checks: ModelChecks) -> Html:
    """Compare the random terms and the shapes of the course."""
    terms = table(
        checks.random_terms,
        {"random": "Random terms", "n_parameters": "Parameters", "aic": ("AIC", number),
         "statistic": ("Likelihood ratio to the row above", number), "p_value": ("p", _p)},
        caption="Random terms, by restricted likelihood",
    )  # fmt: skip
    shapes = table(
        checks.shapes,
        {"shape": "Mean course in weeks", "n_parameters": "Parameters", "aic": ("AIC", number),
         "difference": ("From the straight one", signed), "p_value": ("p of the bend", _p)},
        caption="Shapes of the mean course, by likelihood",
    )  # fmt: skip
    return terms + shapes


def caseload_like(checks: ModelChecks) -> Html:
    """Hold the caseload against caseloads drawn from the model."""
    rows = checks.simulation
    rows = rows.assign(
        range=[interval(a, b) for a, b in zip(rows["lower_limit"], rows["upper_limit"],
                                              strict=True)],
        found=rows["beyond_limits"].map({True: "outside", False: "inside"}),
    )  # fmt: skip
    return table(
        rows,
        {"quantity": "Quantity", "observed": ("Here", number),
         "range": ("95% of simulated caseloads", str), "p_value": ("p", _p), "found": "Finding"},
        caption="This caseload beside caseloads drawn from the fitted model",
    )  # fmt: skip


def _axis_unit(measure: Measure) -> str:
    return "\N{DEGREE SIGN}" if measure.unit == "deg" else measure.unit


def _p(value: float) -> str:
    if not np.isfinite(value):
        return "\N{EN DASH}"
    return "under 0.001" if value < 0.001 else f"{value:.3f}"
