"""Gates and pairs: recomputed row by row, and Weir 2005's minimal difference."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import (
    VERDICTS,
    count_verdicts,
    judge_change,
    start_and_latest,
)


def pair(start, latest, **more):
    return pd.DataFrame({"start_value": start, "latest_value": latest, **more})


def test_minimal_difference_of_weir_2005():
    # Weir 2005, J Strength Cond Res 19:231: SEM 7.556927 gives a minimal difference of 20.947.
    judged = judge_change(pair([100.0], [120.9]), standard_error_of_measurement=7.556927)
    # 1e-3: the paper multiplies by 1.96, we by the exact quantile 1.959964.
    assert judged["minimal_detectable_change"][0] == pytest.approx(20.947, abs=1e-3)
    assert not judged["detectable"][0]
    assert judge_change(pair([100.0], [120.95]), standard_error_of_measurement=7.556927)[
        "detectable"
    ][0]


@pytest.mark.parametrize(
    ("improvement", "line", "verdict"),
    [
        (-12, 5, "worsened: detectable and as large as an important change"),
        (-9, 10, "worsened: detectable"),
        (-9, None, "worsened: detectable"),
        (-6, 5, "decline as large as an important change, but within measurement error"),
        (3, 5, "no detectable change"),
        (3, None, "no detectable change"),
        (6, 5, "important in size, but within measurement error"),
        (9, 10, "improved: detectable, but too small to matter"),
        (9, None, "improved: detectable"),
        (12, 5, "improved: detectable and important"),
    ],
)
@pytest.mark.parametrize("better", ["higher", "lower"])
def test_every_zone_has_its_words(improvement, line, verdict, better):
    # SEM 3: minimal detectable change 8.32.
    sign = 1 if better == "higher" else -1
    judged = judge_change(
        pair([50.0], [50.0 + sign * improvement]),
        standard_error_of_measurement=3.0,
        minimal_important_change=line,
        better=better,
    )
    assert judged["verdict"][0] == verdict
    assert judged["improvement"][0] == improvement
    assert judged["change"][0] == sign * improvement


def test_thresholds_may_differ_by_row_and_come_from_columns():
    pairs = pair(
        [50.0, 20.0, 5.0],
        [60.0, 10.0, 6.0],
        standard_error_of_measurement=[3.0, 3.0, np.nan],
        minimal_important_change=[np.nan, 8.0, 2.0],
        better=["higher", "lower", "higher"],
    )
    judged = judge_change(pairs)
    assert judged["verdict"].to_list() == [
        "improved: detectable",
        "improved: detectable and important",
        "cannot be judged: measurement error not known",
    ]
    assert judged["important"].isna().to_list() == [True, False, False]
    assert judged["detectable"].isna().to_list() == [False, False, True]
    assert np.isnan(judged["chance_improved"][2])
    check_result(judged.columns)
    again = judge_change(judged)  # the result is itself a frame of pairs
    pd.testing.assert_frame_equal(again, judged)


def test_a_gate_does_not_turn_on_the_last_bit():
    assert 0.3 - 0.1 < 0.2
    judged = judge_change(
        pair([0.1], [0.3]), standard_error_of_measurement=0.01, minimal_important_change=0.2
    )
    assert judged["important"][0]


def test_chances_follow_the_normal_error():
    judged = judge_change(
        pair([50.0], [53.0]), standard_error_of_measurement=3.0, minimal_important_change=3.0
    )
    assert judged["chance_important"][0] == pytest.approx(0.5)
    assert judged["chance_improved"][0] == pytest.approx(0.7602499, abs=1e-6)  # Phi(1 / sqrt 2)
    assert judged["chance_improved"][0] + judged["chance_worse"][0] == pytest.approx(1)


def test_importance_of_a_decline_may_differ():
    judged = judge_change(
        pair([5.0], [4.6]),
        standard_error_of_measurement=0.1,
        minimal_important_change=2.2,
        minimal_important_worsening=0.3,
    )
    assert judged["verdict"][0] == VERDICTS[0]


def test_false_alarms_occur_as_often_as_stated():
    rng = np.random.default_rng(61)
    true = rng.normal(60, 15, 200_000)
    start, latest = (true + rng.normal(0, 4, true.size) for _ in range(2))
    judged = judge_change(pair(start, latest), standard_error_of_measurement=4.0, confidence=0.90)
    assert judged["detectable"].mean() == pytest.approx(0.10, abs=0.003)


def test_count_verdicts_lists_every_verdict():
    judged = judge_change(pair([50.0, 50.0], [70.0, 71.0]), standard_error_of_measurement=3.0)
    counts = count_verdicts(judged)
    assert counts["verdict"].to_list() == list(VERDICTS)
    assert counts["count"].sum() == 2
    check_result(counts.columns)


def test_refusals():
    with pytest.raises(DataError, match=r"start_value must be a number; 1 of 2 rows does not"):
        judge_change(pair([np.nan, 1.0], [1.0, 2.0]), standard_error_of_measurement=1.0)
    with pytest.raises(DataError, match="must have the column latest_value"):
        judge_change(pd.DataFrame({"start_value": [1.0]}), standard_error_of_measurement=1.0)
    with pytest.raises(DataError, match="standard_error_of_measurement must be above zero"):
        judge_change(pair([1.0], [2.0]), standard_error_of_measurement=0.0)
    with pytest.raises(ArgumentError, match=r"one per row \(1\), got 2"):
        judge_change(pair([1.0], [2.0]), standard_error_of_measurement=[1.0, 2.0])
    with pytest.raises(ArgumentError, match=r"confidence must be in \(0, 1\), got 95"):
        judge_change(pair([1.0], [2.0]), standard_error_of_measurement=1.0, confidence=95)
    with pytest.raises(ArgumentError, match="better must be 'higher' or 'lower', got 'up'"):
        judge_change(pair([1.0], [2.0]), standard_error_of_measurement=1.0, better="up")
    with pytest.raises(DataError, match="better must be 'higher' or 'lower'; 1 of 2 rows"):
        judge_change(
            pair([1.0, 1.0], [2.0, 2.0]),
            standard_error_of_measurement=1.0,
            better=["higher", "up"],
        )


def readings():
    rows = [
        # client, episode, visit, side, mode, instrument, value
        ("a", 1, 1, "left", "active", "goniometer", 50.0),
        ("a", 1, 3, "left", "active", "goniometer", 60.0),
        ("a", 1, 2, "left", "active", "goniometer", 55.0),
        ("a", 1, 1, "left", "passive", "goniometer", 70.0),
        ("a", 1, 4, "left", "active", "inclinometer", 99.0),
        ("a", 1, 1, "right", "active", "goniometer", 80.0),
        ("a", 1, 2, "right", "active", "goniometer", 81.0),
        ("b", 1, 1, "midline", None, "items", 20.0),
        ("b", 1, 2, "midline", None, "items", np.nan),
        ("c", 1, 1, "midline", None, "items", 22.0),
        ("c", 1, 5, "midline", None, "items", 12.0),
        ("c", 2, 1, "midline", None, "items", 30.0),
        ("c", 2, 2, "midline", None, "items", 29.0),
    ]
    names = ["client", "episode", "visit", "side", "mode", "instrument", "value"]
    frame = pd.DataFrame(rows, columns=names)
    day = pd.Timestamp("2026-01-01")
    return frame.assign(measure="m", date=day + pd.to_timedelta(frame["visit"] * 7, unit="D"))


def test_start_and_latest_never_mixes():
    pairs = start_and_latest(readings())
    check_result(pairs.columns)
    rows = pairs.set_index(["client", "episode", "side"])
    assert len(pairs) == 4
    left = rows.loc[("a", 1, "left")]
    assert (left["start_value"], left["latest_value"]) == (50.0, 60.0)
    assert (left["mode"], left["instrument"]) == ("active", "goniometer")
    assert (left["n_visits"], left["n_readings_not_paired"]) == (3, 2)
    assert (left["start_visit"], left["latest_visit"]) == (1, 3)
    assert rows.loc[("c", 1, "midline"), "latest_value"] == 12.0
    assert rows.loc[("c", 2, "midline"), "start_value"] == 30.0
    assert ("b", 1, "midline") not in rows.index


def test_start_and_latest_can_keep_those_measured_once():
    pairs = start_and_latest(readings(), least_visits=1).set_index(["client", "episode", "side"])
    once = pairs.loc[("b", 1, "midline")]
    assert once["start_value"] == 20.0 and np.isnan(once["latest_value"])
    assert once["n_visits"] == 1 and pd.isna(once["latest_visit"])


def test_start_and_latest_equals_a_plain_loop():
    rng = np.random.default_rng(62)
    n = 3000
    frame = pd.DataFrame(
        {
            "client": rng.integers(0, 60, n).astype(str),
            "visit": rng.integers(1, 9, n),
            "measure": rng.choice(["x", "y"], n),
            "instrument": rng.choice(["g", "i"], n, p=[0.7, 0.3]),
            "value": rng.normal(size=n),
        }
    ).drop_duplicates(["client", "visit", "measure", "instrument"])
    pairs = start_and_latest(frame).set_index(["client", "measure"])
    for (client, measure), rows in frame.groupby(["client", "measure"]):
        best = None
        for _, series in rows.groupby("instrument"):
            series = series.sort_values("visit")
            rank = (-len(series), series["visit"].iloc[0])
            if best is None or rank < best[0]:
                best = (rank, series)
        series = best[1]
        if len(series) < 2:
            assert (client, measure) not in pairs.index
            continue
        found = pairs.loc[(client, measure)]
        assert found["n_visits"] == len(series)
        if found["instrument"] == series["instrument"].iloc[0]:
            assert found["start_value"] == series["value"].iloc[0]
            assert found["latest_value"] == series["value"].iloc[-1]
        else:  # equal visits and equal start: either series will do
            assert found["start_visit"] == series["visit"].iloc[0]


def test_start_and_latest_refusals():
    frame = readings()
    with pytest.raises(DataError, match="a visit must have one value") as caught:
        start_and_latest(pd.concat([frame, frame.iloc[[2]]], ignore_index=True))
    assert set(caught.value.rows) <= {2, 13} and len(caught.value.rows) == 1
    with pytest.raises(DataError, match="must have the column value"):
        start_and_latest(frame.drop(columns="value"))
    with pytest.raises(DataError, match="value must be finite"):
        start_and_latest(frame.assign(value=np.inf))
    assert len(start_and_latest(frame.iloc[:0])) == 0
