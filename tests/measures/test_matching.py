"""A figure is matched by its conditions, converted openly, and never across mode or instrument."""

import numpy as np
import pytest

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.measures import measures
from outcomes.measures.matching import KINDS, all_thresholds, same_instrument, threshold

MDC = "minimal_detectable_change"
SEM = "standard_error_of_measurement"


def test_ninety_becomes_ninety_five_through_the_error():
    # Franchignoni 2014 prints 12.85 at 90%; 12.85 * 1.959964 / 1.644854 = 15.3117
    found = threshold("quickdash", kind=MDC)
    assert found.value == pytest.approx(15.3117, abs=1e-4)
    assert found.status == "derived"
    assert any("from 90% to 95%" in reason for reason in found.reasons)
    same = threshold("quickdash", kind=MDC, confidence=0.90)
    assert same.value == pytest.approx(12.85, rel=1e-12)
    assert (same.status, same.confidence) == ("read", 0.90)


def test_detectable_change_from_a_printed_error():
    # Johnson 2012: error 1.4 to 2.0 deg, detectable change 3.9 to 5.6 deg at 95%
    found = threshold("thoracic_rotation", kind=MDC, source="default")
    assert found.value == pytest.approx(5.6, abs=0.06)


def test_mode_is_refused_not_bridged():
    assert threshold("shoulder_flexion", kind=SEM, mode="active").mode == "active"
    assert threshold("shoulder_flexion", kind=SEM, mode="passive").mode == "passive"
    with pytest.raises(ArgumentError, match="johnson2012: active movement.*other_modes=True"):
        threshold("thoracic_rotation", kind=SEM, mode="passive")
    allowed = threshold("thoracic_rotation", kind=SEM, mode="passive", other_modes=True)
    assert any("mode differs" in reason for reason in allowed.reasons)


def test_instrument_is_refused_not_bridged():
    with pytest.raises(ArgumentError, match="other_instruments=True"):
        threshold("shoulder_abduction", kind=SEM, instrument="goniometer")
    taken = threshold(
        "shoulder_abduction", kind=SEM, instrument="goniometer", other_instruments=True
    )
    assert any("instrument differs" in reason for reason in taken.reasons)
    fits = threshold("shoulder_abduction", kind=SEM, instrument="inclinometer 2", mode="active")
    assert fits.source == "kolber2011"


def test_unstated_instrument_is_taken_and_said():
    found = threshold("cervical_flexion", kind=MDC, instrument="inclinometer", rater="same rater")
    assert any("inclinometer" in reason for reason in found.reasons)


def test_rater_and_people_are_preferences():
    same = threshold("pectoralis_minor_tape", kind=SEM, rater="same rater")
    other = threshold("pectoralis_minor_tape", kind=SEM, rater="between raters")
    assert (same.value, other.value) == (0.41, 0.84)  # Rosa 2016
    found = threshold("nprs", kind="minimal_important_change", population="cervical radiculopathy")
    assert found.source == "youngia2010"
    elsewhere = threshold("dash", kind=MDC, population="violinists")
    assert any("Asked for: violinists" in reason for reason in elsewhere.reasons)


def test_source_can_be_named():
    found = threshold("ndi", kind="minimal_important_change", source="cleland2008")
    assert found.value == 19
    with pytest.raises(ArgumentError, match="Give one of: .*cleland2006"):
        threshold("ndi", kind="minimal_important_change", source="nobody1900")
    with pytest.raises(ArgumentError, match="Give one of"):
        threshold("sst", kind="minimal_important_change", source="franchignoni2014")


def test_doubtful_figures_must_be_named():
    free = threshold("shoulder_external_rotation", kind=SEM, mode="passive")
    assert free.source == "dewinter2004"
    named = threshold("shoulder_external_rotation", kind=SEM, source="dougherty2015")
    assert named.value == 31


def test_nothing_is_invented_and_the_message_names_what_there_is():
    with pytest.raises(ArgumentError, match=r"There is: intraclass correlation \(heuft2004\)"):
        threshold("tragus_to_wall", kind=MDC)
    with pytest.raises(ArgumentError, match=r"without its level \(negrete2010\)"):
        threshold("pull_up", kind=MDC)
    with pytest.raises(ArgumentError, match="Nothing is published about it"):
        threshold("uefs", kind=MDC)


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"kind": "sem"}, "kind must be one of"),
        ({"kind": MDC, "confidence": 95}, r"confidence must be in \(0, 1\), got 95"),
        ({"kind": MDC, "mode": "aktiv"}, "mode must be one of"),
        ({"kind": MDC, "rater": "me"}, "rater must be one of"),
    ],
)
def test_bad_arguments(given, match):
    with pytest.raises(ArgumentError, match=match):
        threshold("ndi", **given)


@pytest.mark.parametrize("code", sorted(measures()))
@pytest.mark.parametrize("kind", KINDS)
def test_every_table_is_whole(code, kind):
    table = all_thresholds(code, kind)
    check_result(table.columns)
    assert (table["value"] > 0).all()
    assert (table["value_low"] <= table["value"]).all()
    assert (np.diff(table["value"]) >= 0).all()
    assert set(table["unit"]) <= {measures()[code].unit}
    if len(table):
        best = threshold(code, kind=kind)
        assert (
            best.value
            == pytest.approx(table.loc[table["source"] == best.source, "value"].tolist()[0])
            or (table["source"] == best.source).sum() > 1
        )


def test_method_comparisons_are_no_error():
    # limits between an inclinometer and a radiograph are not the error of either
    assert all_thresholds("kyphosis_angle", SEM).empty


def test_same_instrument():
    assert same_instrument("Goniometer", "goniometer")
    assert same_instrument("inclinometer", "head-mounted inclinometer and compass")
    assert not same_instrument("tape", "phone photograph")
