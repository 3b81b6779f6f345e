"""Turnbull's estimate against the published breast cosmesis analysis and its own condition.

The data are those of Finkelstein & Wolfe 1985 (Biometrics 41:933), months until the breast's look
deteriorates, written down from memory of the printed table. They are confirmed by the figures that
others printed from the paper's data, all recalled: the masses, and the statistic of Fay & Shaw 2010
(J Stat Softw 36(2)).
"""

import numpy as np
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.time_to_gain import (
    interval_score_test,
    kaplan_meier,
    turnbull,
    turnbull_median,
)

RADIOTHERAPY = """45- 6,10 0,7 46- 46- 7,16 17- 7,14 37,44 0,8 4,11 15- 11,15 22- 46- 46- 25,37 46-
26,40 46- 27,34 36,44 46- 36,48 37- 40- 17,25 46- 11,18 38- 5,12 37- 0,5 18- 24- 36- 5,11 19,35
17,25 24- 32- 33- 19,26 37- 34- 36-"""
WITH_CHEMOTHERAPY = """8,12 0,22 24,31 17,27 17,23 24,30 16,24 13- 11,13 16,20 18,25 17,26 32- 23-
44,48 14,17 0,5 5,8 12,20 11- 33,40 31- 13,39 19,32 34- 13- 16,24 35- 15,22 11,17 22,32 10,35
30,34 13- 10,17 8,21 4,9 11- 14,19 4,8 34- 30,36 18,24 16,60 35,39 21- 11,20 48-"""


def parse(text):
    rows = [
        (float(word[:-1]), np.inf) if word.endswith("-") else tuple(map(float, word.split(",")))
        for word in text.split()
    ]
    return np.array(rows)


@pytest.fixture(scope="module")
def cosmesis():
    return parse(RADIOTHERAPY), parse(WITH_CHEMOTHERAPY)


def test_masses_are_the_published_ones(cosmesis):
    alone, both = cosmesis
    assert (len(alone), len(both)) == (46, 48)
    printed = {
        (4, 5): 0.0463, (6, 7): 0.0334, (7, 8): 0.0887, (11, 12): 0.0708,
        (24, 25): 0.0926, (33, 34): 0.0818, (38, 40): 0.1209, (46, 48): 0.4656,
    }  # fmt: skip
    check_masses(turnbull(*alone.T), printed)
    printed = {
        (4, 5): 0.0433, (5, 8): 0.0433, (11, 12): 0.0692, (16, 17): 0.1454, (18, 19): 0.1411,
        (19, 20): 0.1157, (24, 25): 0.0999, (30, 31): 0.0709, (35, 36): 0.1608,
        (44, 48): 0.0552, (48, 60): 0.0552,
    }  # fmt: skip
    check_masses(turnbull(*both.T), printed)


def check_masses(curve, printed):
    held = curve.masses[curve.masses["mass"] > 1e-6]
    assert list(zip(held["left"], held["right"], strict=True)) == list(printed)
    assert held["mass"].tolist() == pytest.approx(list(printed.values()), abs=6e-5)
    assert curve.optimality < 1e-6


def test_score_test_is_the_published_one(cosmesis):
    ends = np.vstack(cosmesis)
    group = ["radiotherapy"] * 46 + ["with chemotherapy"] * 48
    sun = interval_score_test(*ends.T, group)
    # Fay & Shaw 2010: Z = -2.6684, p = 0.007622, scores -9.141846 and 9.141846
    assert np.sqrt(sun["statistic"].iloc[0]) == pytest.approx(2.6684, abs=5e-5)
    assert sun["p_value"].iloc[0] == pytest.approx(0.007622, abs=5e-7)
    assert sun["score"].tolist() == pytest.approx([-9.141846, 9.141846], abs=2e-6)
    other = interval_score_test(*ends.T, group, scores="finkelstein")
    assert other["p_value"].iloc[0] == pytest.approx(sun["p_value"].iloc[0], abs=0.002)
    check_result(sun.columns)


def inside_of(lower, upper, masses):
    return np.array(
        [
            [low <= q and p <= up for q, p in masses[["left", "right"]].to_numpy()]
            for low, up in zip(lower, upper, strict=True)
        ]
    ).astype(float)


@pytest.mark.parametrize("seed", range(6))
def test_the_optimality_condition_holds_on_random_visits(seed):
    rng = np.random.default_rng(seed)
    truth = rng.exponential(8, 80)
    visits = np.cumsum(rng.integers(1, 5, (80, 6)), axis=1).astype(float)
    later = np.where(visits >= truth[:, None], visits, np.inf).min(axis=1)
    earlier = np.where(visits < truth[:, None], visits, 0).max(axis=1)
    curve = turnbull(earlier, later)
    inside, mass = inside_of(earlier, later, curve.masses), curve.masses["mass"].to_numpy()
    # the condition, from its definition
    slope = (inside / (inside @ mass)[:, None]).mean(axis=0)
    assert slope.max() <= 1 + 1e-6
    assert slope[mass > 1e-9] == pytest.approx(1, abs=1e-6)
    assert mass.sum() == pytest.approx(1)
    # and no other distribution on the same intervals is likelier
    for _ in range(30):
        mixed = 0.9 * mass + 0.1 * rng.dirichlet(np.ones(mass.size))
        assert np.log(inside @ mixed).sum() <= curve.log_likelihood + 1e-9


def test_exact_times_give_kaplan_meier():
    rng = np.random.default_rng(3)
    time = rng.integers(1, 12, 50).astype(float)
    reached = rng.random(50) < 0.7
    curve = turnbull(time, np.where(reached, time, np.inf))
    km = kaplan_meier(time, reached)
    falls = km[km["events"] > 0]
    high, low = curve.survival(falls["time"].to_numpy())
    assert high == pytest.approx(falls["survival"].to_numpy(), abs=1e-6)
    assert low == pytest.approx(high)


def test_one_set_of_visit_times_gives_simple_shares():
    # all clients seen at weeks 2, 4 and 6 only: the masses are plain shares
    left = np.repeat([0.0, 2, 4, 6], [5, 8, 4, 3])
    right = np.repeat([2.0, 4, 6, np.inf], [5, 8, 4, 3])
    masses = turnbull(left, right).masses
    assert masses["mass"].tolist() == pytest.approx([0.25, 0.4, 0.2, 0.15])
    assert masses["survival_right"].tolist() == pytest.approx([0.75, 0.35, 0.15, 0], abs=1e-9)
    high, low = turnbull(left, right).survival([2, 3])
    assert high.tolist() == pytest.approx([0.75, 0.75]) and low.tolist() == pytest.approx(
        [0.75, 0.35]
    )


def test_median_recovers_the_truth_that_kaplan_meier_dates_too_late():
    rng = np.random.default_rng(4)
    n, truth = 300, rng.exponential(8 / np.log(2), 300)  # true median 8 weeks
    visits = np.cumsum(rng.uniform(2, 6, (n, 14)), axis=1)
    later = np.where(visits >= truth[:, None], visits, np.inf).min(axis=1)
    earlier = np.where(visits < truth[:, None], visits, 0).max(axis=1)
    median = turnbull_median(earlier, later, rng=rng, samples=100)
    assert median.ci_low <= 8 <= median.ci_high
    naive = kaplan_meier(np.where(np.isfinite(later), later, visits[:, -1]), np.isfinite(later))
    dated = naive.loc[naive["survival"] <= 0.5, "time"].iloc[0]
    assert dated > median.estimate + 1


def test_a_median_never_reached_is_infinite():
    rng = np.random.default_rng(5)
    median = turnbull_median([0, 5, 5, 5], [5, np.inf, np.inf, np.inf], rng=rng, samples=100)
    assert median.estimate == np.inf and median.notes


def test_bad_intervals_are_refused():
    with pytest.raises(DataError, match="left must be zero or more and not beyond right; 1 of 2"):
        turnbull([1, 5], [2, 4])
    with pytest.raises(DataError, match="one entry per client, got 1 and 2"):
        turnbull([1], [2, 4])
    with pytest.raises(ArgumentError, match="scores must be one of 'sun', 'finkelstein'"):
        interval_score_test([1, 1], [2, 4], ["a", "b"], scores="gehan")
    with pytest.raises(ArgumentError, match="samples must be a whole number of at least 100"):
        turnbull_median([1], [2], rng=np.random.default_rng(1), samples=5)
