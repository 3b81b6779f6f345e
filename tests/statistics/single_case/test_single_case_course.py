"""Description, lines, serial correlation and least squares of one client."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from single_case_published import SCHUTTE_2008, frame

from outcomes.errors import ModelError
from outcomes.glossary import check_result
from outcomes.statistics.single_case import (
    celeration,
    describe_phases,
    phase_effects,
    serial_correlation,
    trend_lines,
)
from outcomes.statistics.single_case.course import averaged_inference, plug_in_inference
from outcomes.statistics.single_case.serial import restricted_curve

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "reference" / "single_case" / "reference.json").read_text()
)


def one_series(baseline, treatment, client="A"):
    return frame({client: (list(baseline), list(treatment))})


def test_description_against_pandas():
    values = frame(SCHUTTE_2008)
    table = describe_phases(values, better="lower")
    check_result(table.columns)
    plain = values.groupby(["client", "phase"])["value"].agg(["mean", "std", "median"])
    merged = table.set_index(["client", "phase"]).join(plain, suffixes=("", "_plain"))
    np.testing.assert_allclose(merged["mean"], merged["mean_plain"])
    np.testing.assert_allclose(merged["sd"], merged["std"])
    case_2 = table[table["client"] == "Case 2"].iloc[1]
    # 45, 46, 54 then 49, 42.5, 27: medians 46 and 42.5, lower is better
    assert case_2["immediacy"] == pytest.approx(3.5)
    assert case_2["overlap"] == pytest.approx(1 / 7)
    assert case_2["improvement"] == pytest.approx(49.25 - 26.357142857, abs=1e-8)


def test_trend_of_a_straight_phase_and_short_phases():
    table = describe_phases(one_series([1, 2], [3, 5, 7, 9]))
    assert np.isnan(table["trend"].iloc[0])
    assert table["trend"].iloc[1] == pytest.approx(2)
    assert table["sd_about_trend"].iloc[1] == pytest.approx(0, abs=1e-12)


def test_theil_sen_against_scipy():
    rng = np.random.default_rng(5)
    y = rng.normal(size=30).cumsum()
    table = trend_lines(one_series([0.0], y))
    theirs = stats.theilslopes(y, np.arange(2, 32), alpha=0.95)
    row = table.iloc[0]
    assert row["slope"] == pytest.approx(theirs.slope)
    # theirs uses the normal approximation to Kendall's S, ours its exact distribution
    assert row["ci_low"] == pytest.approx(theirs.low_slope, abs=0.02)
    assert row["ci_high"] == pytest.approx(theirs.high_slope, abs=0.02)


def test_sen_interval_covers():
    """Exact distribution of S: coverage at least 95% for independent errors, not by much more."""
    rng = np.random.default_rng(8)
    inside = []
    for _ in range(150):
        row = trend_lines(one_series([0.0], rng.normal(size=9))).iloc[0]
        inside.append(row["ci_low"] <= 0 <= row["ci_high"])
    assert 0.91 <= np.mean(inside) <= 1


def test_short_phase_has_an_infinite_interval():
    row = trend_lines(one_series([0.0], [1, 2, 4])).iloc[0]
    assert row["ci_low"] == -np.inf and row["ci_high"] == np.inf
    assert not row["improving"]


def test_celeration_by_hand():
    # halves (0, 1) and (2, 3): medians 1.5 and 3.5 at 1.5 and 3.5: slope 1, through (1.5, 1.5)
    row = celeration(one_series([1, 2, 3, 4], [9, 1, 10, 11])).iloc[0]
    assert row["slope"] == pytest.approx(1)
    assert row["intercept"] == pytest.approx(0)
    assert (row["count"], row["share"]) == (3, 0.75)
    assert row["p_value"] == pytest.approx(5 / 16)
    assert celeration(one_series([1, 2, 3], [9, 1])).empty


@pytest.mark.parametrize("phi", ["0", "0.3", "0.7"])
def test_least_squares_at_fixed_correlation_against_nlme(phi):
    """gls with corCAR1 on uneven times; their phi is per unit, ours per median gap."""
    baseline, treatment = SCHUTTE_2008["Case 2"]
    y = np.array([*baseline, *treatment], dtype=float)
    gaps = np.resize([1, 2, 1, 3], y.size - 1)
    t = np.concatenate([[0], np.cumsum(gaps)]).astype(float)
    design = np.column_stack([np.ones(y.size), np.arange(y.size) >= len(baseline)]).astype(float)
    want = REFERENCE["gls_case_2"][phi]
    per_gap = want["phi"] ** np.median(gaps)
    curve = restricted_curve(design, y, t, phi=np.array([per_gap]))
    np.testing.assert_allclose(curve.beta[0, :, 0], want["beta"], rtol=1e-9)
    estimate, error = curve.contrast(np.array([0.0, 1.0]))
    assert estimate[0, 0] == pytest.approx(want["beta"][1], rel=1e-9)
    assert error[0, 0] == pytest.approx(want["se"][1], rel=1e-7)


def test_restricted_likelihood_differs_from_nlme_by_a_constant():
    baseline, treatment = SCHUTTE_2008["Case 2"]
    y = np.array([*baseline, *treatment], dtype=float)
    gaps = np.resize([1, 2, 1, 3], y.size - 1)
    t = np.concatenate([[0], np.cumsum(gaps)]).astype(float)
    design = np.column_stack([np.ones(y.size), np.arange(y.size) >= len(baseline)]).astype(float)
    wanted = [REFERENCE["gls_case_2"][phi] for phi in ("0", "0.3", "0.7")]
    per_gap = np.array([one["phi"] ** np.median(gaps) for one in wanted])
    ours = restricted_curve(design, y, t, phi=per_gap).log_likelihood[:, 0]
    theirs = np.array([one["logLik"] for one in wanted])
    np.testing.assert_allclose(ours - ours[0], theirs - theirs[0], atol=1e-8)


def test_estimated_correlation_against_nlme():
    table = serial_correlation(frame(SCHUTTE_2008)).set_index("client")
    check_result(table.reset_index().columns)
    want = REFERENCE["gls_case_10_estimated"]["phi"]
    assert table.loc["Case 10", "estimate"] == pytest.approx(
        want, abs=2e-3
    )  # grid of .02, parabola
    assert table.loc["all", "ci_low"] > 0
    assert table.loc["all", "ci_high"] - table.loc["all", "ci_low"] < 1


def test_independent_least_squares_is_the_two_sample_t():
    a, b = [1.0, 3, 2, 2], [6.0, 8, 7, 7, 9]
    row = phase_effects(one_series(a, b), correlation="none").iloc[0]
    theirs = stats.ttest_ind(b, a)
    assert row["estimate"] == pytest.approx(np.mean(b) - np.mean(a))
    assert row["p_value"] == pytest.approx(theirs.pvalue)
    low, high = theirs.confidence_interval()
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((low, high))


def test_averaging_widens_the_interval():
    rng = np.random.default_rng(11)
    y = rng.normal(size=16)
    design = np.column_stack([np.ones(16), np.arange(16) >= 6]).astype(float)
    curve = restricted_curve(design, y, np.arange(16.0))
    c = np.array([0.0, 1.0])
    average = averaged_inference(curve, c, 0.95)
    plug = plug_in_inference(curve, c, 0.95)
    assert average[2][0] - average[1][0] > plug[2][0] - plug[1][0]
    # p-value and interval agree with each other: zero is inside exactly when p > .05
    assert (average[1][0] <= 0 <= average[2][0]) == (average[3][0] > 0.05)


def test_averaged_ends_are_quantiles_of_the_mixture():
    rng = np.random.default_rng(12)
    y = rng.normal(size=(16, 5))
    design = np.column_stack([np.ones(16), np.arange(16) >= 6]).astype(float)
    curve = restricted_curve(design, y, np.arange(16.0))
    c = np.array([0.0, 1.0])
    _, low, high, _ = averaged_inference(curve, c, 0.9)
    mean, error = curve.contrast(c)
    for end, chance in ((low, 0.05), (high, 0.95)):
        below = (curve.weight * stats.t.cdf((end - mean) / error, curve.df)).sum(axis=0)
        np.testing.assert_allclose(below, chance, atol=1e-9)


def test_trend_model_finds_planted_changes():
    t = np.arange(1, 21)
    noise = 0.01 * np.random.default_rng(2).normal(size=20)
    y = 10 + 0.5 * t + noise + np.where(t > 8, 4 + 1.0 * (t - 9), 0)
    table = phase_effects(one_series(y[:8], y[8:]), trend=True).set_index("quantity")
    check_result(table.reset_index().columns)
    assert table.loc["level change", "estimate"] == pytest.approx(4, abs=0.05)
    assert table.loc["slope change", "estimate"] == pytest.approx(1, abs=0.01)


def test_what_cannot_be_fitted_is_said_in_the_row():
    row = phase_effects(one_series([3.0, 3], [5.0, 5])).iloc[0]
    assert np.isnan(row["estimate"]) and "must vary within phases" in row["notes"]
    row = phase_effects(one_series([3.0], [5.0])).iloc[0]
    assert np.isnan(row["estimate"]) and "must outnumber the 2 terms" in row["notes"]
    rows = phase_effects(one_series([3.0], [5.0, 6, 5, 7, 5]), trend=True)
    assert rows["notes"].str.contains("two readings for a slope").all()
    single = phase_effects(one_series([3.0], [5.0, 6, 5, 7, 5])).iloc[0]
    assert np.isfinite(single["ci_low"]) and "One baseline reading" in single["notes"]
    with pytest.raises(ModelError, match="must outnumber"):
        restricted_curve(np.ones((1, 1)), np.ones(1), np.ones(1))


def test_days_or_weeks_only_change_slopes():
    weeks = frame(SCHUTTE_2008)
    days = weeks.assign(day=weeks["week"] * 7).drop(columns="week")
    by_week = phase_effects(weeks, better="lower")
    by_day = phase_effects(days, better="lower")
    np.testing.assert_allclose(by_week["estimate"], by_day["estimate"], rtol=1e-9)
    np.testing.assert_allclose(by_week["ci_low"], by_day["ci_low"], rtol=1e-7, atol=1e-9)
    pd.testing.assert_series_equal(by_week["client"], by_day["client"])
