"""Error from everyday visits: planted errors come back, and broken assumptions show as said."""

import numpy as np
import pandas as pd
import pytest
from evidence_scripts import load, stored

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.repeatability import error_from_routine_visits


def caseload(
    rng, *, clients=150, visits=8, session_sd=3.0, trial_sd=2.0, gain=25.0, carry=0.0, shift=0.0
):
    """Clients with two trials per visit on curved courses; one of two raters reads higher."""
    n = clients * visits * 2
    client, visit, trial = (i.ravel() for i in np.indices((clients, visits, 2)))
    start = rng.normal(130, 15, clients)
    course = rng.normal(gain, 8, clients)[:, None] * (1 - np.exp(-np.arange(visits) / 2.8))
    session = session_sd * rng.standard_normal((clients, visits))
    for v in range(1, visits):
        session[:, v] = carry * session[:, v - 1] + np.sqrt(1 - carry**2) * session[:, v]
    rater = rng.integers(0, 2, clients)
    level = start[:, None] + course + session + shift * rater[:, None]
    day = 7 * visit + rng.integers(-2, 3, (clients, visits))[client, visit]
    return pd.DataFrame(
        {
            "client": client,
            "episode": 1,
            "visit": visit + 1,
            "date": pd.Timestamp("2026-01-05") + pd.to_timedelta(day, unit="D"),
            "measure": "shoulder_flexion",
            "side": "left",
            "moment": "before",
            "trial": trial + 1,
            "value": level[client, visit] + trial_sd * rng.standard_normal(n),
            "unit": "deg",
            "instrument": "goniometer",
            "rater": np.array(["T1", "T2"])[rater[client]],
        }
    )


def by_method(readings, **options):
    table = error_from_routine_visits(readings, **options)
    return table[table["rater"] == "all"].set_index("method")


def test_planted_errors_come_back(rng):
    found = by_method(caseload(rng))
    check_result(error_from_routine_visits(caseload(rng)).columns)
    trial = found.loc["trials within a visit"]
    assert trial["ci_low"] < 2.0 < trial["ci_high"]
    visit = found.loc["scatter about each client's course"]
    assert visit["ci_low"] < np.sqrt(9 + 4 / 2) < visit["ci_high"]
    assert visit["unit"] == "deg"
    assert visit["n"] == 150
    model = found.loc["mixed model, course of each client"]
    assert model["estimate"] == pytest.approx(np.sqrt(11), rel=0.08)


def test_course_method_coverage(rng):
    held, true = 0, np.sqrt(9 + 4 / 2)
    for _ in range(20):
        readings = caseload(rng, clients=40, gain=10.0)
        row = by_method(readings).loc["scatter about each client's course"]
        held += row["ci_low"] <= true <= row["ci_high"]
    # 20 sets at 95%: expectation 19, standard deviation 1; four below.
    assert held >= 15


def test_each_rater_has_his_own_row(rng):
    readings = caseload(rng)
    second = readings["rater"] == "T2"
    readings.loc[second, "value"] += 4 * rng.standard_normal(int(second.sum()))
    table = error_from_routine_visits(readings)
    trials = table[table["method"] == "trials within a visit"].set_index("rater")["estimate"]
    assert trials["T1"] == pytest.approx(2.0, rel=0.1)
    assert trials["T2"] == pytest.approx(np.sqrt(4 + 16), rel=0.1)


def test_unchanged_clients(rng):
    still = caseload(rng, gain=0.0, clients=80)
    visits = still.drop_duplicates(["client", "visit"])
    rating = visits[visits["visit"] > 1].assign(measure="groc", value=0.0, side="midline", trial=1)
    readings = pd.concat([still, rating])
    # Courses differ with standard deviation 8 although their mean is zero: true change counts.
    row = by_method(readings).loc["short interval, no change reported"]
    assert row["estimate"] > np.sqrt(11)
    assert "true change among them is counted as error" in row["notes"]
    calm = caseload(rng, clients=80, gain=0.0)
    calm["value"] = 130 + 3 * rng.standard_normal((80, 8))[calm["client"], calm["visit"] - 1]
    row = by_method(pd.concat([calm, rating])).loc["short interval, no change reported"]
    assert row["ci_low"] < 3 < row["ci_high"]


def test_lasting_errors_are_seen_only_in_part(rng):
    found = by_method(caseload(rng, carry=0.4, trial_sd=0.01, gain=0.0, clients=400))
    part = found.loc["scatter about each client's course", "estimate"] / 3.0
    # Docstring: sqrt(1 - 4r/3 + r^2/3) for visits equally far apart.
    assert part == pytest.approx(np.sqrt(1 - 4 * 0.4 / 3 + 0.4**2 / 3), abs=0.04)


def test_jumps_of_the_true_state_are_counted_as_error(rng):
    readings = caseload(rng, gain=0.0)
    jump = 5 * rng.standard_normal((150, 8))
    readings["value"] += jump[readings["client"], readings["visit"] - 1]
    found = by_method(readings).loc["scatter about each client's course", "estimate"]
    assert found == pytest.approx(np.sqrt(11 + 25), rel=0.08)


def test_after_treatment_readings_are_left_out(rng):
    before = caseload(rng, clients=30)
    after = before.assign(moment="after", value=before["value"] + 20)
    one, both = (error_from_routine_visits(r) for r in (before, pd.concat([before, after])))
    pd.testing.assert_frame_equal(one, both)


def test_sides_instruments_and_modes_are_never_mixed(rng):
    left = caseload(rng, clients=40)
    right = left.assign(side="right", value=left["value"] + 30)
    other = left.assign(instrument="inclinometer", value=left["value"] - 12)
    table = error_from_routine_visits(pd.concat([left, right, other]))
    every = table[table["rater"] == "all"]
    course = every[every["method"] == "scatter about each client's course"]
    assert sorted(course["instrument"]) == ["goniometer", "inclinometer"]
    assert (course["estimate"] < 4.5).all()


def test_copied_readings_are_noted(rng):
    readings = caseload(rng, clients=10)
    readings["value"] = 130.0
    table = error_from_routine_visits(readings)
    assert (table["estimate"] == 0).all()
    assert table["notes"].str.contains("No error seen").all()


def test_nothing_to_go_by(rng):
    readings = caseload(rng, clients=3)
    with pytest.raises(DataError, match="repeated trials, three visits"):
        error_from_routine_visits(readings[(readings["visit"] == 1) & (readings["trial"] == 1)])
    with pytest.raises(DataError, match="must have the columns client, episode"):
        error_from_routine_visits(pd.DataFrame({"value": [1.0]}))
    with pytest.raises(DataError, match="must hold values with a visit and a date"):
        error_from_routine_visits(readings.assign(value=np.nan))
    with pytest.raises(ArgumentError, match="longest_gap_days must be above zero"):
        error_from_routine_visits(readings, longest_gap_days=0)


def test_stored_recovery_of_the_synthetic_caseload():
    result = stored("repeatability_routine_error")
    planted = {row["method"]: row for row in result["planted"]}
    trials = planted["trials within a visit"]
    assert 0.94 <= trials["coverage"] <= 0.965, trials
    assert abs(trials["relative_bias"]) < 0.01
    course = planted["scatter about each client's course"]
    assert 0.92 <= course["coverage"] <= 0.965, course
    assert abs(course["relative_bias"]) < 0.03
    broken = {row["broken"]: row for row in result["broken"]}
    assert -0.2 < broken["errors carry over, correlation 0.4"]["relative_bias"] < -0.1
    assert 0.03 < broken["courses twice as fast"]["relative_bias"] < 0.12


def test_small_rerun_of_the_recovery():
    rows = load("repeatability_routine_error").recover(seeds=1, clients=150)
    course = next(row for row in rows if row["method"].startswith("scatter"))
    assert abs(course["relative_bias"]) < 0.15
