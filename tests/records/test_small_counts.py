"""Hidden counts cannot be worked out from what is shown."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import ArgumentError, DataError
from outcomes.records.small_counts import hidden_ranges, hide_small_counts


def table(grid, *, totals=True):
    grid = np.array(grid)
    frame = pd.DataFrame(grid, columns=[f"c{j}" for j in range(grid.shape[1])])
    frame.insert(0, "group", [f"g{i}" for i in range(len(grid))])
    if totals:
        frame["total"] = grid.sum(axis=1)
        bottom = frame.sum(numeric_only=True)
        frame.loc[len(frame)] = ["total", *bottom.astype(int)]
    return frame


def hidden_of(safe):
    return safe.drop(columns="group").isna().to_numpy()


def test_a_rectangle_is_hidden():
    safe = hide_small_counts(table([[3, 20, 30], [40, 30, 50], [60, 70, 80]]))
    hidden = hidden_of(safe)
    assert hidden[0, 0]
    assert hidden.sum() == 4
    assert not hidden[-1].any() and not hidden[:, -1].any()


def test_nothing_small_nothing_hidden():
    safe = hide_small_counts(table([[10, 0], [0, 25]]))
    assert not hidden_of(safe).any()


def test_zero_is_shown_and_the_limit_can_be_chosen():
    frame = table([[0, 9], [12, 15]], totals=False)
    assert hidden_of(hide_small_counts(frame)).tolist() == [[False, True], [False, False]]
    assert not hidden_of(hide_small_counts(frame, below=5)).any()


def test_a_list_with_a_known_total_hides_two():
    frame = table([[4], [20], [30]], totals=False)
    assert hidden_of(hide_small_counts(frame)).sum() == 1
    assert hidden_of(hide_small_counts(frame, totals_known=True)).sum() == 2


def test_two_ones_are_not_given_back_by_their_sum():
    # remainder 2 over two hidden cells: (0, 2), (1, 1), (2, 0) are possible
    frame = table([[1, 1, 50], [60, 70, 80]])
    safe = hide_small_counts(frame)
    full = frame.drop(columns="group").to_numpy(dtype=float)
    low, high = hidden_ranges(full, hidden_of(safe))
    assert (high - low >= 2 - 1e-6).all()


def test_shares_go_with_their_counts():
    frame = pd.DataFrame(
        {"group": ["a", "b"], "n": [40, 50], "count": [3, 20], "share": [0.1, 0.4]}
    )
    safe = hide_small_counts(frame, counts=["count"], dependents={"count": ["share"]})
    assert safe["count"].isna().tolist() == [True, False]
    assert safe["share"].isna().tolist() == [True, False]
    assert safe["n"].tolist() == [40, 50]
    assert frame["count"].tolist() == [3, 20]


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 5).flatmap(
        lambda columns: st.lists(
            st.lists(st.integers(0, 40), min_size=columns, max_size=columns),
            min_size=1,
            max_size=5,
        )
    )
)
def test_no_hidden_count_can_be_worked_out(grid):
    frame = table(grid)
    safe = hide_small_counts(frame)
    full = frame.drop(columns="group").to_numpy(dtype=float)
    hidden = hidden_of(safe)
    shown = safe.drop(columns="group").to_numpy(dtype=float, na_value=np.nan)
    assert (shown[~hidden] == full[~hidden]).all()
    assert hidden[(full > 0) & (full < 10)].all()
    if hidden.any():
        low, high = hidden_ranges(full, hidden)
        assert (high - low >= 2 - 1e-6).all()


@pytest.mark.parametrize(
    ("frame", "match"),
    [
        (table([[1, 2]]).assign(c0=[1.5, 1.5]), "no column|whole number|sums"),
        (table([[3, 20]]).assign(total=[24, 23]), "sums of their counts"),
        (table([[3, 20]], totals=False).assign(c0=[-1]), "c0 must be a whole number of zero"),
        (pd.DataFrame({"group": ["a"]}), "must have a column of counts"),
    ],
)
def test_bad_tables(frame, match):
    with pytest.raises(DataError, match=match):
        hide_small_counts(frame)


def test_bad_arguments():
    with pytest.raises(ArgumentError, match="below must be a whole number of at least 2"):
        hide_small_counts(table([[1]]), below=1)
    with pytest.raises(DataError, match="must have the column count"):
        hide_small_counts(table([[1]]), counts=["count"])
