"""Cells: numbers, dates, words and units, against published definitions where there are any."""

import pandas as pd
import pytest

from outcomes.errors import ArgumentError
from outcomes.measures.catalogue import get
from outcomes.records.cells.dates import read_dates
from outcomes.records.cells.numbers import read_numbers
from outcomes.records.cells.words import read_truths, read_words
from outcomes.records.cells.zero import suspect_zero
from outcomes.records.known import unit_factor


def dates(*texts, **more):
    column = read_dates(pd.Series(texts, dtype="str"), **more)
    return [None if pd.isna(d) else d.isoformat() for d in column.values.dt.date], column


def numbers(*texts, **more):
    column = read_numbers(pd.Series(texts, dtype="str"), **more)
    return column.readings["value"].tolist(), column


# Dates


def test_forms_that_can_be_read_cell_by_cell():
    # ISO 8601 calendar dates, with and without separators, time and zone.
    got, column = dates(
        "2026-04-03", "20260403", "2026/4/3", "2026-04-03T23:59:59Z", "2026-04-03 08:15",
        "3 April 2026", "April 3, 2026", "3-Apr-26", "Fri 3 Apr 2026", "3. März 2026",
        "3 avril 2026", "2026-04-03T00:30:00+13:00",
    )  # fmt: skip
    assert got == ["2026-04-03"] * 9 + ["2026-03-03"] + ["2026-04-03"] * 2
    assert column.order == ""


def test_serial_numbers_of_spreadsheets():
    # ECMA-376 part 1, 18.17.4.1: serial 1 is 1 January 1900, and 1900 counts as a leap year; so
    # from 1 March 1900 the serial is the days since 30 December 1899. 39448 is 1 January 2008.
    got, column = dates("39448", "39448.75", "46115")
    assert got == ["2008-01-01", "2008-01-01", "2026-04-03"]
    assert column.kinds == ("serial number",)


def test_a_year_alone_is_no_serial_number():
    assert dates("2026", "1899")[0] == [None, None]


@pytest.mark.parametrize(
    ("texts", "order", "first"),
    [
        (["03/04/2026", "25/04/2026"], "day-first", "2026-04-03"),
        (["03/04/2026", "04/25/2026"], "month-first", "2026-03-04"),
        (["03.04.26", "25.04.26"], "day-first", "2026-04-03"),
        (["03/03/2026"], "day-first", "2026-03-03"),
    ],
)
def test_the_order_is_decided_from_the_whole_column(texts, order, first):
    got, column = dates(*texts)
    assert got[0] == first
    assert column.order in (order, "")


def test_a_column_that_nothing_settles_is_undecided_and_can_be_settled():
    texts = ["03/04/2026", "05/06/2026"]
    assert dates(*texts)[1].order == "undecided"
    assert dates(*texts, order="month-first")[0] == ["2026-03-04", "2026-05-06"]
    assert dates(*texts, order="day-first")[0] == ["2026-04-03", "2026-06-05"]
    with pytest.raises(ArgumentError, match="date_order must be one of"):
        dates(*texts, order="year-first")


def test_equal_evidence_both_ways_is_undecided():
    assert dates("25/04/2026", "04/25/2026", "01/02/2026")[1].order == "undecided"


def test_one_misfit_among_many_is_unreadable_not_turned_around():
    texts = [f"{day}/{month}/2026" for month in (4, 5) for day in range(1, 31)] + ["04/25/2026"]
    got, column = dates(*texts)
    assert column.order == "day-first"
    assert got[-1] is None and column.misfits.tolist() == [False] * 60 + [True]


def test_iso_is_never_turned_around_by_day_first():
    # pandas.to_datetime(dayfirst=True) reads 2025-01-02 as 1 February.
    assert dates("2025-01-02", "25/01/2025")[0] == ["2025-01-02", "2025-01-25"]


def test_two_digit_years():
    assert dates("25/01/69", "25/01/70")[0] == ["2069-01-25", "1970-01-25"]


def test_dates_that_a_spreadsheet_converted_in_the_wrong_order_are_suspected():
    texts = [f"2026-0{m}-0{m + 1}" for m in range(1, 7)]
    texts += [f"{d}/03/2026" for d in range(13, 19)]
    assert dates(*texts)[1].swapped
    assert not dates(*texts, "2026-01-25")[1].swapped


# Numbers


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("145", 145), (" 145 ", 145), ("145.5", 145.5), ("145,5", 145.5), ("-5", -5), ("−5", -5),
        ("+5", 5), ("1.234,5", 1234.5), ("1,234.5", 1234.5), ("1 234", 1234), ("1'234,5", 1234.5),
        (".5", 0.5), (",5", 0.5), ("0,125", 0.125), ("1:30", 90), ("1,234,567", 1234567),
        ("١٤٥", 145), ("１４５", 145),
    ],
)  # fmt: skip
def test_numbers_that_read_one_way(text, value):
    assert numbers(text)[0] == [value]


def test_a_mark_before_three_digits_is_settled_by_the_column_or_left_open():
    assert numbers("1,234", "12,5")[0] == [1.234, 12.5]
    assert numbers("1,234", "12.5")[0] == [1234, 12.5]
    assert numbers("1.234", "12,5")[0] == [1234, 12.5]
    got, column = numbers("1,234", "7")
    assert got == [7] and column.notes["rule"].tolist() == ["decimal mark undecided"]
    got, column = numbers("1,234", "12,5", "12.5")
    assert got == [12.5, 12.5]
    assert numbers("1,234", decimal=",")[0] == [1.234]
    assert numbers("1,234", decimal=".")[0] == [1234]


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("<5", "inequality sign"), (">= 180", "inequality sign"), ("≥90", "inequality sign"),
        ("over 100", "inequality sign"), ("unable", "word instead of a number"),
        ("n/t", "word instead of a number"), ("Refused.", "word instead of a number"),
        ("n/a", "blank value"), ("-", "blank value"), ("03/04/2026", "date instead of a number"),
        ("see notes", "text instead of a number"), ("145 150", "text instead of a number"),
        ("145-150", "text instead of a number"), ("L 145 L 150", "text instead of a number"),
        ("145/", "text instead of a number"), ("1e5", "text instead of a number"),
    ],
)  # fmt: skip
def test_cells_that_are_kept_as_notes(text, rule):
    got, column = numbers(text)
    assert got == [] and column.notes["rule"].tolist() == [rule]


def test_numbers_that_stand_for_no_value():
    got, column = numbers("-99", "99", "x", "12.5", missing=("-99", "x"))
    assert got == [99, 12.5]
    assert column.notes["rule"].tolist() == ["blank value", "blank value"]


def test_free_text_is_never_shown():
    column = numbers("Mrs Quux said it hurts", "born 3/4/1980", "03/04/1980")[1]
    assert column.notes["text"].tolist() == ["text of 22 letters", "text of 13 letters", "a date"]


def test_two_and_more_readings_in_a_cell():
    column = numbers("145/150", "145/150/147", "60° L", "L 60 R 58")[1]
    assert column.readings["many"].tolist() == [2, 2, 3, 3, 3, 1, 2, 2]
    assert column.readings["place"].tolist() == [1, 2, 1, 2, 3, 1, 1, 2]
    sides = column.readings["side"].tolist()
    assert sides[5:] == ["left", "left", "right"]


# Words and units


def test_words_of_sides_moments_and_modes():
    for column, choices, texts, want in (
        ("side", ("left", "right", "midline"), ["L", "Rt", "RIGHT", "central", "up"],
         ["left", "right", "right", "midline", None]),
        ("moment", ("before", "after"), ["Pre", "post", "Before treatment"],
         ["before", "after", "before"]),
        ("mode", ("active", "passive"), ["AROM", "p"], ["active", "passive"]),
        ("affected_side", ("left", "right", "both", "midline"), ["Bilateral", "l"],
         ["both", "left"]),
    ):  # fmt: skip
        words, unknown = read_words(pd.Series(texts, dtype="str"), column=column, choices=choices)
        assert [None if pd.isna(word) else word for word in words] == want
        assert unknown.tolist() == [word is None for word in want]


def test_yes_and_no():
    truths, unknown = read_truths(pd.Series(["Yes", "n", "TRUE", "0", "x", "maybe", None]))
    assert truths.tolist()[:5] == [True, False, True, False, True]
    assert unknown.tolist() == [False] * 5 + [True, False]


@pytest.mark.parametrize(
    ("measure", "unit", "factor"),
    [
        # NIST SP 811 (2008), appendix B.8: inch 2.54 cm, pound 0.45359237 kg, kgf/cm2 98.0665 kPa.
        ("tragus_to_wall", "inches", 2.54),
        ("tragus_to_wall", "mm", 0.1),
        ("grip_strength", "lbs", 0.45359237),
        ("pressure_pain_upper_trapezius", "kg/cm2", 98.0665),
        ("deep_neck_flexor_endurance", "min", 60),
        ("shoulder_flexion", "cm", None),
        ("ndi", "points of 50", 2),
    ],
)
def test_units_lead_to_the_measures_own(measure, unit, factor):
    got = unit_factor(measure, unit, {})
    assert got == (factor if factor is None else pytest.approx(factor, rel=1e-12))


# Zero conventions


def test_readings_counted_from_the_other_end_are_suspected():
    # The zero of the neutral position counts flexion up from 0; the older convention counts down
    # from 180 (American Academy of Orthopaedic Surgeons, Joint Motion, 1965; from memory).
    down = pd.Series([40.0, 35, 52, 48, 30, 44, 39, 50, 41, 37])
    assert "zero_at = 180" in suspect_zero(down, get("shoulder_flexion"))
    assert suspect_zero(180 - down, get("shoulder_flexion")) == ""
    assert suspect_zero(down.head(5), get("shoulder_flexion")) == ""
    assert suspect_zero(down, get("cervical_rotation")) == ""


def test_scales_on_another_range_are_suspected():
    vas = pd.Series([0.1, 0.5, 0.9, 0.3, 0.7, 0.2, 0.4, 0.6])
    assert "multiply = 100" in suspect_zero(vas, get("vas"))
    assert "multiply = 10" in suspect_zero(vas * 10, get("vas"))
    assert suspect_zero(vas * 100, get("vas")) == ""
    assert suspect_zero(vas * 10, get("nprs")) == ""
