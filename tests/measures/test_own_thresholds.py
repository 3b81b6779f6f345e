"""The clinic's own file is read strictly, written back whole, and goes before publications."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.errors import ArgumentError, DataError
from outcomes.measures.own_thresholds import (
    OwnThreshold,
    read_own_thresholds,
    threshold_lines,
    write_own_thresholds,
)
from outcomes.measures.resolve import resolve_error, resolve_importance

SEM = "standard_error_of_measurement"
MIC = "minimal_important_change"


def own(**more) -> OwnThreshold:
    return OwnThreshold(**{"measure": "shoulder_flexion", "kind": SEM, "value": 3.0, **more})


def write(tmp_path, text):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_round_trip(tmp_path):
    entries = (
        own(
            ci_low=2.5,
            ci_high=3.8,
            rater="same rater",
            mode="active",
            instrument="goniometer",
            design="20 clients, 2 raters",
            n=20,
            date=date(2026, 5, 2),
            unit="deg",
        ),
        own(measure="ndi", kind=MIC, value=12.0, unit="percent"),
    )
    path = tmp_path / "own.toml"
    write_own_thresholds(path, entries)
    assert read_own_thresholds(path) == entries


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_text_survives_the_file(tmp_path_factory, instrument, design):
    path = tmp_path_factory.mktemp("own") / "own.toml"
    entry = own(instrument=instrument, design=design, unit="deg")
    write_own_thresholds(path, [entry])
    assert read_own_thresholds(path) == (entry,)


def test_units_are_brought_to_the_measures_own(tmp_path):
    path = write(
        tmp_path,
        '[[threshold]]\nmeasure="ndi"\nkind="minimal_important_change"\nvalue=6\nci_low=4\n'
        'ci_high=8\nunit="points of 50"\n',
    )
    (entry,) = read_own_thresholds(path)
    assert (entry.value, entry.ci_low, entry.ci_high, entry.unit) == (12, 8, 16, "percent")


@pytest.mark.parametrize(
    ("lines", "match"),
    [
        ("value = 3", "must give its measure"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue="x"', "value as a number above"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=-1', "value as a number above"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=nan', "value as a number above"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=true', "value as a number above"),
        ('measure="ndy"\nkind="minimal_important_change"\nvalue=1', "Did you mean ndi"),
        ('measure="ndi"\nkind="sem"\nvalue=1', "kind one of standard_error_of_measurement"),
        ('measure="ndi"\nkind="minimal_detectable_change"\nvalue=1', "Add confidence = 0.95"),
        (
            'measure="ndi"\nkind="minimal_detectable_change"\nvalue=1\nconfidence=95',
            "Write 0.95 for 95%",
        ),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=1\nunit="deg"', "Use percent"),
        (
            'measure="ndi"\nkind="minimal_important_change"\nvalue=9\nci_low=1\nci_high=2',
            "between ci_low and ci_high",
        ),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=9\nsem=1', "must not have sem"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=9\nn=2.5', "whole number"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=9\ndate="May"', "date as 2026"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=9\nmode="aktiv"', "mode one of"),
        ('measure="ndi"\nkind="minimal_important_change"\nvalue=9\nrater=3', "rater as text"),
    ],
)
def test_each_fault_has_its_message(tmp_path, lines, match):
    path = write(tmp_path, "[[threshold]]\n" + lines + "\n")
    with pytest.raises(DataError, match=match):
        read_own_thresholds(path)


def test_all_faults_come_at_once(tmp_path):
    path = write(
        tmp_path,
        'colour = 1\n[[threshold]]\nmeasure = "ndi"\n[[threshold]]\n'
        'measure="dash"\nkind="x"\nvalue=1\n',
    )
    with pytest.raises(DataError, match=r"(?s)4 faults.*colour.*1 must give its kind.*threshold 2"):
        read_own_thresholds(path)


@pytest.mark.parametrize("text", ["", "threshold = 3", "[[threshold", "[threshold]\nvalue = 1"])
def test_other_files_are_refused(tmp_path, text):
    with pytest.raises(DataError, match="threshold file must"):
        read_own_thresholds(write(tmp_path, text))


def test_unreadable_files_are_refused(tmp_path):
    with pytest.raises(DataError, match="must be readable; none.toml is not"):
        read_own_thresholds(tmp_path / "none.toml")
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DataError, match="TOML in UTF-8"):
        read_own_thresholds(path)


def test_own_error_goes_first_and_says_so():
    found = resolve_error("shoulder_flexion", own_thresholds=[own(n=20, design="afternoon")])
    assert (found.value, found.status) == (3.0, "own study")
    assert found.reasons[0].startswith("Measured in this clinic")
    assert any("afternoon, n = 20" in reason for reason in found.reasons)


def test_own_detectable_change_is_turned_into_an_error():
    entry = own(kind="minimal_detectable_change", value=8.315423, confidence=0.95)
    # 8.315423 = 1.959964 * sqrt(2) * 3
    assert resolve_error("shoulder_flexion", own_thresholds=[entry]).value == pytest.approx(3.0)


def test_the_closest_own_value_is_taken():
    entries = [
        own(value=1.0),
        own(value=2.0, instrument="goniometer"),
        own(value=3.0, instrument="goniometer 2"),
        own(value=4.0, instrument="inclinometer", mode="passive"),
        own(value=5.0, instrument="inclinometer", mode="active", date=date(2025, 1, 1)),
        own(value=6.0, instrument="inclinometer", mode="active", date=date(2026, 1, 1)),
    ]

    def value(**how):
        return resolve_error("shoulder_flexion", own_thresholds=entries, **how).value

    assert value(instrument="goniometer 2") == 3
    assert value(instrument="goniometer") == 2
    assert value(instrument="inclinometer 1", mode="active") == 6
    assert value(instrument="inclinometer 1", mode="passive") == 4
    assert value(instrument="tape") == 1


def test_own_value_of_another_instrument_is_not_used_but_mentioned():
    entry = own(instrument="goniometer", mode="active")
    found = resolve_error("shoulder_flexion", own_thresholds=[entry], instrument="inclinometer")
    assert found.source == "sharma2015"
    assert any("is for active goniometer and does not fit" in r for r in found.reasons)


def test_published_value_says_where_it_differs():
    found = resolve_error("shoulder_flexion", instrument="goniometer", mode="active")
    assert any("took passive movement, these readings are active" in r for r in found.reasons)
    assert any("another instrument" in r for r in found.reasons)


def test_importance():
    assert resolve_importance("ndi").value == 15
    entry = own(measure="ndi", kind=MIC, value=11.0)
    assert resolve_importance("ndi", own_thresholds=[entry]).value == 11
    assert resolve_importance("cervical_rotation") is None
    with pytest.raises(ArgumentError, match="Did you mean"):
        resolve_importance("ndii")


def test_lines_to_paste():
    text = threshold_lines(own(n=12, date=date(2026, 5, 2)))
    assert text.splitlines()[0] == "[[threshold]]"
    assert "date = 2026-05-02" in text and "n = 12" in text
