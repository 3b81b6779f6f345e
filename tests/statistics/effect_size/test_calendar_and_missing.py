"""Regression to the mean, missing clients, the ladder and the table of all sizes."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import integrate, stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    change_ladder,
    compare_leavers,
    effect_table,
    expected_regression,
    likely_change,
    mean_change,
    mee_chua,
    mee_chua_range,
    missing_bounds,
    pool_imputations,
    selection_regression,
    sensitivity_to_missing,
    tipping_point,
)


def selected(seed, n=400, effect=3.0, reliability=0.6, leave=0.0):
    """Clients come when their value is below 45 of a population of mean 50, SD 10."""
    rng = np.random.default_rng(seed)
    usual = rng.normal(50, 10 * np.sqrt(reliability), 40 * n)
    noise = 10 * np.sqrt(1 - reliability)
    x = usual + rng.normal(0, noise, usual.size)
    y = usual + effect + rng.normal(0, noise, usual.size)
    here = np.flatnonzero(x < 45)[:n]
    x, y = x[here], y[here]
    # those who started worst leave more often: missing at random given the start
    gone = rng.random(n) < leave * 2 * stats.norm.cdf(-(x - x.mean()) / x.std())
    return pd.DataFrame({"start_value": x, "latest_value": np.where(gone, np.nan, y)})


def test_selection_formula_by_integration():
    # Barnett et al. 2005, Int J Epidemiol 34:215: within variance / SD times the normal hazard.
    def density(x):
        return stats.norm.pdf(x, 50, 10)

    below = integrate.quad(density, -50, 42)[0]
    mean = integrate.quad(lambda x: x * density(x), -50, 42)[0] / below
    found = selection_regression(cutoff=42, population_mean=50, population_sd=10, reliability=0.65)
    assert found == pytest.approx((1 - 0.65) * (50 - mean), rel=1e-6)
    mirrored = selection_regression(
        cutoff=58, population_mean=50, population_sd=10, reliability=0.65, better="lower"
    )
    assert mirrored == pytest.approx(found)


def test_regression_is_estimated_from_the_selection():
    pairs = selected(1, n=2000)
    expected = selection_regression(
        cutoff=45, population_mean=50, population_sd=10, reliability=0.6
    )
    found = expected_regression(pairs, population_mean=50, reliability=0.6)
    assert found.ci_low < expected < found.ci_high
    wide = expected_regression(
        pairs, population_mean=50, reliability=0.6, population_mean_error=1, reliability_error=0.1
    )
    assert wide.ci_high - wide.ci_low > 3 * (found.ci_high - found.ci_low)
    raw = mean_change(pairs).estimate
    assert raw - found.estimate == pytest.approx(3, abs=0.7)


def test_mee_chua_is_the_regression_read_off_at_the_mean():
    pairs = selected(2)
    rows = mee_chua(pairs, population_mean=50).set_index("quantity")
    check_result(rows.reset_index().columns)
    fit = sm.OLS(pairs["latest_value"] - 50, sm.add_constant(pairs["start_value"] - 50)).fit()
    left = rows.loc["left"]
    assert left["estimate"] == pytest.approx(fit.params["const"])
    assert (left["ci_low"], left["ci_high"]) == pytest.approx(tuple(fit.conf_int().loc["const"]))
    assert left["p_value"] == pytest.approx(fit.pvalues["const"])
    assert left["estimate"] + rows.loc["regression to the mean", "estimate"] == pytest.approx(
        rows.loc["mean improvement", "estimate"]
    )
    assert left["ci_low"] < 3 < left["ci_high"]
    turned = mee_chua(-pairs, population_mean=-50, better="lower")
    assert turned["estimate"].to_numpy() == pytest.approx(rows["estimate"].to_numpy())
    many = mee_chua_range(pairs, population_means=[45, 50, 55])
    check_result(many.columns)
    assert many["estimate"].is_monotonic_decreasing
    assert many["estimate"][1] == pytest.approx(left["estimate"])


def test_rubins_rules_by_hand():
    q, u = np.array([1.0, 1.4, 0.9, 1.2, 1.6]), np.array([0.2, 0.25, 0.22, 0.18, 0.21])
    pooled = pool_imputations(q, u, complete_df=50)
    check_result(pooled.table.columns)
    b = q.var(ddof=1) * 1.2
    total = u.mean() + b
    lam = b / total
    old, obs = 4 / lam**2, 51 / 53 * 50 * (1 - lam)
    assert pooled.standard_error == pytest.approx(np.sqrt(total))
    assert pooled.df == pytest.approx(old * obs / (old + obs))
    none = pool_imputations([1.0, 1.0], [0.5, 0.5], complete_df=20)
    assert none.share_missing_information == 0 and none.df == pytest.approx(21 / 23 * 20)
    with pytest.raises(ArgumentError, match="at least 2 each"):
        pool_imputations([1.0], [1.0])


def test_likely_change_is_the_filled_in_mean():
    starters = selected(3, leave=0.4)
    seen = starters["latest_value"].notna()
    assert 0.25 < 1 - seen.mean() < 0.5
    fit = sm.OLS(
        starters["latest_value"][seen], sm.add_constant(starters["start_value"][seen])
    ).fit()
    filled = starters["latest_value"].fillna(fit.predict(sm.add_constant(starters["start_value"])))
    found = likely_change(starters)
    assert found.estimate == pytest.approx((filled - starters["start_value"]).mean())
    whole = likely_change(selected(3))
    plain = mean_change(selected(3))
    assert whole.estimate == pytest.approx(plain.estimate)
    assert whole.ci_low == pytest.approx(plain.ci_low, abs=0.01)
    lower = likely_change(-starters, better="lower")
    assert lower.estimate == pytest.approx(found.estimate)


def test_imputation_meets_the_closed_form():
    starters = selected(4, leave=0.4)
    p = starters["latest_value"].isna().mean()
    rows = sensitivity_to_missing(
        starters, rng=np.random.default_rng(5), deltas=(0.0, 4.0), n_imputations=400
    )
    check_result(rows.columns)
    main = likely_change(starters)
    assert rows["estimate"][1] == pytest.approx(main.estimate, abs=0.1)
    assert rows["estimate"][2] == pytest.approx(main.estimate - 4 * p, abs=0.1)
    half = (main.ci_high - main.ci_low) / 2
    assert (rows["ci_high"][1] - rows["ci_low"][1]) / 2 == pytest.approx(half, rel=0.1)
    back = rows.set_index("quantity").loc["leavers are back at their start value", "estimate"]
    seen = starters.dropna()
    assert back == pytest.approx(
        (1 - p) * (seen["latest_value"] - seen["start_value"]).mean(), abs=0.1
    )
    assert len(sensitivity_to_missing(selected(4), rng=np.random.default_rng(5))) == 1


def test_tipping_point_tips():
    starters = selected(6, leave=0.4)
    found = tipping_point(starters)
    rows = sensitivity_to_missing(
        starters, rng=np.random.default_rng(7), deltas=(found.estimate, found.ci_high),
        n_imputations=400,
    )  # fmt: skip
    # the closed form counts the chance of who leaves; the imputations take it as given
    assert rows["ci_low"][1] == pytest.approx(0, abs=0.35)
    assert rows["estimate"][2] == pytest.approx(0, abs=0.25)
    assert tipping_point(selected(6)).estimate == np.inf
    with pytest.raises(ArgumentError, match="line must lie below"):
        tipping_point(starters, line=50)


def test_leavers_and_bounds():
    starters = selected(8, leave=0.4)
    row = compare_leavers(starters).iloc[0]
    check_result(compare_leavers(starters).columns)
    left = starters["latest_value"].isna()
    a, b = starters["start_value"][left], starters["start_value"][~left]
    low, high = stats.ttest_ind(a, b, equal_var=False).confidence_interval()
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((low, high))
    assert row["standardised"] < -0.3
    bounds = missing_bounds(starters, worst=0, best=100)
    check_result(bounds.columns)
    assert bounds["estimate"].is_monotonic_increasing
    main = likely_change(starters).estimate
    assert bounds["estimate"][0] < main < bounds["estimate"][2]
    with pytest.raises(ArgumentError, match="best must be better"):
        missing_bounds(starters, worst=0, best=100, better="lower")


def test_ladder_agrees_with_its_parts():
    starters = selected(9, leave=0.4)
    seen = starters.dropna()
    found = change_ladder(
        starters, rng=np.random.default_rng(10), population_mean=50, reliability=0.6,
        untreated_change=1.0, minimal_important_change=2.0,
    )  # fmt: skip
    check_result(found.rungs.columns)
    check_result(found.table.columns)
    rungs = found.rungs.set_index("rung")
    assert rungs.loc["raw mean change", "estimate"] == pytest.approx(mean_change(seen).estimate)
    step = rungs.loc["less regression to the mean", "step"]
    assert step == pytest.approx(
        expected_regression(seen, population_mean=50, reliability=0.6).estimate
    )
    everyone = starters.assign(latest_value=0.0)
    both = (
        likely_change(starters).estimate
        - expected_regression(everyone, population_mean=50, reliability=0.6).estimate
    )
    assert rungs.loc["less drop-out", "estimate"] == pytest.approx(both)
    assert found.left == pytest.approx(both - 1)
    assert rungs["step"].dropna().sum() == pytest.approx(
        rungs["estimate"].iloc[0] - rungs["estimate"].iloc[-1]
    )
    assert ((rungs["ci_low"] < rungs["estimate"]) & (rungs["estimate"] < rungs["ci_high"])).all()
    t_interval = mean_change(seen)
    assert rungs["ci_low"].iloc[0] == pytest.approx(t_interval.ci_low, abs=0.15)
    assert 0 <= found.chance_above_line <= 1 and "not proof" in found.caution


def test_ladder_by_mee_chua_and_without_outside_knowledge():
    starters = selected(11)
    found = change_ladder(starters, rng=np.random.default_rng(12), population_mean=50)
    left = mee_chua(starters, population_mean=50).set_index("quantity").loc["left"]
    assert found.left == pytest.approx(left["estimate"])
    assert found.rungs["ci_low"].iloc[-1] == pytest.approx(left["ci_low"], abs=0.4)
    alone = change_ladder(starters, rng=np.random.default_rng(12))
    assert alone.rungs["rung"].to_list() == ["raw mean change"]
    wide = change_ladder(
        starters, rng=np.random.default_rng(12), population_mean=50, population_mean_error=3,
        reliability=0.6,
    )  # fmt: skip
    assert (wide.rungs["ci_high"] - wide.rungs["ci_low"]).iloc[1] > 3
    with pytest.raises(ArgumentError, match="population_mean must be given with reliability"):
        change_ladder(starters, rng=np.random.default_rng(12), reliability=0.6)


def test_one_table_of_everything():
    pairs = selected(13, n=40)
    table = effect_table(pairs, unit="deg", rng=np.random.default_rng(14), n_resamples=999)
    check_result(table.columns)
    assert table["quantity"][0] == "mean" and len(table) == 17
    assert table["quantity"].is_unique
    for column in ("question", "denominator", "source", "method"):
        assert (table[column].str.len() > 0).all()
    assert (table["ci_low"] < table["ci_high"]).all()


def test_refusals():
    pairs = selected(15, n=30)
    with pytest.raises(ArgumentError, match=r"reliability must be in \[0, 1\)"):
        expected_regression(pairs, population_mean=50, reliability=1.0)
    with pytest.raises(DataError, match="start values must differ"):
        mee_chua(pairs.assign(start_value=40.0), population_mean=50)
    with pytest.raises(DataError, match="at least 4 clients, got 3"):
        mee_chua(pairs.head(3), population_mean=50)
    with pytest.raises(DataError, match="start_value must be a number in every row"):
        likely_change(pairs.assign(start_value=np.nan))
    with pytest.raises(DataError, match="at least 5 clients must be measured again"):
        likely_change(pairs.assign(latest_value=np.nan))
    with pytest.raises(DataError, match="at least 2 each to be compared, got 0 and 30"):
        compare_leavers(pairs)
    with pytest.raises(ArgumentError, match="n_imputations must be a whole number of at least 20"):
        sensitivity_to_missing(pairs, rng=np.random.default_rng(1), n_imputations=5)
