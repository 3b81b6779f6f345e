"""Planning a repeatability study: exact against simulated, and the sheet."""

import numpy as np
import pytest

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.repeatability import (
    clients_needed,
    measurement_error,
    minimal_detectable_change,
    recording_sheet,
    simulate_precision,
    study_precision,
)


def test_interval_of_a_standard_deviation_by_tables():
    # Chi-square table, 20 df: 9.591 and 34.170 (any textbook).
    row = study_precision(clients=20, raters=1, trials=2).iloc[0]
    assert row["df"] == 20
    assert row["expected_low"] == pytest.approx(np.sqrt(20 / 34.170), abs=1e-4)
    assert row["expected_high"] == pytest.approx(np.sqrt(20 / 9.591), abs=1e-4)


def test_chance_to_be_within_twenty_per_cent_is_what_simulation_shows(rng):
    errors = np.sqrt(rng.chisquare(48, 200_000) / 48)
    exact = study_precision(clients=24, raters=2, trials=2)["share"].iloc[0]
    assert (np.abs(errors - 1) <= 0.2).mean() == pytest.approx(exact, abs=2e-3)


def test_chance_for_the_detectable_change_itself(rng):
    table = 5 * rng.standard_normal((20_000, 24, 2))
    error = np.sqrt(table.var(axis=2, ddof=1).mean(axis=1))
    change = minimal_detectable_change(error)
    close = np.abs(change / minimal_detectable_change(5.0) - 1) <= 0.2
    exact = study_precision(clients=24, trials=2)["share"].iloc[0]
    assert close.mean() == pytest.approx(exact, abs=0.012)


def test_clients_needed_are_the_fewest():
    table = clients_needed(raters=[1, 2], trials=[2, 3])
    check_result(table.columns)
    assert (table["share"] >= 0.95).all()
    for row in table.itertuples():
        fewer = study_precision(clients=row.n - 1, raters=row.n_raters, trials=row.trials_averaged)
        assert fewer["share"].iloc[0] < 0.95


def test_simulation_agrees_with_the_exact_answer(rng):
    table = simulate_precision(
        rng,
        clients=20,
        raters=2,
        trials=2,
        rater_sd=2.0,
        client_rater_sd=1.0,
        trial_sd=3.0,
        repeats=8000,
    )
    check_result(table.columns)
    exact = study_precision(clients=20, raters=2, trials=2)["share"].iloc[0]
    # Four standard errors of 8,000 studies.
    assert table.loc[0, "share"] == pytest.approx(exact, abs=0.014)
    assert table.loc[1, "standard_error_of_measurement"] == pytest.approx(np.sqrt(14))


def test_other_rater_error_needs_raters_not_clients(rng):
    spread = {"rater_sd": 2.0, "client_rater_sd": 1.0, "trial_sd": 2.0, "repeats": 2000}
    few = simulate_precision(rng, clients=60, raters=2, trials=2, **spread)
    many = simulate_precision(rng, clients=15, raters=8, trials=2, **spread)
    assert many.loc[1, "share"] > few.loc[1, "share"] + 0.1


def test_sheet_holds_every_reading_once_in_rounds(rng):
    sheet = recording_sheet(
        rng,
        clients=[f"c{i}" for i in range(9)],
        raters=["r", "s", "t"],
        trials=2,
        sessions=2,
        sides=["left", "right"],
        measure="shoulder_flexion",
    )
    check_result(sheet.columns)
    assert len(sheet) == 9 * 3 * 2 * 2 * 2
    assert not sheet.duplicated(["session", "trial", "client", "rater", "side"]).any()
    assert sheet["value"].isna().all()
    rounds = sheet["session"] * 10 + sheet["trial"]
    assert rounds.is_monotonic_increasing  # nobody twice before everybody once
    first = sheet.groupby(["session", "trial", "client"], sort=False)["rater"].first()
    assert set(first.groupby(["session", "trial"]).value_counts()) == {3}


def test_sheet_is_random_and_repeatable():
    def order(seed):
        rng = np.random.default_rng(seed)
        return recording_sheet(rng, clients=list("abcdefgh"), raters=["r", "s"])["client"].tolist()

    assert order(1) == order(1)
    assert order(1) != order(2)
    assert order(1)[:16] != order(1)[16:]


def test_filled_sheet_goes_straight_into_the_analysis(rng):
    sheet = recording_sheet(rng, clients=list("abcdef"), raters=["r", "s"], trials=2)
    filled = sheet.assign(value=100 + rng.normal(0, 3, len(sheet)))
    assert measurement_error(filled).design.startswith(
        "6 clients x 2 raters, 24 readings, balanced"
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: study_precision(clients=0), "clients must be a whole number"),
        (
            lambda: study_precision(clients=5, trials=1),
            "trials must be a whole number of at least 2",
        ),
        (lambda: study_precision(clients=5, within=20), r"within must be in \(0, 1\)"),
        (lambda: clients_needed(chance=95), "chance must be in"),
        (
            lambda: simulate_precision(
                np.random.default_rng(0),
                clients=5,
                raters=1,
                trials=2,
                rater_sd=1,
                client_rater_sd=1,
                trial_sd=1,
            ),
            "raters must be a whole number of at least 2",
        ),
        (
            lambda: recording_sheet(np.random.default_rng(0), clients=["a", "a"], raters=["r"]),
            "clients must be 2 or more different codes, got 2 codes of which 1",
        ),
        (
            lambda: recording_sheet(
                np.random.default_rng(0), clients=["a", "b"], raters=["r"], trials=1
            ),
            "must repeat readings",
        ),
    ],
)
def test_arguments_outside_their_rule(call, message):
    with pytest.raises(ArgumentError, match=message):
        call()
