"""The defaults follow from what is printed, and say how."""

from math import sqrt

import pytest

from outcomes.measures import default_error, default_importance, measures


@pytest.mark.parametrize(
    ("code", "printed", "z"),
    [
        # detectable changes as printed, and the normal quantile of their level
        ("quickdash", 12.85, 1.6448536),  # Franchignoni 2014, 90%
        ("dash", 10.81, 1.6448536),  # Franchignoni 2014, 90%
        ("uefi15", 8.1, 1.6448536),  # Hamilton & Chesworth 2013, 90%
        ("nprs", 4.0, 1.9599640),  # Kovacs 2008, 95%
        ("grip_strength", 6.22, 1.9599640),  # Schreuders, 95%
        ("shoulder_internal_rotation", 13.3, 1.9599640),  # Arch Physiother 2020, 95%
        ("shoulder_abduction", 19.6, 1.9599640),  # de Winter 2004, limits of agreement
        ("ndi", 2 * 10.2, 1.6448536),  # Young 2009, points of 50 doubled
    ],
)
def test_error_gives_the_printed_change_back(code, printed, z):
    error = default_error(code)
    assert error.value * z * sqrt(2) == pytest.approx(printed, rel=1e-6)
    assert error.status == "derived"
    assert any("Derived" in reason for reason in error.reasons)


def test_printed_error_agrees_with_the_detectable_change_printed_beside_it():
    # Fletcher & Bandy 2008: error up to 4.1 deg, detectable change up to 9.6 deg (flexion)
    assert default_error("cervical_flexion").value == pytest.approx(4.1, abs=0.05)
    # Woby 2005 gives 2.54 points; Dupuis 2023 gives 7.0 points at 95%
    assert default_error("tsk11").value * 1.96 * sqrt(2) == pytest.approx(7.0, abs=0.05)
    # Gabel 2006: 4.5 percent and 10.4 at 90%
    assert default_error("ulfi").value * 1.645 * sqrt(2) == pytest.approx(10.4, abs=0.1)


@pytest.mark.parametrize("code", sorted(measures()))
def test_defaults_are_in_the_unit_and_explained(code):
    for threshold in (default_error(code), default_importance(code)):
        if threshold is not None:
            assert threshold.unit == measures()[code].unit
            assert threshold.value > 0
            assert threshold.reasons and all(r.endswith((".", "?")) for r in threshold.reasons)
            assert threshold.citation


@pytest.mark.parametrize(
    "code",
    [
        "shoulder_extension",
        "combined_elevation",
        "tragus_to_wall",
        "pull_up",  # detectable change printed without its level
        "craniovertebral_angle",  # likewise
        "sst",
    ],
)
def test_nothing_is_invented(code):
    assert default_error(code) is None


def test_memory_is_said():
    assert any("from memory" in reason for reason in default_error("psfs").reasons)
    assert any("from memory" in reason for reason in default_importance("uefi20").reasons)
