"""Every fault of the data or the arguments: one sentence, before anything is estimated."""

from pathlib import Path
from runpy import run_path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.statistics.mixed_model import fit as fit_module
from outcomes.statistics.mixed_model import fit_mixed_model

growth = run_path(str(Path(__file__).parent / "helpers.py"))["growth"]


@pytest.fixture(autouse=True)
def no_search(monkeypatch):
    """The search must not even start."""

    def refuse(*_, **__):
        raise AssertionError("the optimiser was started")

    monkeypatch.setattr(fit_module, "minimise", refuse)


@pytest.fixture
def frame():
    return growth(n=8, seed=1)


def test_one_client(frame):
    with pytest.raises(DataError, match="client must have at least two groups; there is one"):
        fit_mixed_model(frame[frame.client == 1], "value ~ week")


def test_one_visit_each(frame):
    with pytest.raises(DataError, match="each client must have several rows; every one has a"):
        fit_mixed_model(frame.drop_duplicates("client"), "value ~ week")


def test_constant_outcome(frame):
    with pytest.raises(DataError, match="the outcome must vary; all its values are equal"):
        fit_mixed_model(frame.assign(value=3.0), "value ~ week")


def test_constant_predictor(frame):
    with pytest.raises(DataError, match="combination of the others within these data: dose"):
        fit_mixed_model(frame.assign(dose=2.0), "value ~ week + dose")


def test_dependent_columns_are_named(frame):
    both = frame.assign(day=7 * frame.week, other=frame.week + 1)
    with pytest.raises(DataError, match="within these data: day, other"):
        fit_mixed_model(both, "value ~ week + day + other")


def test_dependent_random_terms_are_named(frame):
    with pytest.raises(DataError, match="random terms of client must .* within these data: day"):
        fit_mixed_model(frame.assign(day=7 * frame.week), "value ~ week", random="1 + week + day")


def test_infinite_values_name_their_rows(frame):
    frame.loc[[3, 5], "week"] = np.inf
    with pytest.raises(DataError, match=r"week must be finite; 2 of \d+ rows do not \(rows 3, 5\)"):
        fit_mixed_model(frame, "value ~ week")


def test_a_function_that_gives_infinity(frame):
    with pytest.raises(DataError, match="be finite after its function is applied|be finite"):
        fit_mixed_model(frame.assign(week=frame.week - frame.week.min()), "value ~ I(1 / week)")


def test_more_random_terms_than_visits(frame):
    pairs = frame.groupby("client").head(2)
    with pytest.raises(
        DataError, match=r"random terms of client \(2\) must be fewer than the rows"
    ):
        fit_mixed_model(pairs, "value ~ week", random="1 + week")


def test_group_column_with_missing_values(frame):
    frame["client"] = frame.client.astype(float)
    frame.loc[4, "client"] = np.nan
    with pytest.raises(DataError, match=r"group column client must be filled in; 1 of .*\(row 4\)"):
        fit_mixed_model(frame, "value ~ week")


@pytest.mark.parametrize("column", ["value", "week"])
def test_text_in_a_numeric_column_names_rows_not_text(frame, column):
    frame[column] = frame[column].astype(str)
    frame.loc[2, column] = "secret words"
    with pytest.raises(DataError, match=rf"{column} must hold numbers.*\(row 2\)") as caught:
        fit_mixed_model(frame, "value ~ week")
    assert "secret" not in str(caught.value)
    assert caught.value.rows == (2,)


def test_dates_as_predictor(frame):
    frame["date"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(frame.week, unit="D")
    with pytest.raises(DataError, match="date must hold numbers, not text or dates"):
        fit_mixed_model(frame, "value ~ date")


def test_several_faults_are_told_at_once(frame):
    frame.loc[1, "week"] = np.inf
    frame["client"] = frame.client.astype(float)
    frame.loc[2, "client"] = np.nan
    with pytest.raises(DataError, match="2 faults found"):
        fit_mixed_model(frame, "value ~ week")


def test_crossed_groups(frame):
    frame["practitioner"] = np.arange(len(frame)) % 3
    with pytest.raises(
        DataError, match=r"client must lie within one practitioner.*C\(practitioner"
    ):
        fit_mixed_model(frame, "value ~ week", groups=["practitioner", "client"])


def test_missing_column(frame):
    with pytest.raises(DataError, match="the data must have the column months"):
        fit_mixed_model(frame, "value ~ months")


def test_no_complete_rows(frame):
    with pytest.raises(DataError, match="must have rows without missing values"):
        fit_mixed_model(frame.assign(week=np.nan), "value ~ week")


def test_more_columns_than_rows(frame):
    few = frame.head(4).assign(client=[1, 1, 2, 2])
    with pytest.raises(DataError, match="more complete rows than the fixed part has columns"):
        fit_mixed_model(few, "value ~ week + I(week ** 2) + I(week ** 3)")


def test_an_outcome_without_error(frame):
    with pytest.raises(ModelError, match="must not be an exact combination of the fixed part"):
        fit_mixed_model(frame.assign(value=1.0 + 2.0 * frame.week), "value ~ week")


def test_weights_above_zero(frame):
    frame.loc[0, "trials"] = 0.0
    with pytest.raises(DataError, match=r"trials must be above zero; 1 of .* \(row 0\)"):
        fit_mixed_model(frame, "value ~ week", weights="trials")


def test_equal_times_within_a_client(frame):
    frame.loc[1, "week"] = frame.week[0]
    with pytest.raises(DataError, match=r"week must differ between the rows of one client; .*row"):
        fit_mixed_model(frame, "value ~ 1", residual="autoregressive", time="week")


def test_one_level_for_a_variance_per_level(frame):
    with pytest.raises(DataError, match="instrument must have at least two levels"):
        fit_mixed_model(
            frame.assign(instrument="tape"),
            "value ~ week",
            residual="variance_per_level",
            by="instrument",
        )


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"method": "ml"}, "method must be one of 'REML', 'ML', got 'ml'"),
        ({"residual": "ar1"}, "residual must be one of"),
        ({"residual": "autoregressive"}, "time must name a column where residual"),
        ({"by": "instrument"}, "by must be left out where residual is 'independent'"),
        ({"degrees_of_freedom": "exact"}, "degrees_of_freedom must be one of"),
        ({"ci_level": 95}, r"ci_level must be in \(0, 1\), got 95. Give 0.95"),
        ({"random": {"clinic": "1"}}, "random must give terms for columns of groups, got clinic"),
        ({"random": ["1", "1"]}, r"random must give one formula per group \(1\), got 2"),
        ({"groups": []}, "groups must name one column"),
        ({"random": "value ~ 1"}, "random terms of client must have no ~"),
    ],
)
def test_arguments(frame, options, message):
    with pytest.raises(ArgumentError, match=message):
        fit_mixed_model(frame, "value ~ week", **options)


@pytest.mark.parametrize("formula", ["week", "value ~ (week", "value + clinic ~ week"])
def test_formulas(frame, formula):
    with pytest.raises(ArgumentError, match="formula"):
        fit_mixed_model(frame, formula)


def test_a_function_that_is_not_there(frame):
    with pytest.raises(DataError, match="the data must have the column smooth"):
        fit_mixed_model(frame, "value ~ smooth(week)")


def test_a_function_that_fails(frame):
    with pytest.raises(ArgumentError, match="formula must be computable from the columns"):
        fit_mixed_model(frame, "value ~ bs(week, df=1)")
