"""Thresholds from clients' ratings, against made data with known answers and printed figures."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtri
from scipy.stats import mannwhitneyu, spearmanr, ttest_1samp, ttest_ind
from statsmodels.discrete.discrete_model import Logit

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.important_change import (
    anchor_adequacy,
    area_under_curve,
    compare_thresholds,
    cut_points,
    distribution_thresholds,
    mean_change_threshold,
    predictive_threshold,
    rated_changes,
    roc_curve,
    threshold_by_start,
)
from outcomes.statistics.important_change.predictive import predictive_batch
from outcomes.statistics.important_change.roc import area_and_error
from outcomes.statistics.repeatability import minimal_detectable_change

EVIDENCE = Path(__file__).parents[2] / "evidence"


def normal_quantiles(rest, improved):
    """Changes at normal quantiles, means 1 and 6, standard deviation 4; ratings 0 and 3."""
    parts = [
        mean + 4 * ndtri((np.arange(1, n + 1) - 0.5) / n)
        for mean, n in ((1.0, rest), (6.0, improved))
    ]
    rating = np.concatenate([np.zeros(rest), np.full(improved, 3.0)])
    return pd.DataFrame({"improvement": np.concatenate(parts), "rating": rating})


@pytest.fixture
def rng():
    return np.random.default_rng(20260831)


@pytest.fixture
def changes(rng):
    rating = rng.integers(-2, 6, 240).astype(float)
    improvement = 2.0 * rating + rng.normal(0, 5, 240)
    start = rng.normal(40, 8, 240)
    return pd.DataFrame(
        {
            "improvement": improvement,
            "rating": rating,
            "start_value": start,
            "latest_value": start - improvement,
        }
    )


# Predictive modelling: Terluin et al. 2015, J Clin Epidemiol 68:1388, and 2017, 83:90. The
# formulas are theirs; the figures for the made data were computed by an independent program.


@pytest.mark.parametrize(
    ("rest", "improved", "plain", "adjusted", "reliability"),
    [
        (100, 100, 3.5, 3.5, 3.5),
        (60, 140, 3.49589413032729, 2.94470391155733, 2.24471729591581),
        (140, 60, 3.50410586967271, 4.05529608844266, 4.75528270408419),
        (30, 170, 3.48812147755453, 2.48640143768895, 1.49227268142809),
    ],
)
def test_terluin_2015_and_2017(rest, improved, plain, adjusted, reliability):
    made = normal_quantiles(rest, improved)
    found = [
        predictive_threshold(made, adjust=adjust).estimate
        for adjust in ("none", "share improved", "reliability")
    ]
    assert found == pytest.approx([plain, adjusted, reliability], abs=1e-8)


def test_predictive_threshold_is_where_the_odds_stay_as_they_were(changes):
    y = (changes["rating"] >= 2).to_numpy(dtype=float)
    x = changes["improvement"].to_numpy()
    fit = Logit(y, np.column_stack([np.ones_like(x), x])).fit(disp=0)
    expected = (np.log(y.mean() / (1 - y.mean())) - fit.params[0]) / fit.params[1]
    assert predictive_threshold(changes, adjust="none").estimate == pytest.approx(
        expected, rel=1e-8
    )


@pytest.mark.parametrize("adjust", ["none", "share improved", "reliability"])
def test_delta_interval_agrees_with_the_bootstrap(rng, changes, adjust):
    found = predictive_threshold(changes, adjust=adjust)
    x, y = changes["improvement"].to_numpy(), (changes["rating"] >= 2).to_numpy(dtype=float)
    rule = {
        "none": (0.0, 0.0),
        "share improved": (0.09, 0.103),
        "reliability": (0.0, 0.8 / 0.7 - 0.5),
    }
    who = rng.integers(0, len(x), (3000, len(x)))
    drawn, _, _ = predictive_batch(x[who], y[who], rule[adjust])
    half = (found.ci_high - found.ci_low) / 2
    assert half == pytest.approx(1.96 * drawn.std(), rel=0.06)


def test_deterioration_is_the_mirror_image(changes):
    mirrored = changes.assign(improvement=-changes["improvement"], rating=-changes["rating"])
    there = predictive_threshold(changes, improved_from=2)
    back = predictive_threshold(mirrored, improved_from=2, direction="deterioration")
    assert back.estimate == pytest.approx(there.estimate)
    assert back.measure.startswith("minimal important worsening")
    own = predictive_threshold(changes, improved_from=1, direction="deterioration")
    assert own.estimate != pytest.approx(there.estimate)


def test_few_in_a_class_are_noted():
    made = normal_quantiles(100, 6)
    found = predictive_threshold(made, adjust="none")
    assert any("smaller class has 6" in note for note in found.notes)
    assert any("without adjustment" in note for note in found.notes)


def test_threshold_that_grows_with_the_start(rng):
    start, x = rng.uniform(20, 60, 4000), rng.normal(8, 6, 4000)
    better = rng.random(4000) < 1 / (1 + np.exp(-(x - 0.2 * start) / 2))
    data = pd.DataFrame({"improvement": x, "rating": 3.0 * better, "start_value": start})
    table = threshold_by_start(data, adjust="none", bands=3)
    check_result(table.columns)
    assert table["estimate"].iloc[:3].is_monotonic_increasing
    slope = table.iloc[-1]
    assert slope["ci_low"] < 0.2 < slope["ci_high"]


def test_bands_without_a_threshold_are_counted(changes):
    data = changes.assign(start_value=np.arange(240.0))
    data.loc[:79, "rating"] = 0.0
    table = threshold_by_start(data, bands=3)
    assert table["group"].iloc[0] == "start, band 2 of 3"
    assert "1 of 3 bands allow no threshold" in table["notes"].iloc[0]


# ROC.


def test_hanley_mcneil_1982():
    # Radiology 143:29, ratings 1 to 5: area .893, standard error .032 (recalled).
    normal = np.repeat([1, 2, 3, 4, 5], [33, 6, 6, 11, 2]).astype(float)
    abnormal = np.repeat([1, 2, 3, 4, 5], [3, 2, 2, 11, 33]).astype(float)
    area, error = area_and_error(abnormal, normal)
    assert area == pytest.approx(0.893, abs=5e-4)
    # DeLong's error is not Hanley and McNeil's; both are near .032.
    assert error == pytest.approx(0.032, abs=1.5e-3)


def test_area_is_the_rank_sum(changes):
    yes = changes.loc[changes["rating"] >= 2, "improvement"]
    no = changes.loc[changes["rating"] < 2, "improvement"]
    expected = mannwhitneyu(yes, no).statistic / len(yes) / len(no)
    assert area_under_curve(changes).estimate == pytest.approx(expected, rel=1e-12)


def test_delong_error_is_the_jackknife_of_placements(changes):
    reached = (changes["rating"] >= 2).to_numpy()
    x = changes["improvement"].to_numpy()
    yes, no = x[reached], x[~reached]
    kernel = (yes[:, None] > no) + 0.5 * (yes[:, None] == no)
    square = kernel.mean(1).var(ddof=1) / len(yes) + kernel.mean(0).var(ddof=1) / len(no)
    area, error = area_and_error(yes, no)
    assert area == pytest.approx(kernel.mean())
    assert error == pytest.approx(np.sqrt(square))


def test_made_data_area_and_cut():
    made = normal_quantiles(100, 100)
    assert area_under_curve(made).estimate == pytest.approx(0.8117, abs=5e-5)


def test_cuts_are_the_best_by_brute_force(rng, changes):
    table = cut_points(changes, rng=rng, repeats=200)
    check_result(table.columns)
    curve = roc_curve(changes)
    check_result(curve.columns)
    inner = curve.iloc[1:-1]
    best = (inner["sensitivity"] + inner["specificity"]).max()
    row = table.iloc[0]
    assert row["sensitivity"] + row["specificity"] == pytest.approx(best)
    corner = ((1 - inner["sensitivity"]) ** 2 + (1 - inner["specificity"]) ** 2).min()
    row = table.iloc[1]
    found = (1 - row["sensitivity"]) ** 2 + (1 - row["specificity"]) ** 2
    assert found == pytest.approx(corner)
    assert ((table["ci_low"] <= table["estimate"]) & (table["estimate"] <= table["ci_high"])).all()


def test_same_seed_same_cut(changes):
    one, two = (cut_points(changes, rng=np.random.default_rng(3), repeats=100) for _ in range(2))
    pd.testing.assert_frame_equal(one, two)


def test_classes_apart(rng):
    apart = pd.DataFrame({"improvement": [1, 2, 3, 7, 8, 9.0], "rating": [0, 0, 0, 3, 3, 3]})
    found = area_under_curve(apart)
    assert (found.estimate, found.ci_low, found.ci_high) == (1.0, 0.5, 1.0)
    assert any("do not overlap" in note for note in found.notes)
    assert cut_points(apart, rng=rng, repeats=100)["estimate"].tolist() == [5.0] * 3
    with pytest.raises(ModelError, match="must overlap"):
        predictive_threshold(apart)


def test_changes_against_the_ratings():
    against = normal_quantiles(50, 50)
    against["improvement"] = -against["improvement"]
    with pytest.raises(ModelError, match="must rise with the ratings"):
        predictive_threshold(against)


# Mean change, distribution, anchor.


def test_mean_change_is_a_t_interval(changes):
    few = changes.loc[changes["rating"].between(2, 3), "improvement"]
    same = changes.loc[changes["rating"].abs() < 2, "improvement"]
    found = mean_change_threshold(changes)
    low, high = ttest_1samp(few, 0).confidence_interval()
    assert (found.estimate, found.ci_low, found.ci_high) == pytest.approx((few.mean(), low, high))
    against = mean_change_threshold(changes, against_unchanged=True)
    low, high = ttest_ind(few, same, equal_var=False).confidence_interval()
    assert (against.ci_low, against.ci_high) == pytest.approx((low, high))


def test_mean_change_of_the_slightly_worse(changes):
    found = mean_change_threshold(changes, direction="deterioration", slightly=(1, 2))
    few = changes.loc[changes["rating"].between(-2, -1), "improvement"]
    assert found.estimate == pytest.approx(-few.mean())


def test_distribution_thresholds():
    values = np.array([20, 30, 40, 50.0])
    table = distribution_thresholds(values, standard_error_of_measurement=3.0, confidence=0.9)
    check_result(table.columns)
    assert table["estimate"].tolist() == pytest.approx(
        [0.5 * values.std(ddof=1), 3.0, minimal_detectable_change(3.0, confidence=0.9)]
    )
    assert table["do_not_use_when"].str.startswith("importance").all()


def test_adequacy_equals_rank_correlation(changes):
    table = anchor_adequacy(changes)
    check_result(table.columns)
    expected = spearmanr(changes["rating"], changes["improvement"]).statistic
    assert table["estimate"].iloc[0] == pytest.approx(expected)
    assert table["notes"].iloc[0] == ""
    # Lower values are better here: a better present state correlates positively.
    assert table["estimate"].iloc[2] > 0


def test_weak_anchor_is_called_weak(rng, changes):
    weak = changes.assign(rating=rng.permutation(changes["rating"]))
    assert anchor_adequacy(weak)["notes"].iloc[0].startswith("Below 0.3")


def test_anchor_that_follows_the_present_state(rng):
    start, latest = rng.normal(50, 10, 300), rng.normal(30, 10, 300)
    data = pd.DataFrame(
        {
            "improvement": start - latest,
            "rating": np.round((40 - latest) / 5 + rng.normal(0, 0.5, 300)),
            "start_value": start,
            "latest_value": latest,
        }
    )
    notes = anchor_adequacy(data)["notes"]
    assert notes.iloc[2].startswith("The rating follows the present state")


# From visits.


def test_changes_and_ratings_of_the_same_visit():
    values = pd.DataFrame(
        [
            ("a", 1, 1, "ndi", "", 40.0),
            ("a", 1, 4, "ndi", "", 30.0),
            ("a", 1, 4, "groc", "", 2.0),
            ("a", 1, 6, "ndi", "", 20.0),  # no rating: not the change that was rated
            ("b", 1, 1, "ndi", "", 10.0),
            ("b", 1, 1, "groc", "", 0.0),  # rated at the start only
            ("c", 1, 2, "ndi", "", 22.0),
            ("c", 1, 5, "ndi", "", 26.0),
            ("c", 1, 5, "groc", "", -3.0),
        ],
        columns=["client", "episode", "visit", "measure", "instrument", "value"],
    )
    table = rated_changes(values, measure="ndi")
    check_result(table.columns)
    assert table["client"].tolist() == ["a", "c"]
    assert table["improvement"].tolist() == [10.0, -4.0]
    assert table["rating"].tolist() == [2.0, -3.0]


def test_instruments_are_not_mixed_in_a_rated_change():
    values = pd.DataFrame(
        [
            ("a", 1, 1, "cervical_rotation", "goniometer", 50.0),
            ("a", 1, 2, "cervical_rotation", "inclinometer", 30.0),
            ("a", 1, 3, "cervical_rotation", "inclinometer", 33.0),
            ("a", 1, 4, "cervical_rotation", "inclinometer", 38.0),
            ("a", 1, 4, "cervical_rotation", "goniometer", 70.0),
            ("a", 1, 4, "groc", "", 2.0),
        ],
        columns=["client", "episode", "visit", "measure", "instrument", "value"],
    )
    table = rated_changes(values, measure="cervical_rotation")
    assert table["improvement"].tolist() == [8.0]


def test_no_rated_change():
    values = pd.DataFrame(
        {"client": ["a"], "episode": [1], "visit": [1], "measure": ["ndi"], "value": [3.0]}
    )
    with pytest.raises(DataError, match="no client has a later value with a rating"):
        rated_changes(values, measure="ndi")
    with pytest.raises(ArgumentError):
        rated_changes(values, measure="nothing")


def test_planted_threshold_of_the_synthetic_caseload_comes_back():
    # Planted: half of the clients whose true gain is 2.0 points of the patient-specific scale
    # choose 3 or more. One caseload's threshold has a standard error near 0.2, the mean of three
    # 0.12; measured changes and the lean to the present state add some.
    from data_synthetic.make_caseload import make_caseload

    found = []
    for seed in (0, 1, 2):
        tables, _ = make_caseload(np.random.default_rng(seed), n_clients=600)
        clients, readings = tables["clients"], tables["measurements"]
        mine = clients.loc[clients["complaint"] == "upper back", "client"]
        readings = readings[readings["moment"].fillna("before") == "before"]
        changes = rated_changes(readings[readings["client"].isin(mine)], measure="psfs")
        found.append(predictive_threshold(changes, improved_from=3).estimate)
    assert np.mean(found) == pytest.approx(2.0, abs=0.3)


# Side by side.


def test_shares_are_counts_by_hand(changes):
    own = predictive_threshold(changes)
    spread = distribution_thresholds(changes["start_value"])
    table = compare_thresholds(changes, measure="ndi", own=[own, spread])
    check_result(table.columns)
    assert table["value"].is_monotonic_increasing
    for row in table.itertuples():
        assert row.count == (changes["improvement"] >= row.value).sum()
        assert row.count_worse == (changes["improvement"] <= -row.value).sum()
        assert row.ci_low < row.share < row.ci_high or row.count in (0, row.n)
    assert set(table["origin"]) == {"own", "published"}
    assert table.loc[table["origin"] == "own", "value"].tolist() == pytest.approx(
        sorted([own.estimate, spread["estimate"].iloc[0]])
    )


def test_wilson_interval_of_a_share():
    # Newcombe 1998, Stat Med 17:857: 81/263, .2553 to .3662 (recalled).
    data = pd.DataFrame({"improvement": np.r_[np.full(81, 1000.0), np.zeros(182)]})
    row = compare_thresholds(data, measure="ndi").iloc[0]
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((0.2553, 0.3662), abs=5e-5)


def test_worsening_thresholds_count_decline(changes):
    own = predictive_threshold(changes, direction="deterioration", improved_from=1)
    table = compare_thresholds(changes, measure="ndi", own=[own])
    row = table[table["quantity"].str.contains("worsening")].iloc[0]
    assert row["count"] == (changes["improvement"] <= -row["value"]).sum()


def test_thresholds_that_cannot_be_compared(changes):
    with pytest.raises(ArgumentError):
        compare_thresholds(changes, measure="no_such_measure")
    with pytest.raises(DataError, match="must hold improvements"):
        compare_thresholds(pd.DataFrame({"improvement": [np.nan]}), measure="ndi")
    area = area_under_curve(changes)
    bad = pd.DataFrame({"quantity": ["x"], "estimate": [-area.estimate], "method": [""]})
    with pytest.raises(DataError, match="sizes of change above zero; 1 of"):
        compare_thresholds(changes, measure="ndi", own=[bad])


# Bad input.


@pytest.mark.parametrize(
    ("data", "options", "error", "message"),
    [
        ({"improvement": [1.0] * 9}, {}, DataError, "must have the column rating"),
        (
            {"improvement": [1, 2, 3, 4.0], "rating": [0, 0, 3, 3]},
            {},
            DataError,
            "five or more rated clients, got 4",
        ),
        (
            {"improvement": [1, 2, 3, 4, 5.0], "rating": [0] * 5},
            {},
            DataError,
            "split clients in two; none of 5 reach 2",
        ),
        (
            {"improvement": [1, 2, 3, 4, 5.0], "rating": [4] * 5},
            {},
            DataError,
            "split clients in two; all of 5",
        ),
        (
            {"improvement": [3.0] * 6, "rating": [0, 0, 0, 3, 3, 3]},
            {},
            DataError,
            "improvement must vary",
        ),
        (
            {"improvement": [1, 2, 3, 4, 5.0], "rating": [0, 0, 0, 3, 3]},
            {"direction": "up"},
            ArgumentError,
            "direction must be one of",
        ),
        (
            {"improvement": [1, 2, 3, 4, 5.0], "rating": [0, 0, 0, 3, 3]},
            {"improved_from": 0},
            ArgumentError,
            "improved_from must be above zero",
        ),
        (
            {"improvement": [1, 2, 3, 4, 5.0], "rating": [0, 0, 0, 3, 3]},
            {"adjust": "all"},
            ArgumentError,
            "adjust must be one of",
        ),
    ],
)
def test_ratings_that_cannot_be_used(data, options, error, message):
    with pytest.raises(error, match=message):
        predictive_threshold(pd.DataFrame(data), **options)


def test_missing_ratings_are_counted(changes):
    gaps = changes.copy()
    gaps.loc[:9, "rating"] = np.nan
    found = predictive_threshold(gaps)
    assert found.n == 230
    assert found.notes[0] == "10 rows without improvement or rating were left out."


def test_all_ties_in_the_changes_of_a_class(rng):
    ties = pd.DataFrame({"improvement": [2, 2, 2, 2, 2, 5.0], "rating": [0, 0, 0, 3, 3, 3]})
    assert 0 < area_under_curve(ties).estimate < 1
    assert np.isfinite(cut_points(ties, rng=rng, repeats=100)["estimate"]).all()


def test_other_arguments_and_classes(changes):
    with pytest.raises(DataError, match="two or more clients in each class"):
        mean_change_threshold(changes, slightly=(6.5, 7))
    with pytest.raises(ArgumentError, match="slightly must run"):
        mean_change_threshold(changes, slightly=(3, 2))
    with pytest.raises(DataError, match="start_value must be given"):
        threshold_by_start(changes.drop(columns="start_value"))
    with pytest.raises(DataError, match="ratings must vary"):
        anchor_adequacy(changes.assign(rating=1.0))
    with pytest.raises(DataError, match="two or more clients"):
        distribution_thresholds([1.0])
    with pytest.raises(ArgumentError, match="anchor_reliability"):
        predictive_threshold(changes, adjust="reliability", anchor_reliability=0)


# Coverage.


def load():
    path = EVIDENCE / "important_change_coverage.py"
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_stored_coverage():
    result = json.loads((EVIDENCE / "results" / "important_change_coverage.json").read_text())
    for row in result["thresholds"]:
        assert row["sets"] == 10_000
        assert 0.935 <= row["coverage"] <= 0.965, row
    assert 0.935 <= result["areas"][0]["coverage"] <= 0.965
    for row in result["cuts"]:
        assert 0.85 <= row["coverage"] <= 1, row


def test_small_rerun_of_the_coverage_simulation(rng):
    for row in load().thresholds(rng, 400):
        # 400 sets: four standard errors below the stored bounds.
        assert row["coverage"] > 0.89, row
