import numpy as np
import pytest
from scipy import stats

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size.shares import share_interval
from outcomes.statistics.planning import (
    clients_for_mean_change,
    clients_for_share,
    mean_half_width,
    share_half_width,
)


def simulated_widths(n, sd, sims=20_000):
    rng = np.random.default_rng(n)
    s = sd * np.sqrt(rng.chisquare(n - 1, sims) / (n - 1))
    return stats.t.ppf(0.975, n - 1) * s / np.sqrt(n)


@pytest.mark.parametrize("n", [4, 12, 64])
def test_expected_half_width_is_that_of_simulated_studies(n):
    assert mean_half_width(n, sd=12) == pytest.approx(simulated_widths(n, 12).mean(), rel=0.01)


def test_the_plan_is_the_smallest_that_keeps_its_promise():
    plan = clients_for_mean_change(3, sd=12)
    assert mean_half_width(plan.n, sd=12) <= 3 < mean_half_width(plan.n - 1, sd=12)
    sure = clients_for_mean_change(3, sd=12, chance=0.9)
    assert (simulated_widths(sure.n, 12) <= 3).mean() == pytest.approx(0.9, abs=0.03)
    assert (simulated_widths(sure.n - 2, 12) <= 3).mean() < 0.9
    assert sure.n > plan.n
    check_result(plan.table.columns)


def test_share_width_is_the_binomial_average_of_wilsons():
    n, share = 40, 0.3
    low, high = share_interval(np.arange(n + 1), np.full(n + 1, n))
    expected = stats.binom.pmf(np.arange(n + 1), n, share) @ (high - low) / 2
    assert share_half_width(n, share=share) == pytest.approx(expected, rel=1e-6)
    plan = clients_for_share(0.1, share=0.5)
    # the textbook's normal approximation, 1.96^2 / 4 / 0.1^2 = 96.04, is a little larger
    assert 90 <= plan.n <= 97


def test_drop_out_is_added_on_top():
    plan = clients_for_mean_change(3, sd=12, drop_out=0.2)
    assert plan.n_to_recruit * 0.8 >= plan.n > (plan.n_to_recruit - 1) * 0.8


def test_what_cannot_be_planned_is_refused():
    with pytest.raises(ArgumentError, match="half_width must be above zero"):
        clients_for_mean_change(0, sd=1)
    with pytest.raises(ArgumentError, match="drop_out must be in .* got 20. Give a share"):
        clients_for_mean_change(1, sd=1, drop_out=20)
    with pytest.raises(ArgumentError, match="a million clients would not do"):
        clients_for_mean_change(1e-9, sd=1)
    with pytest.raises(ArgumentError, match="share must be in"):
        clients_for_share(0.1, share=1.2)
