"""The detectable change, against printed examples and against errors drawn at random."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.repeatability import (
    minimal_detectable_change,
    standard_error_of_measurement,
)

# Weir 2005, J Strength Cond Res 19:231, table 1, data set A: eight people, two trials.
WEIR_A = np.array(
    [[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]]
).T


def test_weir_2005_standard_error_and_minimal_difference():
    error = standard_error_of_measurement(WEIR_A, shift_is_error=False)
    assert error == pytest.approx(7.556927, abs=5e-7)  # printed: 7.6
    # Printed 20.947 rests on 1.96 in place of 1.959964.
    assert minimal_detectable_change(error) * 1.96 / 1.959964 == pytest.approx(20.947, abs=5e-4)


def test_jacobson_truax_1991_standard_error():
    # J Consult Clin Psychol 59:12: SD 7.5, reliability .80; 3.35, and 4.74 for the difference.
    error = standard_error_of_measurement(standard_deviation=7.5, reliability=0.8)
    assert error == pytest.approx(3.35, abs=5e-3)
    assert error * np.sqrt(2) == pytest.approx(4.74, abs=5e-3)


@pytest.mark.parametrize(("confidence", "ratio"), [(0.90, 2.326), (0.95, 2.772)])
def test_ratio_to_the_standard_error(confidence, ratio):
    # Normal quantiles 1.6449 and 1.9600 times sqrt(2).
    assert minimal_detectable_change(1.0, confidence=confidence) == pytest.approx(ratio, abs=5e-4)


@pytest.mark.parametrize(
    ("of", "weights"),
    [
        ("change", [1, -1]),
        ("side difference", [1, -1]),
        ("change of side difference", [1, -1, -1, 1]),
    ],
)
def test_error_alone_exceeds_it_five_times_in_a_hundred(rng, of, weights):
    trials, clients, repeats = 3, 2, 40_000
    draws = rng.normal(0, 4.0, (repeats, len(weights), trials, clients)).mean(axis=(2, 3))
    limit = minimal_detectable_change(4.0, trials=trials, of=of, clients=clients)
    assert (np.abs(draws @ weights) > limit).mean() == pytest.approx(0.05, abs=0.004)


def test_within_client_error_equals_one_way_analysis_of_variance(rng):
    table = rng.normal(0, 2, (6, 3)) + rng.normal(0, 9, (6, 1))
    table[1, 2] = np.nan
    table[4, 1:] = np.nan
    long = pd.DataFrame(table).stack().dropna()
    left = long - long.groupby(level=0).transform("mean")
    used = long.groupby(level=0).size()
    expected = np.sqrt((left**2).sum() / (used - 1).sum())
    assert standard_error_of_measurement(table) == pytest.approx(expected, rel=1e-12)


def test_shapes_are_kept():
    series = pd.Series([1.0, 2.0], index=["a", "b"])
    assert isinstance(minimal_detectable_change(series), pd.Series)
    assert list(minimal_detectable_change(series).index) == ["a", "b"]
    assert minimal_detectable_change(np.ones((2, 3))).shape == (2, 3)
    assert isinstance(minimal_detectable_change(np.float64(2)), float)
    assert standard_error_of_measurement(
        standard_deviation=[5.0, 6.0], reliability=0.75
    ) == pytest.approx([2.5, 3.0])


def test_negative_reliability_is_used_as_estimated():
    error = standard_error_of_measurement(standard_deviation=2.0, reliability=-0.21)
    assert error == pytest.approx(2.2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: minimal_detectable_change(3.0, confidence=95), r"confidence must be in \(0, 1\)"),
        (lambda: minimal_detectable_change(3.0, trials=0), "trials must be a whole number"),
        (lambda: minimal_detectable_change(3.0, clients=1.5), "clients must be a whole number"),
        (lambda: minimal_detectable_change(3.0, of="sum"), "of must be one of"),
        (lambda: minimal_detectable_change(-1.0), "must be zero or more, got -1.0"),
        (lambda: minimal_detectable_change("x"), "must be a number or an array"),
        (lambda: standard_error_of_measurement(), "one source, got none"),
        (
            lambda: standard_error_of_measurement(WEIR_A, reliability=0.5),
            "one source, got two",
        ),
        (lambda: standard_error_of_measurement(reliability=0.5), "must be given together"),
        (
            lambda: standard_error_of_measurement(standard_deviation=1.0, reliability=1.2),
            "reliability must lie between -1 and 1, got 1.2",
        ),
    ],
)
def test_arguments_outside_their_rule(call, message):
    with pytest.raises(ArgumentError, match=message):
        call()


@pytest.mark.parametrize(
    ("trials", "options", "message"),
    [
        ([1.0, 2.0], {}, "one row per client and two or more trials"),
        ([[1.0], [2.0]], {}, "one row per client and two or more trials"),
        ([["a", "b"]], {}, "table of numbers"),
        ([[1.0, np.nan], [np.nan, 2.0]], {}, "two or more readings of at least one client"),
        ([[1.0, np.inf]], {}, "trials must be finite; 1 of 1 rows does not"),
        ([[1.0, np.nan], [1.0, 2.0]], {"shift_is_error": False}, "must be complete; 1 of 2"),
        ([[1.0, 2.0]], {"shift_is_error": False}, "two or more clients"),
    ],
)
def test_trials_that_cannot_be_used(trials, options, message):
    with pytest.raises(DataError, match=message):
        standard_error_of_measurement(trials, **options)


def test_missing_standard_errors_are_refused_with_their_rows():
    with pytest.raises(DataError, match="1 of 3 rows does not") as caught:
        minimal_detectable_change([1.0, np.nan, 2.0])
    assert caught.value.rows == (1,)
