import numpy as np
import pytest
from scipy import stats

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.sensitivity import e_value, e_value_of_difference, tipping_point


def test_published_e_value():
    # VanderWeele & Ding 2017, Ann Intern Med 167:268: RR 3.9 (1.8 to 8.7) gives 7.26 and 3.0
    found = e_value(3.9, ci_low=1.8, ci_high=8.7)
    assert found.e_value == pytest.approx(7.26, abs=0.005)
    assert found.e_value_interval == pytest.approx(3.0, abs=0.05)
    check_result(found.table.columns)


def test_a_confounder_of_that_strength_explains_the_ratio_away_and_none_weaker():
    for ratio in (1.2, 2.0, 5.0):
        strength = e_value(ratio).e_value
        # bias factor of VanderWeele & Ding for equal strengths on both sides
        assert strength**2 / (2 * strength - 1) == pytest.approx(ratio)


def test_protective_ratios_are_turned_round():
    assert e_value(0.5).e_value == pytest.approx(e_value(2.0).e_value)
    found = e_value(0.5, ci_low=0.3, ci_high=0.9)
    assert found.e_value_interval == pytest.approx(e_value(1 / 0.9).e_value)
    assert e_value(0.8, ci_low=0.5, ci_high=1.2).e_value_interval == 1


def test_difference_of_means_becomes_a_ratio():
    found = e_value_of_difference(5, standard_error=2, sd=10)
    assert found.risk_ratio == pytest.approx(np.exp(0.91 * 0.5))
    assert e_value_of_difference(5, standard_error=5, sd=10).e_value_interval == 1


def test_at_the_tipping_point_the_mean_of_all_meets_the_line():
    for mean, line in ((8.0, 0.0), (8.0, 5.0), (-4.0, 0.0)):
        found = tipping_point(mean, sd=9.0, n=50, n_lost=14, line=line)
        assert (50 * mean + 14 * found.mean_for_estimate) / 64 == pytest.approx(line)
        error = 50 / 64 * 9.0 / np.sqrt(50)
        centre = (50 * mean + 14 * found.mean_for_interval) / 64
        reach = stats.t.ppf(0.975, 49) * error
        edge = centre - reach if mean > line else centre + reach
        assert edge == pytest.approx(line)
    undecided = tipping_point(1.0, sd=9.0, n=50, n_lost=14)
    assert np.isnan(undecided.mean_for_interval) and np.isnan(undecided.in_sd)
    check_result(found.table.columns)


def test_impossible_inputs_are_refused():
    with pytest.raises(ArgumentError, match="risk_ratio must be above zero"):
        e_value(0)
    with pytest.raises(ArgumentError, match="must lie on either side"):
        e_value(2, ci_low=3, ci_high=4)
    with pytest.raises(ArgumentError, match="n_lost must be a whole number of at least 1"):
        tipping_point(1, sd=1, n=10, n_lost=0)
