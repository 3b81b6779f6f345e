"""Power against Cohen 1988, statsmodels and simulation."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from outcomes.errors import ArgumentError
from outcomes.statistics.planning import (
    clients_in_clusters,
    clients_paired,
    clients_two_groups,
    design_effect,
    power_in_clusters,
    power_paired,
    power_two_groups,
    smallest_detectable,
)


@pytest.mark.parametrize(("d", "n"), [(0.2, 394), (0.5, 64), (0.8, 26)])
def test_two_groups_of_cohen(d, n):
    # Cohen 1988, table 2.4.1, alpha two-sided .05, power .80: 393 (393.4 rounded down), 64, 26
    assert clients_two_groups(difference=d, sd=1).n_per_group == n


def test_pairs_of_cohen():
    assert clients_paired(difference=0.5, sd=1).n == 34


@pytest.mark.parametrize("n", [5, 17, 80, 400])
@pytest.mark.parametrize("d", [0.1, 0.45, 1.2])
def test_power_is_that_of_statsmodels(n, d):
    assert power_paired(n, difference=d, sd=1) == pytest.approx(
        TTestPower().power(d, n, 0.05), abs=1e-9
    )
    for ratio in (1.0, 2.5):
        other = TTestIndPower().power(d, n, 0.05, ratio=ratio)
        assert power_two_groups(n, difference=d, sd=1, ratio=ratio) == pytest.approx(
            other, abs=1e-9
        )


def test_power_is_exact_at_its_ends():
    assert power_paired(20, difference=0, sd=1) == pytest.approx(0.05, abs=1e-9)
    powers = [power_two_groups(50, difference=d, sd=1) for d in np.linspace(0, 9, 60)]
    assert np.all(np.diff(powers) >= -1e-9) and powers[-1] == pytest.approx(1)
    assert power_paired(9, difference=-1, sd=1) == power_paired(9, difference=1, sd=1)


def test_the_smallest_detectable_difference_has_the_wanted_power():
    gap = smallest_detectable(46, sd=12, power=0.9)
    assert power_paired(46, difference=gap, sd=12) == pytest.approx(0.9, abs=1e-6)
    gap = smallest_detectable(46, sd=12, other_n=30)
    assert power_two_groups(46, difference=gap, sd=12, ratio=30 / 46) == pytest.approx(
        0.8, abs=1e-6
    )
    assert smallest_detectable(4, sd=1) > smallest_detectable(40, sd=1)


def test_adjusting_for_the_start_value_needs_fewer_clients():
    plain = clients_two_groups(difference=5, sd=10).n_per_group
    adjusted = clients_two_groups(difference=5, sd=10, start_correlation=0.6).n_per_group
    assert adjusted == pytest.approx(plain * (1 - 0.36), abs=1.5)


def test_power_with_clusters_is_that_of_simulated_practitioners():
    rng = np.random.default_rng(1)
    m, groups, icc, d = 15, 6, 0.08, 0.6
    shape = (4000, 2, groups)
    means = np.sqrt(icc) * rng.standard_normal(shape)
    means += np.sqrt((1 - icc) / m) * rng.standard_normal(shape)
    means[:, 1] += d
    p = stats.ttest_ind(means[:, 0], means[:, 1], axis=1).pvalue
    ours = power_in_clusters(groups, clients_each=m, difference=d, sd=1, icc=icc)
    assert (p < 0.05).mean() == pytest.approx(ours, abs=0.025)


def test_uneven_clusters_inflate_as_in_simulated_ones():
    rng = np.random.default_rng(2)
    icc, sizes = 0.1, np.array([4, 8, 12, 30, 46])
    mean, variation = sizes.mean(), sizes.std() / sizes.mean()
    groups = sizes.size
    own = np.sqrt(icc) * rng.standard_normal((20_000, groups))
    error = np.sqrt((1 - icc) / sizes) * rng.standard_normal((20_000, groups))
    overall = ((own + error) * sizes).sum(axis=1) / sizes.sum()
    inflation = overall.var() * sizes.sum()
    assert design_effect(mean, icc=icc, variation=variation) == pytest.approx(inflation, rel=0.04)


def test_plan_with_clusters_counts_practitioners():
    plan = clients_in_clusters(clients_each=12, difference=0.6, sd=1, icc=0.05, drop_out=0.1)
    practitioners = int(plan.notes[0].split()[0])
    assert plan.n_per_group == practitioners * 12
    assert power_in_clusters(practitioners, clients_each=12, difference=0.6, sd=1, icc=0.05) >= 0.8
    assert (
        power_in_clusters(practitioners - 1, clients_each=12, difference=0.6, sd=1, icc=0.05) < 0.8
    )


def test_impossible_plans_are_refused():
    with pytest.raises(ArgumentError, match="difference must be a number other than 0, got 0"):
        clients_paired(difference=0, sd=1)
    with pytest.raises(ArgumentError, match="power must be in"):
        clients_paired(difference=1, sd=1, power=80)
    with pytest.raises(ArgumentError, match="n must be a whole number of at least 2"):
        power_paired(1, difference=1, sd=1)
    with pytest.raises(ArgumentError, match="clients_each must be at least 1"):
        design_effect(0.5, icc=0.1)
    with pytest.raises(ArgumentError, match="icc must be in"):
        design_effect(5, icc=1.5)
