"""Practitioners judged together: against dense formulas, the F test, and planted truth."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from outcomes.errors import DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.mixed_model import fit_mixed_model
from outcomes.statistics.service import practitioner_differences
from outcomes.statistics.service.shrinkage import shrink

SITES = {"T1": "hall", "T2": "hall", "T3": "field", "T4": "field"}


def clinic(rng, *, n=160, effects=None, site_effect=0.0, sd=9.0):
    rows = pd.DataFrame({"client": np.arange(n)})
    rows["practitioner"] = rng.choice(list(SITES), n, p=[0.35, 0.3, 0.25, 0.1])
    rows["clinic"] = rows["practitioner"].map(SITES)
    rows["start_value"] = rng.normal(50, 10, n)
    rows["complaint"] = rng.choice(["neck", "shoulder"], n)
    gain = 10 - 0.4 * (rows["start_value"] - 50) + 3 * (rows["complaint"] == "neck")
    gain += rows["practitioner"].map(effects or dict.fromkeys(SITES, 0.0))
    gain += site_effect * (rows["clinic"] == "hall")
    rows["improvement"] = gain + rng.normal(0, sd, n)
    return rows


def test_conditional_means_and_weights_agree_with_dense_formulas():
    rng = np.random.default_rng(3)
    rows = clinic(rng, n=60)
    design = np.column_stack([np.ones(60), rows["start_value"] - 50])
    y = rows["improvement"].to_numpy()
    codes = pd.factorize(rows["practitioner"])[0]
    fit = shrink(design, y, [codes])
    logs, z = [], np.eye(4)[codes]
    for g in (0, len(fit.weights) // 2, len(fit.weights) - 1):
        ratio = fit.ratios[g, 0]
        v = np.eye(60) + ratio**2 * z @ z.T
        vi = np.linalg.inv(v)
        inner = design.T @ vi @ design
        b = np.linalg.solve(inner, design.T @ vi @ y)
        rest = y - design @ b
        u = ratio**2 * z.T @ vi @ rest
        assert fit.means[g] == pytest.approx(np.concatenate([b, u]), rel=1e-8, abs=1e-9)
        reml = np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1] + 58 * np.log(rest @ vi @ rest)
        logs.append((np.log(fit.weights[g]), -reml / 2))
    # grid points are quantiles of the prior, so their weights are the likelihood alone
    weights, likelihood = np.array(logs).T
    assert weights - weights[0] == pytest.approx(likelihood - likelihood[0], abs=1e-8)
    assert fit.weights.sum() == pytest.approx(1)


def test_at_its_estimate_the_mixed_model_gives_the_same_practitioners():
    rows = clinic(np.random.default_rng(13), effects={"T1": 4.0, "T2": -3.0, "T3": 2.0, "T4": -2.0})
    rows["start_value"] -= rows["start_value"].mean()
    model = fit_mixed_model(rows, "improvement ~ start_value", groups="practitioner", random="1")
    ratio = float(model.random_covariances["practitioner"].iloc[0, 0] / model.residual_variance)
    design = np.column_stack([np.ones(len(rows)), rows["start_value"]])
    y = rows["improvement"].to_numpy()
    codes = pd.factorize(rows["practitioner"], sort=True)[0]
    # the grid point beside the mixed model's own ratio of standard deviations
    fit = shrink(design, y, [codes], prior_scale=np.sqrt(ratio))
    at = np.argmin(np.abs(fit.ratios[:, 0] - np.sqrt(ratio)))
    near = fit.ratios[at, 0] ** 2
    size = rows.groupby("practitioner").size().to_numpy()
    blup = model.client_effects().set_index("practitioner")["estimate"].sort_index().to_numpy()
    # shrinkage of a practitioner's mean residual at either ratio, the fixed part nearly the same
    factor = (size * near / (1 + size * near)) / (size * ratio / (1 + size * ratio))
    assert fit.means[at, 2:] == pytest.approx(blup * factor, abs=0.06)
    assert fit.means[at, :2] == pytest.approx(model.coefficients, abs=0.06)
    # the restricted likelihood behind the weights peaks where the mixed model stops
    logs = np.log(fit.weights)
    best = fit.ratios[np.argmax(logs), 0]
    step = np.diff(fit.ratios[:, 0])[max(np.argmax(logs) - 1, 0)]
    assert abs(best - np.sqrt(ratio)) <= 2 * step


def test_summaries_of_one_grid_point_are_plain_t_intervals():
    rng = np.random.default_rng(4)
    y = rng.normal(size=30)
    fit = shrink(np.ones((30, 1)), y, [np.arange(30) % 3])
    one = type(fit)(
        weights=np.array([1.0]),
        means=fit.means[:1],
        scales=fit.scales[:1],
        ratios=fit.ratios[:1],
        df=fit.df,
        sigma=fit.sigma,
        chance_real=fit.chance_real,
        slices=fit.slices,
    )
    pick = np.eye(4)
    estimate, low, high, above = one.summarise(pick, level=0.9)
    scale = np.sqrt(np.diag(fit.scales[0]))
    law = stats.t(fit.df, loc=fit.means[0], scale=scale)
    assert low == pytest.approx(law.ppf(0.05), abs=1e-6)
    assert high == pytest.approx(law.ppf(0.95), abs=1e-6)
    assert above == pytest.approx(law.sf(0), abs=1e-9)
    assert estimate == pytest.approx(fit.means[0])


def test_p_value_is_the_f_test_of_practitioners_within_sites():
    rng = np.random.default_rng(5)
    rows = clinic(rng)
    found = practitioner_differences(rows, rng=rng, adjust_for=["start_value", "complaint"])
    small = ols("improvement ~ start_value + complaint + clinic", rows).fit()
    large = ols("improvement ~ start_value + complaint + practitioner", rows).fit()
    assert found.p_value == pytest.approx(anova_lm(small, large)["Pr(>F)"].iloc[1], rel=1e-8)


def test_a_large_planted_difference_is_found_and_a_name_given_only_when_asked():
    rng = np.random.default_rng(6)
    rows = clinic(rng, effects={"T1": 7.0, "T2": -7.0, "T3": 0.0, "T4": 0.0})
    found = practitioner_differences(rows, rng=rng)
    assert found.anyone_stands_out and found.chance_real > 0.95
    shown = found.groups[found.groups["level"] == "practitioner"]
    assert shown["group"].str.startswith("practitioner ").all()
    named = practitioner_differences(rows, rng=rng, names_shown=True).groups.set_index("group")
    assert named.loc["T1", "stands_out"] and named.loc["T2", "stands_out"]
    assert named.loc["T1", "deviation"] > 3 > -3 > named.loc["T2", "deviation"]
    plain = ols("improvement ~ start_value + complaint + practitioner", rows).fit()
    apart = named.loc["T1", "deviation"] - named.loc["T2", "deviation"]
    assert 0.7 < apart / -plain.params["practitioner[T.T2]"] < 1
    check_result(found.groups.columns)
    check_result(found.table.columns)


def test_intervals_of_the_true_deviation_cover_on_average_over_the_prior():
    rng = np.random.default_rng(7)
    inside = []
    for _ in range(25):
        ratio = abs(stats.t.rvs(4, random_state=rng)) * 0.2
        effects = dict(zip(SITES, rng.normal(0, 9 * ratio, 4), strict=True))
        rows = clinic(rng, effects=effects).drop(columns="clinic")
        groups = practitioner_differences(rows, rng=rng, names_shown=True).groups.set_index("group")
        for code, effect in effects.items():
            value = effect - np.mean(list(effects.values()))
            inside.append(
                groups.loc[code, "deviation_low"] <= value <= groups.loc[code, "deviation_high"]
            )
    assert np.mean(inside) == pytest.approx(0.95, abs=0.055)


def test_a_colleague_is_compared_with_those_of_the_same_site_precisely():
    rng = np.random.default_rng(14)
    rows = clinic(rng, n=600, effects={"T1": 3.0, "T2": -3.0, "T3": 1.5, "T4": -1.5})
    found = practitioner_differences(rows, rng=rng, names_shown=True)
    own = found.groups[found.groups["level"] == "practitioner"].set_index("group")
    assert own.loc[["T1", "T2"], "deviation"].sum() == pytest.approx(0, abs=1e-8)
    assert own.loc[["T1", "T2"], "stands_out"].all()
    assert own.loc["T1", "deviation_low"] < 3 < own.loc["T1", "deviation_high"]


def test_the_same_small_difference_stands_out_less_when_more_measures_are_looked_at():
    rng = np.random.default_rng(12)
    rows = clinic(rng, effects={"T1": 3.2, "T2": -3.2, "T3": 0.0, "T4": 0.0})
    one = practitioner_differences(rows, rng=rng)
    many = practitioner_differences(rows, rng=rng, measures_looked_at=1000)
    assert one.p_value == many.p_value and not many.anyone_stands_out


def test_without_sites_or_case_mix_it_still_runs_and_says_what_is_missing():
    rng = np.random.default_rng(10)
    rows = clinic(rng)[["client", "practitioner", "improvement"]]
    rows.loc[:4, "practitioner"] = None
    found = practitioner_differences(rows, rng=rng)
    assert np.isnan(found.chance_real_sites)
    assert any("5 episodes left out: no practitioner" in note for note in found.notes)
    assert set(found.groups["level"]) == {"practitioner"}


def test_too_little_is_refused():
    rng = np.random.default_rng(11)
    rows = clinic(rng)
    with pytest.raises(DataError, match="at least two of them with two clients each"):
        practitioner_differences(rows.assign(practitioner="T1"), rng=rng)
    with pytest.raises(ModelError, match="must have outcomes that differ"):
        practitioner_differences(rows.assign(improvement=3.0), rng=rng)
    with pytest.raises(DataError, match="improvement must be a finite number; 1 of 160 rows"):
        practitioner_differences(
            rows.assign(improvement=rows["improvement"].where(rows.index != 2)), rng=rng
        )
