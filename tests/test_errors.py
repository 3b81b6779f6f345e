"""Messages name the rule, the rows and the remedy, and never what stands in a cell."""

import pytest

from outcomes.errors import (
    ArgumentError,
    DataError,
    Faults,
    MissingExtraError,
    OutcomesError,
    check_between,
    check_choice,
    check_columns,
    check_count,
    check_positive,
    rows_must,
)


def test_rows_are_counted_and_the_first_five_named():
    error = rows_must("value", "be a number", [False] + [True] * 7, "Correct the cells")
    assert str(error) == (
        "value must be a number; 7 of 8 rows do not (rows 1, 2, 3, 4, 5 and 2 more). "
        "Correct the cells."
    )
    assert error.rows == (1, 2, 3, 4, 5, 6, 7)


def test_all_faults_are_raised_together():
    faults = Faults()
    faults.add_if([True, False], "date", "be a date", "Correct it")
    faults.add_if([False, False], "side", "be left or right", "Correct it")
    faults.add_if([False, True], "value", "be a number", "Correct it")
    with pytest.raises(DataError, match=r"2 faults found:\n1\. date must.*\n2\. value must") as e:
        faults.raise_if_any()
    assert e.value.rows == (0, 1)


def test_no_fault_raises_nothing():
    Faults().raise_if_any()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: check_between("confidence", 95, 0, 1), r"must be in \(0, 1\), got 95"),
        (lambda: check_between("share", 1.1, 0, 1, closed=True), r"must be in \[0, 1\], got 1\.1"),
        (lambda: check_between("level", "x", 0, 1), r"must be in \(0, 1\), got 'x'"),
        (lambda: check_positive("sd", 0), "must be above zero, got 0"),
        (lambda: check_positive("sd", -1, zero=True), "must be zero or more, got -1"),
        (lambda: check_positive("sd", float("nan")), "must be above zero"),
        (lambda: check_count("trials", 0), "whole number of at least 1, got 0"),
        (lambda: check_count("trials", 1.5), "whole number of at least 1"),
        (lambda: check_count("trials", True), "whole number of at least 1"),
        (lambda: check_choice("side", "up", ["left", "right"]), "one of 'left', 'right', got 'up'"),
    ],
)
def test_argument_errors_carry_name_rule_and_value(call, message):
    with pytest.raises(ArgumentError, match=message):
        call()


def test_missing_columns_are_all_named():
    class Frame:
        columns = ["client"]

    with pytest.raises(DataError, match="must have the columns date, value"):
        check_columns(Frame(), ["client", "date", "value"])


def test_a_missing_extra_says_how_to_install_it():
    with pytest.raises(ImportError, match=r"pip install 'outcomes\[fhir\]'"):
        raise MissingExtraError("Reading FHIR bundles", "fhir")


def test_there_is_one_family():
    for kind in (ArgumentError, DataError, MissingExtraError):
        assert issubclass(kind, OutcomesError)
