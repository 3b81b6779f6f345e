"""Slopes against the closed form and the project's own fits; single-case designs."""

import json
from pathlib import Path

import numpy as np
import pytest

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.planning import (
    Course,
    clients_for_slope,
    power_slope,
    simulate_slope,
    single_case_power,
    slope_standard_error,
)
from outcomes.statistics.planning.simulation import study

COURSE = Course(
    weeks=(0, 1, 2, 3, 4, 6), intercept_sd=10, slope_sd=1.5, error_sd=7, correlation=-0.3
)
STOPPING = Course(
    weeks=(0, 1, 2, 3, 4, 6), intercept_sd=10, slope_sd=1.5, error_sd=7, stopping=0.15
)
EVIDENCE = Path(__file__).parents[2] / "evidence" / "results" / "planning_simulations.json"


def test_with_all_visits_kept_it_is_the_closed_form():
    times = np.array(COURSE.weeks)
    expected = (1.5**2 + 49 / ((times - times.mean()) ** 2).sum()) / 30
    assert slope_standard_error(30, course=COURSE) == pytest.approx(np.sqrt(expected), rel=1e-10)


def test_visits_that_stop_are_drawn_as_supposed():
    rng = np.random.default_rng(1)
    data = study(4000, 0.5, STOPPING, rng, groups=2)
    kept = data.groupby("client").size().value_counts(normalize=True)
    assert kept[1] == pytest.approx(0.15, abs=0.01)
    assert kept[6] == pytest.approx(0.85**5, abs=0.015)
    first = data.groupby("client").first()
    assert first["value"].std() == pytest.approx(np.sqrt(149), rel=0.03)
    assert data["arm"].mean() == pytest.approx(0.5, abs=0.01)


def test_standard_error_is_that_of_our_own_fits_with_visits_missed():
    rng = np.random.default_rng(2)
    found = simulate_slope(60, slope=1.0, course=STOPPING, rng=rng, studies=40).iloc[0]
    planned = slope_standard_error(60, course=STOPPING)
    assert found["standard_error"] == pytest.approx(planned, rel=0.06)
    assert found["mean"] == pytest.approx(1.0, abs=4 * planned / np.sqrt(40))
    check_result(found.index)


def test_stored_simulations_confirm_power_and_coverage():
    stored = json.loads(EVIDENCE.read_text())
    assert stored["studies"] == 5000
    for row in stored["slopes"]:
        course = Course(**{**row["course"], "weeks": tuple(row["course"]["weeks"])})
        planned = power_slope(row["n"], slope=row["slope"], course=course, groups=row["groups"])
        assert abs(planned - row["power"]) <= 0.012  # two simulation errors at 5,000 studies
        planned_error = slope_standard_error(row["n"], course=course) * np.sqrt(row["groups"])
        assert row["sd"] == pytest.approx(planned_error, rel=0.035)
        assert 0.94 <= row["coverage"] <= 0.96
        assert row["share_not_fitted"] == 0


def test_plan_is_the_smallest_with_its_power():
    for groups in (1, 2):
        plan = clients_for_slope(slope=1.0, course=STOPPING, groups=groups)
        n = plan.n_per_group
        assert power_slope(n, slope=1.0, course=STOPPING, groups=groups) >= 0.8
        assert power_slope(n - 1, slope=1.0, course=STOPPING, groups=groups) < 0.8
    assert (
        clients_for_slope(slope=1.0, course=STOPPING).n
        > clients_for_slope(slope=1.0, course=COURSE).n
    )


def test_single_case_test_keeps_its_level_under_serial_correlation():
    rng = np.random.default_rng(3)
    for rho in (0.0, 0.6):
        found = single_case_power(
            3, readings=15, effect=0, serial_correlation=rho, rng=rng, studies=2000, draws=199
        ).iloc[0]
        assert found["power"] == pytest.approx(0.05, abs=0.016)
    check_result(found.index)


def test_single_case_power_grows_with_effect_readings_and_clients():
    rng = np.random.default_rng(4)

    def power(clients, readings, effect):
        return single_case_power(
            clients, readings=readings, effect=effect, rng=rng, studies=600, draws=199
        )["power"].item()

    base = power(3, 15, 1.0)
    assert power(3, 15, 2.0) > base + 0.1
    assert power(6, 15, 1.0) > base + 0.1
    assert power(3, 40, 1.0) > base + 0.1


def test_one_client_with_few_starts_can_show_nothing():
    rng = np.random.default_rng(5)
    found = single_case_power(1, readings=12, effect=9, rng=rng, studies=100, draws=199).iloc[0]
    assert found["starts"] == 7 and found["smallest_p"] == pytest.approx(1 / 7)
    assert found["power"] == 0


def test_impossible_plans_are_refused():
    with pytest.raises(ArgumentError, match="weeks must hold at least two different times"):
        Course(weeks=(1, 1), intercept_sd=1, slope_sd=1, error_sd=1)
    with pytest.raises(ArgumentError, match="error_sd must be above zero"):
        Course(weeks=(0, 1), intercept_sd=1, slope_sd=1, error_sd=0)
    with pytest.raises(ArgumentError, match="slope must be a number other than 0"):
        clients_for_slope(slope=0, course=COURSE)
    with pytest.raises(ArgumentError, match="groups must be 1 or 2, got 3"):
        power_slope(10, slope=1, course=COURSE, groups=3)
    with pytest.raises(ArgumentError, match="must allow at least 2 starts"):
        single_case_power(1, readings=6, effect=1, rng=np.random.default_rng(1))


def test_a_design_that_cannot_reach_the_level_has_no_power():
    """One client with 15 possible starts: the smallest exact p-value is 1/15, above 0.05."""
    rng = np.random.default_rng(5)
    found = single_case_power(1, readings=20, effect=9, rng=rng, studies=200).iloc[0]
    assert found["starts"] == 15 and found["smallest_p"] == pytest.approx(1 / 15)
    assert found["power"] == 0
    two = single_case_power(2, readings=20, effect=9, rng=rng, studies=200).iloc[0]
    assert two["smallest_p"] == pytest.approx(1 / 225) and two["power"] > 0.9
