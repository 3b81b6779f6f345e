"""Measurement error against the knee-goniometer study, designs, and planted truth."""

import numpy as np
import pandas as pd
import pytest
from evidence_scripts import load, stored
from knee import knee_readings
from scipy.stats import chi2

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.repeatability import (
    averaging_table,
    error_table,
    intraclass_correlation,
    measurement_error,
    minimal_detectable_change,
)
from outcomes.statistics.repeatability.error_design import comparison


@pytest.fixture(scope="module")
def knee():
    return measurement_error(knee_readings(), unit="deg")


# Eliasziw et al. 1994, Phys Ther 74:777. Digits beyond the printed ones: recomputed by the
# formulas of the paper with an independent program.


def test_knee_components(knee):
    assert knee.components["estimate"].tolist() == pytest.approx(
        [51.379995, 0.915435, 1.214833, 0.856322], abs=5e-7
    )
    assert knee.components["term"].tolist() == ["client", "rater", "client x rater", "residual"]


@pytest.mark.parametrize(
    ("design", "expected"),
    [
        ({}, 0.925376593),
        ({"rater": "other"}, 1.728175349),
        ({"rater": "other", "raters_are": "fixed"}, 1.439150756),
    ],
)
def test_knee_standard_errors(knee, design, expected):
    assert knee.standard_error(**design).estimate == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(
    ("design", "expected"),
    [
        ({}, 0.984249115),
        ({"raters_are": "fixed"}, 0.983979356),
        ({"rater": "other"}, 0.945065704),
        ({"rater": "other", "raters_are": "fixed"}, 0.961251443),
    ],
)
def test_knee_reliability(knee, design, expected):
    assert knee.reliability(**design).estimate == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(("raters_are", "expected"), [("random", 0.853592), ("fixed", 0.935357)])
def test_knee_one_sided_lower_limits_between_raters(raters_are, expected):
    ninety = measurement_error(knee_readings(), confidence=0.90)
    found = ninety.reliability(rater="other", raters_are=raters_are)
    assert found.ci_low == pytest.approx(expected, abs=1e-6)


def test_knee_f_statistics():
    # F of the paper against the hypothesised reliability 0.6 (between) and 0.8 (within raters).
    squares = measurement_error(knee_readings())._squares.mean_squares
    client, between = squares[0], squares[2]
    assert client / between * (1 - 0.6) / (1 + 0.6) == pytest.approx(17.3735, abs=5e-5)


def test_residual_interval_is_exact_chi_square(knee):
    row = knee.components.iloc[-1]
    df = 29 * 2 * 2
    expected = row["estimate"] * df / chi2.ppf([0.975, 0.025], df)
    assert [row["ci_low"], row["ci_high"]] == pytest.approx(expected, rel=1e-10)
    assert "exact chi-square" in row["method"]


def test_detectable_change_follows_the_standard_error(knee):
    error, change = knee.standard_error(trials=2), knee.detectable_change(trials=2)
    assert change.estimate == pytest.approx(minimal_detectable_change(error.estimate))
    assert change.ci_high == pytest.approx(minimal_detectable_change(error.ci_high))
    side = knee.detectable_change(of="change of side difference", confidence=0.9)
    assert side.estimate == pytest.approx(2 * 1.644854 * 0.925377, abs=1e-5)


def test_one_trial_of_two_raters_agrees_with_the_intraclass_correlation():
    table = np.array([[60, 63], [71, 70], [82, 86], [55, 59], [90, 94.0]])
    long = pd.DataFrame(table).stack().rename_axis(["client", "rater"]).rename("value")
    found = measurement_error(long.reset_index()).reliability(rater="other")
    row = intraclass_correlation(table).set_index("form").loc["ICC(A,1)"]
    assert found.estimate == pytest.approx(row["estimate"], rel=1e-8)
    assert (found.ci_low, found.ci_high) == pytest.approx((row["ci_low"], row["ci_high"]), rel=1e-6)


@pytest.mark.parametrize(
    ("design", "counted"),
    [
        ({}, {"residual"}),
        ({"rater": "other"}, {"rater", "client x rater", "rater x session", "residual"}),
        ({"session": "other"}, {"session", "client x session", "rater x session", "residual"}),
        ({"rater": "other", "raters_are": "fixed"}, {"client x rater", "residual"}),
    ],
)
def test_which_components_count(design, counted):
    terms = [("client",), ("rater",), ("session",), ("client", "rater"), ("client", "session")]
    terms += [("rater", "session"), ("residual",)]
    weights = comparison(**design).weights(terms)
    assert {" x ".join(t) for t, w in zip(terms, weights, strict=True) if w} == counted


def test_error_between_recorded_values_is_what_simulation_shows(rng):
    # Mean of 3 trials by 2 raters, other raters the second time: half the variance of differences.
    sd = {"rater": 2.0, "client x rater": 1.5, "residual": 3.0}
    sets = 60_000

    def recorded():
        raters = sd["rater"] * rng.standard_normal((sets, 2, 1))
        habit = sd["client x rater"] * rng.standard_normal((sets, 2, 1))
        trials = sd["residual"] * rng.standard_normal((sets, 2, 3))
        return (raters + habit + trials).mean(axis=(1, 2))

    half = np.var(recorded() - recorded()) / 2
    terms = [("client",), ("rater",), ("client", "rater"), ("residual",)]
    weights = comparison(rater="other", raters=2, trials=3).weights(terms)
    expected = weights @ np.array([99.0, sd["rater"] ** 2, sd["client x rater"] ** 2, 9.0])
    assert half == pytest.approx(expected, rel=0.03)


def test_days_of_each_client_are_found_to_be_nested(rng):
    client = np.repeat(np.arange(8), 6)
    day = np.repeat(np.arange(24), 2)  # never reused
    value = 10 * rng.normal(size=8)[client] + 3 * rng.normal(size=24)[day] + rng.normal(size=48)
    readings = pd.DataFrame({"client": client, "session": day, "value": value})
    found = measurement_error(readings)
    assert found.components["term"].tolist() == ["client", "client x session", "residual"]
    assert "of its own per client" in found.design
    reused = readings.assign(session=day % 3)
    named = measurement_error(reused, nested=["session"])
    assert named.components["estimate"].tolist() == pytest.approx(
        found.components["estimate"].tolist(), rel=1e-8
    )


def test_trials_as_a_factor_show_a_warm_up(rng):
    client, trial = (i.ravel() for i in np.indices((12, 3)))
    value = 20 * rng.normal(size=12)[client] + 4.0 * trial + rng.normal(size=36)
    readings = pd.DataFrame({"client": client, "trial": trial, "value": value})
    found = measurement_error(readings, trial_effects=True).components.set_index("term")
    assert found.loc["trial", "estimate"] > 10
    assert found.loc["residual", "estimate"] < 3


def test_unbalanced_profile_interval_is_close_to_the_exact_one():
    full = measurement_error(knee_readings()).standard_error()
    holes = measurement_error(knee_readings().drop(index=[3, 50, 77])).standard_error()
    assert "profile likelihood" in holes.method
    assert (holes.ci_low, holes.ci_high) == pytest.approx((full.ci_low, full.ci_high), rel=0.03)


def test_component_at_zero_is_noted():
    table = np.array([[10, 12], [20, 18], [30, 32], [40, 38.0], [50, 50]])
    long = pd.DataFrame(table).stack().rename_axis(["client", "rater"]).rename("value")
    found = measurement_error(long.reset_index())
    assert any("Estimated at the bound of zero: rater." in note for note in found.notes)
    assert np.isfinite(found.components[["estimate", "ci_low", "ci_high"]].to_numpy()).all()


def test_clients_who_do_not_differ():
    readings = pd.DataFrame(
        {"client": list("aabbccddee"), "value": [1, 2, 2, 1, 1, 2, 2, 1, 1, 2.0]}
    )
    found = measurement_error(readings)
    assert found.components.loc[0, "estimate"] == 0
    assert found.reliability().estimate == 0


def test_few_clients_are_noted():
    found = measurement_error(pd.DataFrame({"client": list("aabb"), "value": [1, 2, 5, 7.0]}))
    assert "Only 2 clients" in " ".join(found.notes)


def test_tables_of_errors(knee):
    table = error_table(knee)
    check_result(table.columns)
    one = table.set_index(["question", "quantity"])["estimate"]
    assert one["same rater, same session", "minimal detectable change"] == pytest.approx(
        2.5650, abs=5e-5
    )
    group = one["same rater, same session", "minimal detectable change, mean of 10 clients"]
    assert group == pytest.approx(2.564966 / np.sqrt(10), abs=1e-5)
    assert not any(table["question"].str.contains("another session"))


def test_averaging_says_whether_a_rater_or_a_trial_buys_more(knee):
    table = averaging_table(knee, trials=[1, 2], raters=[1, 2], rater="other")
    check_result(table.columns)
    by = table.set_index(["raters_averaged", "trials_averaged"])["minimal_detectable_change"]
    # Raters differ more than trials here, so a second rater buys more than a second trial.
    assert by[2, 1] < by[1, 2] < by[1, 1]
    assert by[2, 1] == pytest.approx(by[1, 1] / np.sqrt(2))


def test_glossary_defines_the_components(knee):
    check_result(knee.components.columns)
    check_result(knee.table.columns)


SINGLE = pd.DataFrame(
    {"client": list("aabbcc"), "rater": list("rsrsrs"), "value": [1, 2, 4, 6, 7, 9.0]}
)


@pytest.mark.parametrize(
    ("design", "message"),
    [
        ({}, "repeated by the same rater in the same session"),
        ({"session": "other"}, "two or more sessions"),
        ({"rater": "other", "trials": 2}, "repeated trials to tell what averaging trials gains"),
    ],
)
def test_comparisons_that_a_study_cannot_tell(design, message):
    with pytest.raises(DataError, match=message):
        measurement_error(SINGLE).standard_error(**design)


def test_one_rater_cannot_tell_about_others():
    one = measurement_error(pd.DataFrame({"client": list("aabbcc"), "value": [1, 2, 4, 6, 7, 9.0]}))
    with pytest.raises(DataError, match="two or more raters to tell the error of another"):
        one.standard_error(rater="other")
    with pytest.raises(DataError, match="averaging raters"):
        one.standard_error(raters=2)
    with pytest.raises(ArgumentError, match="rater must be one of"):
        one.standard_error(rater="any")


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ({"client": [1, 2, 3], "value": [1.0, 2, 3]}, "must be repeated; every client has one"),
        ({"client": [1, 1, 1], "value": [1.0, 2, 3]}, "two or more clients"),
        ({"client": [1, 1, 2, 2], "value": [3.0] * 4}, "must vary; all are equal"),
        ({"client": [1, 1, 2, 2], "value": [3.0, 3, 5, 5]}, "must differ somewhere"),
        ({"client": [1, 1, 2], "value": [1.0, np.nan, 2]}, "value must be a finite number; 1 of 3"),
        ({"client": [1, None, 2], "value": [1.0, 2, 2]}, "client must be filled in; 1 of 3"),
        ({"client": [1, 1, 2], "trial": [1, 1, 1], "value": [1.0, 3, 2]}, "Number the trials"),
        ({"value": [1.0, 2]}, "must have the column client"),
        (
            {"client": [1, 1, 2], "value": [1.0, 2, 4], "measure": ["a", "b", "a"]},
            "must be of one measure",
        ),
    ],
)
def test_readings_that_cannot_be_used(readings, message):
    with pytest.raises(DataError, match=message):
        measurement_error(pd.DataFrame(readings))


def test_all_faults_are_listed_at_once():
    readings = pd.DataFrame({"client": [1, None, 1], "value": [1.0, 2, np.nan]})
    with pytest.raises(DataError, match="(?s)2 faults found.*1\\. value.*2\\. client|3 faults"):
        measurement_error(readings)


def test_stored_coverage():
    result = stored("repeatability_measurement_error_coverage")
    assert {row["sets"] for row in result["balanced"]} == {10_000}
    for row in result["balanced"]:
        exact = row["comparison"].startswith("same rater, same session")
        low, high = (0.945, 0.955) if exact else (0.935, 0.975)
        assert low <= row["coverage"] <= high, row
    for row in result["unbalanced"]:
        # 500 sets: simulation error 1 point.
        assert 0.92 <= row["coverage"] <= 0.985, row


def test_small_rerun_of_the_coverage_simulation(rng):
    for row in load("repeatability_measurement_error_coverage").balanced(rng, 400):
        assert row["coverage"] > 0.90, row
