"""Comparisons of two groups against Lakens 2013, Morris 2008, scipy, statsmodels and R."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    compare_groups,
    pre_post_control,
    standardised_difference,
)
from outcomes.statistics.effect_size.constrained import fit_constrained
from outcomes.statistics.mixed_model import fit_mixed_model

R = json.loads(
    (Path(__file__).parents[2] / "reference/effect_size/rank_intervals.json").read_text()
)


@pytest.fixture
def pairs():
    rng = np.random.default_rng(66)
    x = rng.normal(50, 8, 45)
    group = np.repeat(["a", "b", "c"], 15)
    y = 20 + 0.6 * x + 3 * (group == "a") + rng.normal(0, 4, 45)
    return pd.DataFrame({"group": group, "start_value": x, "latest_value": y})


def test_two_separate_groups_of_lakens_2013():
    # Lakens 2013, Front Psychol 4:863, table 1: d_s 1.13, g_s 1.08; interval computed.
    first, second = [9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9], [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7]
    found = standardised_difference(first, second)
    assert found.estimate == pytest.approx(1.08, abs=5e-3)
    assert found.notes == ("Uncorrected: 1.126.",)  # printed 1.13
    assert (found.ci_low, found.ci_high) == pytest.approx((0.163, 2.062), abs=5e-4)


def test_five_studies_of_morris_2008():
    # Morris 2008, Organ Res Methods 11:364, table 5.
    treated = pd.DataFrame(
        {
            "start_mean": [30.6, 23.5, 0.5, 53.4, 35.6],
            "latest_mean": [38.5, 26.8, 0.7, 75.9, 36.0],
            "start_sd": [15.0, 3.1, 0.1, 14.5, 4.7],
            "n": [20, 50, 9, 10, 14],
        }
    )
    control = pd.DataFrame(
        {
            "start_mean": [23.1, 24.9, 0.6, 55.7, 34.8],
            "latest_mean": [19.7, 25.3, 0.6, 60.7, 33.4],
            "start_sd": [13.8, 4.1, 0.2, 17.3, 3.1],
            "n": [20, 42, 9, 11, 14],
        }
    )
    rows = pre_post_control(treated, control)
    check_result(rows.columns)
    assert rows["d_ppc1"].to_numpy() == pytest.approx([0.74, 0.95, 1.81, 1.15, 0.51], abs=5e-3)
    assert rows["d_ppc2"].to_numpy() == pytest.approx([0.77, 0.80, 1.20, 1.05, 0.44], abs=5e-3)


def test_welch_and_covariance_rows(pairs):
    rows = compare_groups(pairs, first="a", second="b").set_index("quantity")
    check_result(rows.reset_index().columns)
    gain = (pairs["latest_value"] - pairs["start_value"]).groupby(pairs["group"])
    a, b = gain.get_group("a"), gain.get_group("b")
    reference = stats.ttest_ind(a, b, equal_var=False)
    low, high = reference.confidence_interval(0.95)
    row = rows.loc["difference in change"]
    assert (row["ci_low"], row["ci_high"], row["p_value"], row["df"]) == pytest.approx(
        (low, high, reference.pvalue, reference.df)
    )
    kept = pairs[pairs["group"] != "c"]
    design = np.column_stack([np.ones(30), kept["start_value"], kept["group"] == "a"])
    fit = sm.OLS(kept["latest_value"].to_numpy(), design.astype(float)).fit()
    row = rows.loc["adjusted for the start value"]
    assert row["estimate"] == pytest.approx(fit.params[2])
    assert (row["ci_low"], row["ci_high"]) == pytest.approx(tuple(fit.conf_int()[2]))


def test_direction_and_order_turn_the_signs(pairs):
    ab = compare_groups(pairs, first="a", second="b").set_index("quantity")["estimate"]
    ba = compare_groups(pairs, first="b", second="a").set_index("quantity")["estimate"]
    lower = compare_groups(pairs, first="a", second="b", better="lower")
    assert ab.to_numpy() == pytest.approx(-ba.to_numpy())
    assert ab.to_numpy() == pytest.approx(-lower["estimate"].to_numpy())


@pytest.mark.parametrize("which", ["gls", "gls_full"])
def test_constrained_model_against_nlme(which):
    latest = np.array([np.nan if v is None else v for v in R["latest"]])
    if which == "gls_full":
        latest = np.where(np.isnan(latest), 57, latest)
    treated = np.array(R["group"]) == "treated"
    fit = fit_constrained(np.array(R["start"], float), latest, treated)
    assert fit.log_likelihood == pytest.approx(R[which]["loglik"], abs=1e-6)
    # 1e-5: nlme's own optimiser stops at about six digits
    assert fit.coefficients == pytest.approx(R[which]["coef"], rel=1e-5)
    assert np.sqrt(np.diag(fit.unadjusted)) == pytest.approx(R[which]["se"], rel=1e-5)
    assert 10 < fit.df < 20


@pytest.mark.parametrize("missing", [False, True])
def test_small_sample_covariance_is_kenward_and_rogers(missing):
    # two visits with a random intercept and a variance each are the free covariance, so that the
    # mixed model (checked against pbkrtest elsewhere) gives the same adjustment by another road
    rng = np.random.default_rng(6)
    n = 24
    start = rng.normal(50, 8, n)
    first = np.arange(n) < n // 2
    latest = 50 + 0.7 * (start - 50) + 5 + 2 * first + rng.normal(0, 6, n)
    if missing:
        latest[[2, 7, 15, 20]] = np.nan
    fit = fit_constrained(start, latest, first)
    frame = pd.DataFrame(
        {
            "client": np.tile(np.arange(n), 2),
            "visit": np.repeat(["start", "latest"], n),
            "value": np.r_[start, latest],
            "later": np.repeat([0.0, 1.0], n),
        }
    )
    frame["later_first"] = frame["later"] * np.tile(first, 2)
    other = fit_mixed_model(
        frame.dropna(),
        "value ~ later + later_first",
        random="1",
        residual="variance_per_level",
        by="visit",
        degrees_of_freedom="kenward_roger",
    )
    row = other.fixed.set_index("term").loc["later_first"]
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-5)
    assert fit.coefficients[2] == pytest.approx(row["estimate"], rel=1e-4)
    assert np.sqrt(fit.covariance[2, 2]) == pytest.approx(row["standard_error"], rel=1e-4)
    assert fit.df == pytest.approx(row["df"], rel=1e-3)
    assert fit.covariance[2, 2] > fit.unadjusted[2, 2]


def test_refusals(pairs):
    with pytest.raises(ArgumentError, match="group 'z' must be in the table"):
        compare_groups(pairs, first="a", second="z")
    few = pairs.iloc[[0, 1, 2, 15, 16, 17, 18]]
    with pytest.raises(DataError, match="group 'a' must have at least 4 clients"):
        compare_groups(few, first="a", second="b")
    with pytest.raises(DataError, match="start_value must be a number"):
        compare_groups(pairs.assign(start_value=np.inf), first="a", second="b")
    with pytest.raises(DataError, match="must differ"):
        compare_groups(pairs.assign(latest_value=pairs["start_value"] + 1), first="a", second="b")
    with pytest.raises(DataError, match="one row per study"):
        table = pd.DataFrame(
            {"start_mean": [1.0], "latest_mean": [1.0], "start_sd": [1.0], "n": [9]}
        )
        pre_post_control(table, pd.concat([table, table]))
    with pytest.raises(DataError, match="at least 2 numbers"):
        standardised_difference([1.0], [1.0, 2.0])
