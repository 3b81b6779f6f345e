import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.service import (
    earlier_quarter,
    quarter_dates,
    quarter_of,
    quarter_range,
    quarters_of,
)


def test_every_day_of_six_years_lies_in_its_own_quarter():
    days = pd.Series(pd.date_range("2023-01-01", "2028-12-31"))
    labels = quarters_of(days)
    assert labels.nunique() == 24
    for day, label in zip(days.iloc[::17], labels.iloc[::17], strict=True):
        first, last = quarter_dates(label)
        assert first <= day <= last
        assert quarter_of(day) == label


def test_labels_sort_in_time_and_step_over_new_year():
    labels = quarter_range("2024Q3", "2026Q2")
    assert labels == sorted(labels) and len(labels) == 8
    assert [earlier_quarter(label) for label in labels[1:]] == labels[:-1]
    assert earlier_quarter("2026Q2", by=4) == "2025Q2"
    assert str(quarter_dates("2024Q1")[1].date()) == "2024-03-31"


@pytest.mark.parametrize("wrong", ["2026q2", "2026Q5", "26Q1", "", 20262, None])
def test_a_label_of_another_form_is_refused(wrong):
    with pytest.raises(ArgumentError, match="must be written like 2026Q2"):
        quarter_dates(wrong)


@pytest.mark.parametrize("wrong", ["spring", None, float("nan"), object()])
def test_what_is_no_date_is_refused_without_showing_it(wrong):
    with pytest.raises(ArgumentError, match="must be a calendar date") as caught:
        quarter_of(wrong)
    assert "spring" not in str(caught.value)


def test_a_column_with_empty_cells_or_text_is_refused():
    with pytest.raises(DataError, match="must be filled in; 1 of 2 rows"):
        quarters_of(pd.Series(pd.to_datetime(["2026-01-01", None])))
    with pytest.raises(DataError, match="must be stored as a date"):
        quarters_of(pd.Series(["2026-01-01"]))


def test_a_range_that_runs_backwards_is_refused():
    with pytest.raises(ArgumentError, match="must not lie before first"):
        quarter_range("2026Q2", "2026Q1")
