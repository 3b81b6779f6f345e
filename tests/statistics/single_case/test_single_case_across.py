"""Across clients: printed between-case values, reference models, start-and-end methods."""

import itertools
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from single_case_published import LASKI_1988, SCHUTTE_2008, frame

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.single_case import (
    between_case_moment,
    between_case_restricted,
    bootstrap_t_interval,
    mean_of_client_effects,
    multilevel_effect,
    permutation_test_of_mean,
    sign_test,
)
from outcomes.statistics.single_case.between_restricted import _stack, fit_restricted
from outcomes.statistics.single_case.phases import read_series

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "reference" / "single_case" / "reference.json").read_text()
)


def test_moment_estimator_on_laski_1988():
    """Hedges, Pustejovsky & Shadish 2013, Res Synth Methods 4:324: printed digits."""
    result = between_case_moment(frame(LASKI_1988))
    assert result.estimate == pytest.approx(1.388385, abs=5e-7)
    assert result.df == pytest.approx(13.1004, abs=5e-5)
    check_result(result.table.columns)


def test_restricted_likelihood_on_laski_1988():
    """Pustejovsky, Hedges & Shadish 2014, J Educ Behav Stat 39:368: printed digits."""
    result = between_case_restricted(frame(LASKI_1988))
    assert result.estimate == pytest.approx(1.4049, abs=5e-5)
    assert result.df == pytest.approx(18.55, abs=5e-3)


def test_restricted_likelihood_on_schutte_2008():
    """Same paper: trend model read 7 weeks on; printed as -1.337 because fatigue falls."""
    result = between_case_restricted(frame(SCHUTTE_2008), better="lower", trend=True, after=7)
    assert result.estimate == pytest.approx(1.337, abs=5e-4)
    assert result.df == pytest.approx(29.15, abs=5e-3)


@pytest.mark.parametrize(
    ("data", "trend", "key"),
    [(LASKI_1988, False, "laski_lme"), (SCHUTTE_2008, True, "schutte_lme")],
)
def test_estimates_against_nlme(data, trend, key):
    want = REFERENCE[key]
    stack = _stack(read_series(frame(data)), trend, False, "visit")
    fit = fit_restricted(stack, negative_phi=True)
    assert fit.log_likelihood == pytest.approx(want["logLik"], abs=1e-6)
    assert fit.theta[0] == pytest.approx(want["sigma2"], rel=1e-5)
    assert fit.theta[1] == pytest.approx(want["tau2"], rel=1e-5)
    assert fit.theta[2] == pytest.approx(want["phi"], rel=1e-5)
    # ours counts time from each client's first reading (week 1), theirs from week 0
    beta = fit.beta.copy()
    if trend:
        beta[0] -= beta[1]
    np.testing.assert_allclose(beta, want["beta"], rtol=1e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.beta_covariance))[1:], want["se"][1:], rtol=1e-5)


def test_expected_information_against_numbers():
    """The information of theta by its definition, with dense matrices and numeric derivatives."""
    values = frame(dict(itertools.islice(LASKI_1988.items(), 4)))
    stack = _stack(read_series(values), False, True, "visit")
    fit = fit_restricted(stack, negative_phi=True)

    def dense(theta):
        s2, t11, t21, t22, phi = theta
        t = np.array([[t11, t21], [t21, t22]])
        n = int(stack.used.sum())
        v, row = np.zeros((n, n)), 0
        for i in range(4):
            k = int(stack.used[i].sum())
            z = stack.z[i, :k]
            v[row : row + k, row : row + k] = z @ t @ z.T + s2 * phi ** stack.lag[i, :k, :k]
            row += k
        return v

    theta = fit.theta.copy()
    theta[-1] = max(theta[-1], 0.05)  # a smooth spot for numeric derivatives
    x = np.concatenate([stack.x[i, stack.used[i]] for i in range(4)])
    inverse = np.linalg.inv(dense(theta))
    q = inverse - inverse @ x @ np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse
    slopes = []
    for k in range(5):
        step = np.zeros(5)
        step[k] = 1e-5 * max(1.0, abs(theta[k]))
        slopes.append((dense(theta + step) - dense(theta - step)) / (2 * step[k]))
    information = np.array([[np.trace(q @ a @ q @ b) / 2 for b in slopes] for a in slopes])
    from outcomes.statistics.single_case.between_restricted import _theta_covariance

    beta_covariance = np.linalg.inv(x.T @ inverse @ x)
    got = _theta_covariance(stack, theta, *np.tril_indices(2), beta_covariance)
    np.testing.assert_allclose(got, np.linalg.inv(information), rtol=1e-4)


def test_estimator_does_not_mind_units_and_flips_with_direction():
    values = frame(LASKI_1988)
    scaled = values.assign(value=values["value"] * 0.01 + 5)
    for estimate in (between_case_moment, between_case_restricted):
        one = estimate(values)
        assert estimate(scaled).estimate == pytest.approx(one.estimate, rel=1e-5)
        assert estimate(values, better="lower").estimate == pytest.approx(-one.estimate, rel=1e-5)


def test_continuous_time_needs_no_even_visits():
    values = frame(LASKI_1988)
    even = between_case_restricted(values, spacing="time")
    assert even.estimate == pytest.approx(1.4049, abs=5e-5)  # weekly readings: the same model
    rng = np.random.default_rng(2)
    uneven = values.assign(week=values["week"] + rng.uniform(0, 0.6, len(values)))
    assert 1.2 < between_case_restricted(uneven, spacing="time").estimate < 1.6


def test_boundary_is_a_result_with_a_note():
    rng = np.random.default_rng(0)
    values = frame({c: (list(rng.normal(size=5)), list(3 + rng.normal(size=5))) for c in "ABCD"})
    values["value"] -= values.groupby(["client"])["value"].transform("mean")
    result = between_case_restricted(values)
    assert any("variance between clients is zero" in note for note in result.notes)


def test_between_case_refusals():
    values = frame(LASKI_1988)
    two = values[values["client"].isin(["Case 1", "Case 2"])]
    with pytest.raises(DataError, match="at least 3 clients must be given .* got 2"):
        between_case_moment(two)
    with pytest.raises(DataError, match="every client must have one series; 16 series of 8"):
        between_case_restricted(
            pd.concat([values.assign(side="left"), values.assign(side="right")])
        )
    with pytest.raises(ModelError, match="must vary"):
        between_case_moment(values.assign(value=1.0))
    with pytest.raises(ModelError, match="must vary around the model"):
        between_case_restricted(values.assign(value=1.0))


def test_multilevel_model_against_lme4_with_pbkrtest():
    want = REFERENCE["laski_lmer"]
    result = multilevel_effect(frame(LASKI_1988))
    assert result.estimate == pytest.approx(want["estimate"], rel=1e-5)
    assert result.standard_error == pytest.approx(want["se"], rel=1e-4)
    assert result.df == pytest.approx(want["df"], rel=1e-3)
    assert result.sd_between == pytest.approx(want["sd_between"], rel=1e-4)
    assert result.p_value == pytest.approx(want["p"], rel=5e-3)
    assert result.new_client_low < result.ci_low < result.ci_high < result.new_client_high
    assert 0 < result.share_worse < 0.05
    assert sorted(result.clients["client"]) == sorted(LASKI_1988)
    check_result(result.table.columns)


def test_multilevel_model_with_serial_correlation_against_nlme():
    want = REFERENCE["laski_car"]
    result = multilevel_effect(frame(LASKI_1988), serial=True)
    assert result.estimate == pytest.approx(want["beta"][1], rel=1e-4)
    # the standard error is Kenward and Roger's, which nlme does not give
    assert result.sd_between == pytest.approx(want["sd_between"], rel=1e-3)
    assert "serial correlation" in result.method


def test_prediction_interval_formula():
    result = multilevel_effect(frame(LASKI_1988))
    reach = stats.t.isf(0.025, 6) * np.hypot(result.standard_error, result.sd_between)
    assert result.new_client_high - result.estimate == pytest.approx(reach)


def test_mean_of_client_effects_is_a_t_test():
    values = frame(LASKI_1988)
    result = mean_of_client_effects(values)
    gains = [np.mean(b) - np.mean(a) for a, b in LASKI_1988.values()]
    theirs = stats.ttest_1samp(gains, 0)
    assert result.p_value == pytest.approx(theirs.pvalue)
    assert result.interval[:2] == pytest.approx(tuple(theirs.confidence_interval()))
    with pytest.raises(DataError, match="gains must differ"):
        mean_of_client_effects(frame({c: ([1.0, 1], [2.0, 2]) for c in "ABC"}))


def test_common_gain_model_says_so():
    result = multilevel_effect(frame(LASKI_1988), varying_effect=False)
    assert result.sd_between == 0 and np.isnan(result.heterogeneity_p)
    assert any("taken to gain alike" in note for note in result.notes)


# Start and end only ---------------------------------------------------------------------------

#: Darwin's maize, heights of crossed minus self-fertilised plants in eighths of an inch: Fisher
#: 1935, The Design of Experiments, section 17.
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def changes(improvement, start=0.0):
    return pd.DataFrame(
        {
            "client": [f"C{i}" for i in range(len(improvement))],
            "start_value": start,
            "latest_value": np.asarray(improvement, dtype=float) + start,
        }
    )


def test_fisher_1935_permutation_of_darwins_maize():
    """Section 21: 863 of 32,768 patterns reach the observed total in its direction, 1,726 either
    way (5.267%); the digits from memory, confirmed by the count here."""
    test = permutation_test_of_mean(changes(MAIZE))
    assert test.p_value == pytest.approx(1726 / 32768, abs=1e-12)
    one_sided = permutation_test_of_mean(changes(MAIZE), alternative="better")
    assert one_sided.p_value == pytest.approx(863 / 32768, abs=1e-12)


def test_permutation_against_scipy_and_drawn():
    d = np.array([1.5, -0.3, 2.2, 0.9, 1.1, -0.2, 3.0])
    theirs = stats.permutation_test((d,), np.mean, permutation_type="samples")
    assert permutation_test_of_mean(changes(d)).p_value == pytest.approx(theirs.pvalue)
    drawn = permutation_test_of_mean(
        changes(MAIZE), most_enumerated=10, draws=20_000, rng=np.random.default_rng(1)
    )
    assert not drawn.exact
    assert drawn.p_value == pytest.approx(1726 / 32768, abs=0.006)
    with pytest.raises(ArgumentError, match="rng must be given to draw sign changes for 15"):
        permutation_test_of_mean(changes(MAIZE), most_enumerated=10)


def test_sign_test_by_summing_terms():
    test = sign_test(changes(MAIZE))
    assert (test.n_better, test.n_worse, test.n_same) == (13, 2, 0)
    assert test.p_value == pytest.approx(2 * (1 + 15 + 105) / 2**15)
    assert sign_test(changes([0, 0, 1, 2, -1])).n_same == 2
    with pytest.raises(DataError, match="at least one client must have changed"):
        sign_test(changes([0, 0]))


def test_bootstrap_t_warns_under_eight_and_refuses_ties():
    rng = np.random.default_rng(1)
    few = bootstrap_t_interval(changes([1, 2, 3, 4, 7]), rng=rng)
    assert "Only 5 clients" in few.notes[0]
    assert bootstrap_t_interval(changes(range(8)), rng=rng).notes == ()
    with pytest.raises(DataError, match="at least 3 different values"):
        bootstrap_t_interval(changes([1, 1, 2]), rng=rng)


def test_bootstrap_t_is_near_the_t_interval_for_normal_changes():
    d = stats.norm.ppf((np.arange(30) + 0.5) / 30) + 1
    result = bootstrap_t_interval(changes(d), rng=np.random.default_rng(2))
    low, high = stats.ttest_1samp(d, 0).confidence_interval()
    assert result.ci_low == pytest.approx(low, abs=0.05)
    assert result.ci_high == pytest.approx(high, abs=0.05)


def test_bootstrap_t_leans_with_skew():
    d = stats.expon.ppf((np.arange(20) + 0.5) / 20)
    result = bootstrap_t_interval(changes(d), rng=np.random.default_rng(2))
    assert result.ci_high - result.estimate > result.estimate - result.ci_low


def test_start_end_faults_are_collected():
    broken = changes([1, np.nan, 3])
    broken.loc[2, "client"] = "C0"
    with pytest.raises(DataError) as caught:
        sign_test(broken)
    assert "must be finite numbers; 1 of 3 rows does not (row 1)" in str(caught.value)
    assert "client must stand in one row; 2 of 3" in str(caught.value)
    with pytest.raises(DataError, match="at least one client"):
        sign_test(changes([]))
