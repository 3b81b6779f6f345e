"""Control charts against handbook examples, published run lengths, and scipy's tails."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.service import (
    apply_run_rules,
    cusum_chart,
    cusum_run_length,
    ewma_chart,
    ewma_run_length,
    false_alarms,
    individuals_chart,
    mean_chart,
    rate_chart,
    share_chart,
)
from outcomes.statistics.service.charts.rules import RULES, rule_hits

# NIST/SEMATECH e-Handbook 6.3.2.2: ten flow readings.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# NIST/SEMATECH e-Handbook 6.3.3.2: defective wafers among 50.
DEFECTIVE = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
DEFECTIVE += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]


def test_individuals_chart_gives_the_handbook_example():
    chart = individuals_chart(FLOW).iloc[1]
    assert chart["centre"] == pytest.approx(50.81, abs=1e-10)
    ranges = individuals_chart(FLOW)["moving_range"].mean()
    assert ranges == pytest.approx(1.8778, abs=5e-5)
    # printed with d2 = 1.128; ours is 2 / sqrt(pi) = 1.12838
    assert chart["upper_limit"] == pytest.approx(55.8041, abs=2e-3)
    assert chart["lower_limit"] == pytest.approx(45.8159, abs=2e-3)
    assert chart["upper_limit"] - chart["centre"] == pytest.approx(3 * ranges * np.sqrt(np.pi) / 2)
    # D4 for ranges of two, printed in handbooks as 3.267
    assert chart["moving_range_limit"] / ranges == pytest.approx(3.267, abs=1e-3)


def test_share_chart_gives_the_handbook_example():
    chart = share_chart(DEFECTIVE, n=[50] * 30, limits="normal")
    assert chart["centre"].iloc[0] == pytest.approx(0.2313, abs=5e-5)
    assert chart["upper_limit"].iloc[0] == pytest.approx(0.4102, abs=5e-5)
    assert chart["lower_limit"].iloc[0] == pytest.approx(0.0524, abs=5e-5)
    assert chart.loc[chart["beyond_limits"], "period"].tolist() == ["15", "23"]
    exact = share_chart(DEFECTIVE, n=[50] * 30)
    assert exact.loc[exact["beyond_limits"], "period"].tolist() == ["15", "23"]


def test_running_mean_gives_the_handbook_example():
    # NIST/SEMATECH e-Handbook 6.3.2.4, figures recalled: weight 0.3, target 50, s 2.0539,
    # limits 52.5884 and 47.4115 from the steady formula.
    readings = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    readings += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    printed += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = ewma_chart(readings, target=50, sigma=2.0539, weight=0.3, width=3, steady=True)
    assert chart["running_mean"].tolist() == pytest.approx(printed, abs=0.0051)
    assert chart["upper_limit"].iloc[0] == pytest.approx(52.5884, abs=1e-4)
    assert chart["lower_limit"].iloc[0] == pytest.approx(47.4115, abs=1e-4)
    assert not chart["beyond_limits"].any()


def test_cusum_gives_the_handbook_example():
    # NIST/SEMATECH e-Handbook 6.3.2.3, figures recalled: target 325, k 0.3175, h 4.1959; the sum
    # passes h at the fourteenth group.
    means = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225]
    means += [324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775]
    means += [326.875, 328.350]
    sigma = 0.635
    chart = cusum_chart(
        means, target=325, sigma=sigma, allowance=0.3175 / sigma, decision=4.1959 / sigma
    )
    assert chart.index[chart["beyond_limits"]].min() + 1 == 14
    by_hand = 0.0
    for mean, found in zip(means, chart["sum_high"] * sigma, strict=True):
        by_hand = max(0.0, by_hand + mean - 325 - 0.3175)
        assert found == pytest.approx(by_hand, abs=1e-9)


def test_run_lengths_agree_with_the_published_tables():
    # Montgomery, Introduction to Statistical Quality Control, CUSUM k = 1/2 (recalled).
    assert cusum_run_length(decision=4) == pytest.approx(168, abs=0.5)
    assert cusum_run_length(decision=5) == pytest.approx(465, abs=0.5)
    assert cusum_run_length(decision=4, shift=1) == pytest.approx(8.38, abs=0.005)
    assert cusum_run_length(decision=5, shift=1) == pytest.approx(10.4, abs=0.05)
    # Lucas & Saccucci 1990 (recalled): spacing 500, to three digits.
    for weight, width in ((0.1, 2.814), (0.2, 2.962), (0.4, 3.054)):
        length = ewma_run_length(weight=weight, width=width)
        assert length == pytest.approx(500, rel=5e-3)
    assert ewma_run_length(weight=0.2, width=2.962, shift=1) == pytest.approx(10.5, abs=0.05)
    # the defaults of both charts: the spacing of a 3 sigma chart
    assert cusum_run_length() == pytest.approx(370, rel=0.01)
    assert ewma_run_length() == pytest.approx(370, rel=0.01)


def test_a_weight_of_one_is_the_plain_chart():
    assert ewma_run_length(weight=1.0, width=3.0) == pytest.approx(
        1 / (2 * stats.norm.sf(3)), rel=1e-9
    )


def test_rules_together_alarm_as_often_as_published():
    # Champ & Woodall 1987, Technometrics 29:393, table 1 (recalled): mean run to the first alarm.
    published = {
        ("beyond_3",): 370.40,
        ("beyond_3", "two_of_three"): 225.44,
        ("beyond_3", "four_of_five"): 166.05,
        ("beyond_3", "eight_one_side"): 152.73,
        RULES[:4]: 91.75,
    }
    z = np.random.default_rng(20261).standard_normal((1500, 4000))
    hits = {rule: rule_hits(z, rule) for rule in RULES[:4]}
    for rules, length in published.items():
        alarm = np.logical_or.reduce([hits[rule] for rule in rules])
        assert alarm.any(axis=1).mean() > 0.999
        found = np.argmax(alarm, axis=1) + 1.0
        assert found.mean() == pytest.approx(length, abs=4 * length / np.sqrt(len(z)))


def test_the_rules_find_their_own_pattern_and_nothing_else():
    z = np.zeros((1, 20))
    z[0] = [0.1, -0.1] * 10
    assert not any(rule_hits(z, rule).any() for rule in RULES)
    trend = np.array([[0.5, 0.1, 0.2, 0.3, 0.4, 0.5, -0.1]])
    assert np.flatnonzero(rule_hits(trend, "six_trend")[0]).size == 0
    trend = np.array([[0.5, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, -0.1]])
    assert np.flatnonzero(rule_hits(trend, "six_trend")[0]).tolist() == [6]
    two = np.array([[2.1, 0.0, 2.1, 0.0, -2.1, 2.1]])
    assert np.flatnonzero(rule_hits(two, "two_of_three")[0]).tolist() == [2]


def test_exact_limits_leave_no_more_than_their_tail_on_either_side():
    n = np.array([20, 35, 50, 80, 200])
    chart = share_chart([6, 12, 14, 25, 55], n=n)
    tail = stats.norm.sf(3)
    theta = chart["centre"].iloc[0]
    low, high = chart["lower_limit"] * n, chart["upper_limit"] * n
    assert (stats.binom.cdf(np.round(low) - 1, n, theta) <= tail).all()
    assert (stats.binom.cdf(np.round(low), n, theta) > tail).all()
    assert (stats.binom.sf(np.round(high), n, theta) <= tail).all()
    assert (stats.binom.sf(np.round(high) - 1, n, theta) > tail).all()


def test_rate_limits_follow_the_visits_of_each_quarter():
    visits = np.array([120.0, 300.0, 310.0, 500.0])
    chart = rate_chart([2, 4, 3, 9], exposure=visits)
    assert chart["centre"].iloc[0] == pytest.approx(18 / visits.sum())
    tail = stats.norm.sf(3)
    high = np.round(chart["upper_limit"] * visits)
    mean = chart["centre"] * visits
    assert (stats.poisson.sf(high, mean) <= tail).all()
    assert (stats.poisson.sf(high - 1, mean) > tail).all()
    low = np.round(chart["lower_limit"] * visits)
    assert (stats.poisson.cdf(low - 1, mean) <= tail).all()
    assert (stats.poisson.cdf(low, mean) > tail).all()


def test_means_of_quarters_in_control_alarm_as_stated():
    rng = np.random.default_rng(21)
    n = np.array([15, 40, 25, 60, 30, 20])
    alarms = []
    for _ in range(400):
        groups = [rng.normal(8, 10, k) for k in n]
        chart = mean_chart([g.mean() for g in groups], sd=[g.std(ddof=1) for g in groups], n=n)
        alarms.append(chart["beyond_limits"].mean())
    assert np.mean(alarms) < 0.0045
    width = chart["upper_limit"] - chart["lower_limit"]
    assert width.to_numpy() * np.sqrt(n) == pytest.approx(width.iloc[0] * np.sqrt(15))
    found = mean_chart([8, 8, 8, 16, 8, 8], sd=[10.0] * 6, n=n)
    assert found["beyond_limits"].tolist() == [False] * 3 + [True] + [False] * 2


def test_overdispersion_widens_and_never_narrows():
    rng = np.random.default_rng(5)
    n = np.full(40, 4000)
    spread = stats.beta.rvs(60, 140, size=40, random_state=rng)
    count = rng.binomial(n, spread)
    plain = share_chart(count, n=n, limits="normal")
    wide = share_chart(count, n=n, limits="normal", overdispersion=True)
    assert plain["beyond_limits"].sum() > 15
    assert wide["beyond_limits"].sum() <= 2
    quiet = rng.binomial(n, 0.3)
    assert (
        share_chart(quiet, n=n, limits="normal", overdispersion=True)["sigma"]
        >= share_chart(quiet, n=n, limits="normal")["sigma"] - 1e-15
    ).all()


def test_phases_have_their_own_centre_and_ranges_do_not_cross_them():
    periods = [f"20{y}Q{q}" for y in (24, 25) for q in (1, 2, 3, 4)]
    chart = individuals_chart(
        [5, 6, 5, 6, 15, 16, 15, 16], periods=periods, phase_starts=["2025Q1"]
    )
    assert chart["centre"].tolist() == [5.5] * 4 + [15.5] * 4
    assert chart["moving_range"].max() == 1 and chart["moving_range"].isna().sum() == 2
    assert not chart["beyond_limits"].any()
    frozen = individuals_chart([5, 6, 5, 6, 15, 16, 15, 16], baseline=4)
    assert frozen["beyond_limits"].tolist() == [False] * 4 + [True] * 4


def test_a_constant_series_has_no_alarm_and_no_warning():
    chart = apply_run_rules(individuals_chart([7.0] * 12), rules=list(RULES))
    assert not chart["signal"].any()
    assert not share_chart([0] * 6, n=[10] * 6)["beyond_limits"].any()


def test_known_limits_alarm_at_the_nominal_rate_and_frozen_ones_more_often():
    rng = np.random.default_rng(11)
    known = false_alarms(points=50, rng=rng, estimated=False)
    assert known["share_of_points"].item() == pytest.approx(0.0027, rel=0.1)
    frozen = false_alarms(points=16, baseline=8, rng=rng, series=4000)
    assert frozen["share_of_points"].item() > 0.02
    # the same by the chart itself, series by series
    z = np.random.default_rng(4).standard_normal((300, 16))
    charts = [individuals_chart(row, baseline=8)["beyond_limits"][8:].mean() for row in z]
    again = false_alarms(points=16, baseline=8, rng=np.random.default_rng(4), series=300)
    assert again["share_of_points"].item() == pytest.approx(np.mean(charts))
    more = false_alarms(points=24, rng=rng, rules=RULES, series=4000)
    fewer = false_alarms(points=24, rng=rng, rules=["beyond_3"], series=4000)
    assert more["share_of_series"].item() > 2 * fewer["share_of_series"].item()


def test_what_is_no_chart_is_refused():
    with pytest.raises(DataError, match="must have at least 4 points, got 3"):
        individuals_chart([1, 2, 3])
    with pytest.raises(DataError, match="must be a finite number; 1 of 4 rows does not"):
        individuals_chart([1, 2, np.nan, 4])
    with pytest.raises(DataError, match="must hold numbers only"):
        individuals_chart(["a", "b", "c", "d"])
    with pytest.raises(DataError, match="count must not exceed n; 1 of 4 rows"):
        share_chart([1, 2, 3, 9], n=[5, 5, 5, 5])
    with pytest.raises(DataError, match="n must be above zero; 1 of 4 rows"):
        share_chart([1, 2, 3, 0], n=[5, 5, 5, 0])
    with pytest.raises(DataError, match="count must be a count; 1 of 4 rows"):
        rate_chart([1, 2, 3, 0.5], exposure=[5, 5, 5, 5])
    with pytest.raises(DataError, match="one entry per period, got 3 for 4"):
        rate_chart([1, 2, 3, 1], exposure=[5, 5, 5])
    with pytest.raises(ArgumentError, match="limits must be one of"):
        share_chart([1, 2, 3, 4], n=[5] * 4, limits="wide")
    with pytest.raises(ArgumentError, match="must leave at least 4 points in every phase, got 2"):
        individuals_chart([1, 2, 3, 4, 5, 6], phase_starts=["5"])
    with pytest.raises(ArgumentError, match="must name periods of the chart; 1 of 1 do not"):
        individuals_chart([1, 2, 3, 4], phase_starts=["2026Q1"])
    with pytest.raises(ArgumentError, match="rules must be one of"):
        apply_run_rules(individuals_chart(FLOW), rules=["nine"])
    with pytest.raises(DataError, match="n must be at least 2, with an sd of zero or more; 1 of 4"):
        mean_chart([1, 2, 3, 4], sd=[1, 1, 1, 1], n=[5, 5, 5, 1])
    with pytest.raises(DataError, match="one entry per period, got 4, 5 and 4"):
        mean_chart([1, 2, 3, 4], sd=[1] * 5, n=[5, 5, 5, 5])
    with pytest.raises(ArgumentError, match="baseline must be less than points, got 8 and 8"):
        false_alarms(points=8, baseline=8, rng=np.random.default_rng(1))
    with pytest.raises(ArgumentError, match="weight must be"):
        ewma_chart([1, 2], target=0, sigma=1, weight=0)
    with pytest.raises(ArgumentError, match="sigma must be above zero"):
        cusum_chart([1, 2], target=0, sigma=0)


def test_columns_are_defined():
    from outcomes.glossary import check_result

    for chart in (
        apply_run_rules(individuals_chart(FLOW), rules=list(RULES)),
        share_chart([1, 2, 3, 4], n=[5] * 4),
        rate_chart([1, 2, 3, 4], exposure=[5] * 4),
        mean_chart([1, 2, 3, 4], sd=[1.0] * 4, n=[5] * 4),
        ewma_chart(FLOW, target=50, sigma=2),
        cusum_chart(FLOW, target=50, sigma=2),
        false_alarms(points=5, rng=np.random.default_rng(1), series=10),
    ):
        check_result(chart.columns)
        assert isinstance(chart, pd.DataFrame)
