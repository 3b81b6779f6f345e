"""Units are converted by exact factors, and only where the catalogue allows it."""

import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.measures.units import convert, factor, spellings


@pytest.mark.parametrize(
    ("measure", "unit", "expected"),
    [
        # inch and pound: international yard and pound agreement of 1959; standard gravity 1901
        ("tragus_to_wall", "in", 2.54),
        ("tragus_to_wall", "mm", 0.1),
        ("grip_strength", "lb", 0.45359237),
        ("grip_strength", "N", 1 / 9.80665),
        ("pressure_pain_upper_trapezius", "kg/cm2", 98.0665),
        ("deep_neck_flexor_endurance", "min", 60.0),
        ("shoulder_flexion", "°", 1.0),
        ("shoulder_flexion", "", 1.0),
        ("shoulder_flexion", "rad", 57.29577951308232),
        ("vas", "cm", 10.0),
        ("ndi", "%", 1.0),
        ("ndi", "points", 2.0),
        ("ndi", "points of 50", 2.0),
        ("quickdash", "percent", None),
        ("shoulder_flexion", "cm", None),
        ("ndi", "furlong", None),
    ],
)
def test_factor(measure, unit, expected):
    assert factor(measure, unit) == (pytest.approx(expected) if expected is not None else None)


def test_grip_of_61_newton_is_the_printed_6_22_kg():
    # Schreuders et al., as quoted in BMC Musculoskelet Disord 2019: 61 N, 6.22 kg
    got = convert(pd.Series([61.0]), measure="grip_strength", unit="N")
    assert round(got[0], 2) == 6.22


def test_convert_refuses():
    with pytest.raises(ArgumentError, match="Give one of cm, mm, m, inch"):
        convert(pd.Series([1.0]), measure="tragus_to_wall", unit="deg")
    with pytest.raises(DataError, match="must be numbers"):
        convert(pd.Series(["1"]), measure="tragus_to_wall", unit="mm")


def test_spelling_is_lenient_about_case_and_stops():
    assert spellings("SECS.") == "s"
    assert spellings("points of 50") == "points of 50"
