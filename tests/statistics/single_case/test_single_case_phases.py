"""Cutting readings into series and phases, and what is refused."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.single_case import add_phases, read_series


def readings(**changes):
    base = {
        "client": ["A"] * 4,
        "week": [0, 1, 2, 3],
        "phase": ["baseline", "baseline", "treatment", "treatment"],
        "value": [10.0, 11, 15, 16],
    }
    return pd.DataFrame(base | changes)


def test_sorts_by_time_and_leaves_empty_values_out():
    values = readings(value=[10.0, np.nan, 15, 16]).iloc[::-1]
    (one,) = read_series(values)
    assert one.time.tolist() == [0, 2, 3]
    assert one.value.tolist() == [10, 15, 16]
    assert one.run.tolist() == [0, 1, 1]


def test_lower_is_better_turns_the_sign_only_of_improved():
    (one,) = read_series(readings(), better="lower")
    assert one.improved.tolist() == [-10, -11, -15, -16]
    assert one.pairs()[0].baseline.tolist() == [10, 11]


def test_repeated_phases_become_numbered_pairs():
    values = pd.DataFrame(
        {
            "client": "A",
            "week": range(8),
            "value": range(8),
            "phase": ["baseline", "baseline", "treatment", "treatment"] * 2,
        }
    )
    (one,) = read_series(values)
    assert [pair.comparison for pair in one.pairs()] == [
        "baseline 1 to treatment 1",
        "baseline 2 to treatment 2",
    ]


def test_instruments_and_sides_are_not_pooled():
    values = pd.concat([readings(side="left"), readings(side="right")])
    assert [one.key["side"] for one in read_series(values)] == ["left", "right"]


def test_direction_by_measure():
    values = pd.concat([readings(measure="nprs"), readings(measure="shoulder_flexion")])
    signs = {
        one.key["measure"]: one.sign
        for one in read_series(values, better={"nprs": "lower", "shoulder_flexion": "higher"})
    }
    assert signs == {"nprs": -1, "shoulder_flexion": 1}
    with pytest.raises(ArgumentError, match="better must name every measure; missing: nprs"):
        read_series(values, better={"shoulder_flexion": "higher"})


def test_all_faults_at_once_without_cell_contents():
    values = readings(
        week=[0, np.nan, 2, 2], value=[10.0, 11, np.inf, 16], phase=["baseline", None, "t", "t"]
    )
    with pytest.raises(DataError) as caught:
        read_series(values)
    message = str(caught.value)
    assert message.startswith("4 faults found")
    for words in (
        "value must be a finite number",
        "week must be known",
        "phase must be named",
        "week must differ between the readings of one series",
    ):
        assert words in message
    assert caught.value.rows == (1, 2, 3)


def test_text_in_the_value_column():
    values = readings().astype({"value": object})
    values.loc[1, "value"] = "about 12"
    with pytest.raises(DataError, match="value must be a finite number; 1 of 4 rows does not") as c:
        read_series(values)
    assert "about" not in str(c.value)


def test_no_baseline():
    with pytest.raises(
        DataError, match="must have a baseline phase followed by another phase; 1 of"
    ):
        read_series(readings(phase=["treatment"] * 4))
    assert len(read_series(readings(phase=["treatment"] * 4), need_baseline=False)) == 1


def test_empty_and_missing_columns():
    with pytest.raises(DataError, match="must have the column phase"):
        read_series(readings().drop(columns="phase"))
    with pytest.raises(DataError, match="one of the columns week, day, visit"):
        read_series(readings().drop(columns="week"))
    with pytest.raises(DataError, match="at least one value"):
        read_series(readings(value=np.nan))
    with pytest.raises(ArgumentError, match="better must be one of 'higher', 'lower', got 'up'"):
        read_series(readings(), better="up")


def visits(phase):
    return pd.DataFrame({"client": "A", "episode": 1, "visit": [1, 2, 3, 4], "phase": phase})


def visit_readings():
    return visits(None).drop(columns="phase").assign(value=[1.0, 2, 3, 4])


def test_recorded_phases_win():
    out = add_phases(visit_readings(), visits(["baseline", "baseline", "baseline", "treatment"]))
    assert out["phase"].tolist() == ["baseline"] * 3 + ["treatment"]
    assert set(out["phase_rule"]) == {"recorded"}


def test_derived_from_the_first_treated_visit_inclusive():
    treatments = pd.DataFrame({"client": ["A", "A"], "episode": 1, "visit": [3, 2]})
    out = add_phases(visit_readings(), visits(None), treatments=treatments)
    assert out["phase"].tolist() == ["baseline", "baseline", "treatment", "treatment"]
    assert set(out["phase_rule"]) == {"first treatment"}
    plain = add_phases(visit_readings(), visits(None))
    assert plain["phase"].tolist() == ["baseline", "treatment", "treatment", "treatment"]


def test_phases_recorded_for_some_visits_only():
    with pytest.raises(
        DataError, match="all visits of a client or for none; 1 of 1 clients has both"
    ):
        add_phases(visit_readings(), visits(["baseline", None, "treatment", "treatment"]))
