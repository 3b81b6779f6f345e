"""Indices of one client against printed values, brute force and other software."""

import itertools
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from single_case_published import PARKER_NAP_2011, SCHUTTE_2008, TARLOW_2017, TAU_U_2011, frame

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.single_case import (
    INDEX_FACTS,
    baseline_corrected_tau,
    case_indices,
    improvement_rate_difference,
    index_facts,
    log_response_ratio,
    nonoverlap_of_all_pairs,
    percent_past_best,
    percent_past_median,
    tau,
    tau_u,
    two_sd_band,
    within_case_difference,
)
from outcomes.statistics.single_case.magnitude import small_sample_factor

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "reference" / "single_case" / "reference.json").read_text()
)
phase = st.lists(st.integers(0, 9), min_size=2, max_size=7)


def test_parker_vannest_davis_2011():
    nap = nonoverlap_of_all_pairs(*PARKER_NAP_2011)
    assert nap.estimate == pytest.approx(38.5 / 42, abs=1e-12)  # printed
    assert tau(*PARKER_NAP_2011).estimate == pytest.approx(35 / 42, abs=1e-12)  # printed


def test_tau_u_parker_2011():
    assert tau(*TAU_U_2011).estimate == pytest.approx(16 / 20, abs=1e-12)  # printed
    assert tau_u(*TAU_U_2011).estimate == pytest.approx(11 / 20, abs=1e-12)  # printed


def test_tarlow_2017():
    assert tau(*TARLOW_2017).estimate == 1  # printed
    assert tau_u(*TARLOW_2017).estimate == pytest.approx(0.6)  # printed
    assert baseline_corrected_tau(*TARLOW_2017).estimate == pytest.approx(0, abs=1e-12)  # printed


def test_tau_u_may_pass_one_and_says_which_denominator():
    falling, up = [5, 4, 3, 2, 1], [6, 7]
    between = tau_u(falling, up)
    assert between.estimate == pytest.approx(2.0)
    assert "denominator: between" in between.method and "past 1" in between.notes[1]
    within = tau_u(falling, up, denominator="all")
    assert within.estimate == pytest.approx(20 / 20)


@given(phase, phase)
@settings(max_examples=60, deadline=None)
def test_nap_is_the_mann_whitney_share(a, b):
    u = stats.mannwhitneyu(b, a).statistic
    nap = nonoverlap_of_all_pairs(a, b)
    assert nap.estimate == pytest.approx(u / (len(a) * len(b)), abs=1e-12)
    assert 0 <= nap.ci_low <= nap.estimate <= nap.ci_high <= 1
    turned = nonoverlap_of_all_pairs(a, b, better="lower")
    assert turned.estimate == pytest.approx(1 - nap.estimate)
    assert turned.ci_low == pytest.approx(1 - nap.ci_high, abs=1e-9)


def test_nap_interval_solves_its_equation():
    """Newcombe 2006, Stat Med 25:559, method 5: the ends lie z standard errors away."""
    nap = nonoverlap_of_all_pairs(*PARKER_NAP_2011)
    m, n, z = 6, 7, stats.norm.isf(0.025)
    for x in (nap.ci_low, nap.ci_high):
        h = (m + n) / 2 - 1
        v = x * (1 - x) / (m * n) * (1 + h * (1 - x) / (2 - x) + h * x / (1 + x))
        assert (nap.estimate - x) ** 2 == pytest.approx(z**2 * v, rel=1e-6)
    # recalled from another implementation's documentation, not printed in a paper
    assert nap.ci_low == pytest.approx(0.5973, abs=5e-5)
    assert nap.ci_high == pytest.approx(0.9860, abs=5e-5)


def test_nap_interval_of_complete_separation_has_room():
    nap = nonoverlap_of_all_pairs([1, 2, 3, 2], [5, 6, 7, 8, 6])
    m, n, z, x = 4, 5, stats.norm.isf(0.025), nap.ci_low
    h = (m + n) / 2 - 1
    v = x * (1 - x) / (m * n) * (1 + h * (1 - x) / (2 - x) + h * x / (1 + x))
    assert (nap.estimate, nap.ci_high) == (1, 1) and 0.4 < x < 0.9
    assert (1 - x) ** 2 == pytest.approx(z**2 * v, rel=1e-6)
    none = nonoverlap_of_all_pairs([5, 6, 7, 8, 6], [1, 2, 3, 2])
    assert (none.estimate, none.ci_low) == (0, 0)
    assert none.ci_high == pytest.approx(1 - x)


def test_exact_mann_whitney_agrees_with_r():
    p = nonoverlap_of_all_pairs([1, 3, 6, 2, 4], [7, 9, 12, 5]).p_value
    assert p == pytest.approx(REFERENCE["mann_whitney_p"], abs=1e-12)


@given(phase, phase)
@settings(max_examples=60, deadline=None)
def test_ird_against_brute_force(a, b):
    m, n = len(a), len(b)
    best = 0
    for cut in [*np.unique([*a, *b]), np.inf]:  # kept baseline < cut <= kept treatment
        best = max(best, sum(x < cut for x in a) + sum(y >= cut for y in b))
    removed = m + n - best
    expected = 1 - removed * (m + n) / (2 * m * n)
    assert improvement_rate_difference(a, b).estimate == pytest.approx(expected)


def test_ird_pnd_pem_of_the_worked_example():
    a, b = PARKER_NAP_2011
    assert improvement_rate_difference(a, b).estimate == pytest.approx(1 - 13 * 2 / 84)
    assert percent_past_best(a, b).estimate == pytest.approx(5 / 7)
    assert percent_past_median(a, b).estimate == 1
    assert percent_past_best(a, b, better="lower").estimate == 0


def test_corrected_tau_leaves_a_flat_baseline_alone():
    flat, better = [3, 4, 3, 4, 3], [6, 7, 6, 8]
    plain = baseline_corrected_tau(flat, better)
    assert plain.estimate == tau(flat, better).estimate
    assert "not removed" in plain.method
    forced = baseline_corrected_tau([3, 5, 4, 6, 5], better, always=True)
    slope = stats.theilslopes([3, 5, 4, 6, 5], np.arange(1, 6)).slope
    left_a = np.array([3, 5, 4, 6, 5]) - slope * np.arange(1, 6)
    left_b = np.array(better) - slope * np.arange(6, 10)
    assert forced.estimate == pytest.approx(tau(left_a, left_b).estimate)


def test_corrected_tau_uses_the_times():
    a, b = [1.0, 2, 4, 8, 9], [20.0, 21, 22]
    t_a, t_b = [0, 1, 3, 7, 8], [19, 20, 21]
    assert baseline_corrected_tau(a, b, baseline_time=t_a, treatment_time=t_b).estimate == 0
    with pytest.raises(ArgumentError, match="length of baseline_time must be one of '5', got '2'"):
        baseline_corrected_tau(a, b, baseline_time=[0, 1], treatment_time=t_b)


def test_magnitudes_against_formulas_written_out_in_r():
    ratio = log_response_ratio(*PARKER_NAP_2011)
    assert ratio.estimate == pytest.approx(REFERENCE["lrr"]["estimate"], abs=1e-12)
    smd = within_case_difference(*PARKER_NAP_2011)
    assert smd.estimate == pytest.approx(REFERENCE["smd"]["estimate"], abs=1e-12)
    reach = stats.t.isf(0.025, 5) * REFERENCE["smd"]["se"]
    assert smd.ci_high - smd.estimate == pytest.approx(reach, abs=1e-10)


def test_small_sample_factor_of_hedges_1981():
    for df, printed in ((2, 0.5642), (5, 0.8407), (10, 0.9227), (20, 0.9619)):
        assert small_sample_factor(df) == pytest.approx(printed, abs=5e-5)


def test_constant_baseline_nap_fine_smd_refused():
    assert nonoverlap_of_all_pairs([4, 4, 4], [5, 6, 4]).estimate == pytest.approx(2.5 / 3)
    with pytest.raises(DataError, match="baseline readings must vary"):
        within_case_difference([4, 4, 4], [5, 6, 4])
    with pytest.raises(DataError, match="baseline readings must vary, and the width"):
        two_sd_band([4, 4, 4], [5, 6, 4])


def test_one_baseline_reading():
    nap = nonoverlap_of_all_pairs([4], [5, 6, 3])
    assert nap.estimate == pytest.approx(2 / 3)
    with pytest.raises(DataError, match="baseline must have at least 2 readings, got 1"):
        tau_u([4], [5, 6])
    with pytest.raises(DataError, match="baseline must have at least 2 readings, got 1"):
        within_case_difference([4], [5, 6])
    single = nonoverlap_of_all_pairs([4], [5])
    assert np.isnan(single.ci_low) and "no interval" in single.notes[0]


def test_ratio_needs_a_true_zero():
    with pytest.raises(DataError, match="must be zero or more, with both phase means above zero"):
        log_response_ratio([-1, 2, 3], [4, 5])
    with pytest.raises(DataError, match="must be zero or more"):
        log_response_ratio([0, 0, 0], [4, 5])


def test_band_counts_the_better_side_only():
    band = two_sd_band([10, 11, 9, 10], [20, 21, 1, 10])
    assert band.estimate == 0.5
    assert "in a row past it: yes" in band.notes[1]
    assert two_sd_band([10, 11, 9, 10], [20, 21, 1, 10], better="lower").estimate == 0.25


def test_readings_must_be_numbers():
    with pytest.raises(ArgumentError, match="treatment must be a row of finite numbers"):
        nonoverlap_of_all_pairs([1, 2], [3, np.nan])
    with pytest.raises(ArgumentError, match="baseline must be a row of numbers"):
        nonoverlap_of_all_pairs(["low", "high"], [3])


def test_every_index_carries_its_words():
    facts = index_facts()
    assert facts["index"].tolist() == list(INDEX_FACTS)
    assert (facts.drop(columns="index").map(len) > 10).all(axis=None)
    check_result(facts.columns)


def test_frame_agrees_with_each_function_and_keeps_all_clients():
    values = frame(SCHUTTE_2008)
    table = case_indices(values, better="lower")
    check_result(table.columns)
    assert len(table) == 12 * len(INDEX_FACTS)
    for client, (a, b) in itertools.islice(SCHUTTE_2008.items(), 3):
        rows = table[table["client"] == client].set_index("index")["estimate"]
        assert rows["nap"] == nonoverlap_of_all_pairs(a, b, better="lower").estimate
        assert rows["pnd"] == percent_past_best(a, b, better="lower").estimate
    short = table[(table["client"] == "Case 3") & (table["index"] == "within_case_smd")].iloc[0]
    assert np.isnan(short["estimate"]) and "at least 3 readings" in short["notes"]
    assert short["do_not_use_when"]


def test_units_do_not_matter():
    a, b = np.array([10.0, 14, 12, 11, 9]), np.array([18.0, 20, 15])
    for index in (nonoverlap_of_all_pairs, tau_u, baseline_corrected_tau, within_case_difference):
        in_degrees, in_radians = index(a, b), index(np.deg2rad(a), np.deg2rad(b))
        assert in_degrees.estimate == pytest.approx(in_radians.estimate, abs=1e-12)
    pd.testing.assert_frame_equal(
        nonoverlap_of_all_pairs(a, b).table, nonoverlap_of_all_pairs(a + 100, b + 100).table
    )
