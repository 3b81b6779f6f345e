"""Gain intervals, competing endings, and the chance per visit."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.time_to_gain import (
    aalen_johansen,
    gain_intervals,
    gain_summary,
    hazard_by_visit,
    hazard_ratios,
    kaplan_meier,
    numbers_at_risk,
    turnbull,
    visit_rows,
)

REFERENCE = Path(__file__).parents[2] / "reference" / "time_to_gain" / "times.json"


@pytest.fixture(scope="module")
def reference():
    return json.loads(REFERENCE.read_text())


@pytest.fixture
def values():
    rows = [
        ("a", 1, 0.0, 50.0), ("a", 2, 1.0, 55.0), ("a", 3, 3.0, 61.0), ("a", 4, 4.0, 57.0),
        ("b", 1, 0.0, 50.0), ("b", 3, 2.0, 54.0),
        ("c", 2, 1.0, 40.0), ("c", 3, 2.0, 50.0), ("c", 5, 4.0, 51.0),
        ("d", 1, 0.0, 40.0),
        ("e", 1, 0.0, 40.0), ("e", 2, 2.0, 43.0), ("e", 3, 5.0, 52.0),
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["client", "visit", "week", "value"])
    return frame.assign(episode=1, measure="cervical_rotation")


def test_gains_are_placed_between_their_visits(values):
    found = gain_intervals(values, line=10).set_index("client")
    assert found[["left", "right"]].T.to_dict("list") == {
        "a": [1, 3], "b": [2, np.inf], "c": [0, 1], "e": [2, 5],
    }  # fmt: skip
    assert found["time"].to_dict() == {"a": 3, "b": 2, "c": 1, "e": 5}
    visits = gain_intervals(values, line=10, scale="visit").set_index("client")
    assert visits[["left", "right"]].T.to_dict("list") == {
        "a": [1, 2], "b": [2, np.inf], "c": [0, 1], "e": [1, 2],
    }  # fmt: skip
    check_result(found.reset_index().columns)


def test_summary_holds_both_gains_on_both_scales(values):
    rng = np.random.default_rng(1)
    found = gain_summary(values, lines={"small": 3, "large": 10}, rng=rng, samples=100)
    assert found["line"].tolist() == ["small", "small", "large", "large"]
    assert found["unit"].tolist() == ["weeks", "visits"] * 2
    times = gain_intervals(values, line=10)
    masses = turnbull(times["left"], times["right"]).masses
    reached = masses.loc[np.isfinite(masses["right"]), "mass"].sum()
    assert found["share_reached"].iloc[2] == pytest.approx(reached)
    assert found["reached"].tolist() == [4, 4, 3, 3]
    check_result(found.columns)
    with pytest.raises(ArgumentError, match="lines must name at least one gain"):
        gain_summary(values, lines={}, rng=rng)


def test_numbers_at_risk_are_those_of_the_curve(reference):
    gain = np.array(reference["ending"]) == "gain"
    curve = kaplan_meier(reference["time"], gain)
    found = numbers_at_risk(reference["time"], at=curve["time"])
    assert found["at_risk"].tolist() == curve["at_risk"].tolist()
    check_result(found.columns)


def test_a_confirmed_gain_needs_a_second_reading(values):
    found = gain_intervals(values, line=10, confirmed=True).set_index("client")
    # a fell back, e's last reading is the first beyond the line: neither is confirmed
    assert found["reached"].to_dict() == {"a": False, "b": False, "c": True, "e": False}
    assert found.loc["e", ["left", "time"]].tolist() == [5, 5]


def test_lower_is_better_and_sides_are_not_mixed(values):
    lower = values.assign(value=100 - values["value"])
    same = gain_intervals(lower, line=10, better="lower")
    pd.testing.assert_frame_equal(same, gain_intervals(values, line=10))
    extra = values[values["client"] == "a"].head(2).assign(side="right", value=[0.0, 90.0])
    both = pd.concat([values.assign(side="left"), extra])
    pd.testing.assert_frame_equal(gain_intervals(both, line=10), gain_intervals(values, line=10))


def test_endings_tell_discharge_from_staying_away(values):
    visits = pd.DataFrame(
        {
            "client": ["a", "b", "e"],
            "episode": 1,
            "end_reason": ["discharged", "stopped coming", None],
        }
    )
    found = gain_intervals(values, line=10, visits=visits).set_index("client")["ending"]
    assert found.to_dict() == {"a": "gain", "b": "stopped coming", "c": "gain", "e": "gain"}
    alone = gain_intervals(values, line=30, visits=visits).set_index("client")["ending"]
    assert alone.to_dict() == {
        "a": "discharged", "b": "stopped coming", "c": "no further record",
        "e": "no further record",
    }  # fmt: skip


def test_shares_of_all_endings_agree_with_r(reference):
    found = aalen_johansen(reference["time"], reference["ending"])
    aj = reference["aj"]
    for cause in ("gain", "discharged"):
        own = found[found["ending"] == cause].set_index("time").loc[aj["time"]]
        assert own["share"].to_numpy() == pytest.approx(aj[cause], abs=1e-12)
        assert own["standard_error"].to_numpy() == pytest.approx(aj[f"{cause}_se"], rel=1e-8)
    check_result(found.columns)


def test_shares_and_those_still_there_add_up_to_one(reference):
    found = aalen_johansen(reference["time"], reference["ending"])
    gone = np.array(reference["ending"]) != "no further record"
    still = kaplan_meier(reference["time"], gone)["survival"].to_numpy()
    total = found.groupby("time")["share"].sum().to_numpy()
    assert total + still == pytest.approx(1)


def test_without_competing_endings_it_is_one_minus_kaplan_meier(reference):
    gain = np.array(reference["ending"]) == "gain"
    found = aalen_johansen(reference["time"], np.where(gain, "gain", "no further record"))
    curve = kaplan_meier(reference["time"], gain)
    assert found["share"].to_numpy() == pytest.approx(1 - curve["survival"].to_numpy())
    assert found["standard_error"].to_numpy() == pytest.approx(curve["standard_error"].to_numpy())


def test_hazard_ratios_agree_with_r(reference):
    times = pd.DataFrame({name: reference[name] for name in ("time", "age", "group")})
    times["time"] = times["time"].astype(float)
    times["reached"] = np.array(reference["ending"]) == "gain"
    found = hazard_ratios(visit_rows(times), on=["age", "group"]).set_index("term")
    r = reference["hazard"]
    slope, to_b, to_c = r["coef"]
    own = np.log(found["estimate"])
    assert own["age"] == pytest.approx(slope, rel=1e-6)
    assert found.loc["age", "standard_error"] == pytest.approx(r["se"][0], rel=1e-5)
    against = {"a": 0.0, "b": to_b, "c": to_c}
    common = next(iter(set("abc") - {term[-1] for term in found.index if ":" in term}))
    for term in found.index[1:]:
        assert own[term] == pytest.approx(against[term[-1]] - against[common], rel=1e-6)
    check_result(found.reset_index().columns)


def test_hazard_ratio_recovers_proportional_hazards_whatever_happens_between_visits():
    rng = np.random.default_rng(8)
    n = 3000
    strong = rng.random(n) < 0.5
    truth = rng.weibull(1.4, n) * 6 / np.where(strong, 2.0, 1.0) ** (1 / 1.4)
    visit = np.minimum(np.ceil(truth), 9)
    times = pd.DataFrame(
        {"time": visit, "reached": truth <= 9, "strong": np.where(strong, "y", "n")}
    )
    found = hazard_ratios(visit_rows(times), on=["strong"])
    ratio = found["estimate"].iloc[0]
    ratio = ratio if found["term"].iloc[0].endswith("y") else 1 / ratio
    assert ratio == pytest.approx(2.0, rel=0.1)


def test_chance_per_visit_rebuilds_the_curve(reference):
    gain = np.array(reference["ending"]) == "gain"
    times = pd.DataFrame({"time": np.array(reference["time"], float), "reached": gain})
    table = hazard_by_visit(visit_rows(times))
    curve = kaplan_meier(reference["time"], gain).set_index("time")["survival"]
    assert np.cumprod(1 - table["share"]).to_numpy() == pytest.approx(
        curve.loc[table["visit"]].to_numpy()
    )
    check_result(table.columns)


def test_what_cannot_be_estimated_is_refused(values):
    times = pd.DataFrame({"time": [1.0, 2.0, 2.0, 1.0], "reached": [True, True, True, True]})
    with pytest.raises(ModelError, match="some clients gained and others did not"):
        hazard_ratios(visit_rows(times.assign(x=1.0)), on=["x"])
    split = pd.DataFrame({"time": [2.0] * 20 + [1.0] * 20, "reached": [False] * 20 + [True] * 20})
    split["group"] = ["a"] * 20 + ["b"] * 20
    with pytest.raises(ModelError, match="always or never gained"):
        hazard_ratios(visit_rows(split), on=["group"])
    with pytest.raises(ArgumentError, match="on must name at least one column"):
        hazard_ratios(visit_rows(times), on=[])
    with pytest.raises(DataError, match="counted in whole visits"):
        visit_rows(times.assign(time=1.5))
    with pytest.raises(DataError, match="values must hold one measure"):
        gain_intervals(values.assign(measure=values["client"]), line=3)
    with pytest.raises(DataError, match="measured at least twice; there are none"):
        gain_intervals(values[values["client"] == "d"], line=3)
    with pytest.raises(ArgumentError, match="line must be above zero"):
        gain_intervals(values, line=0)
    with pytest.raises(DataError, match="value must be a finite number; 1 of 13 rows"):
        gain_intervals(values.assign(value=values["value"].where(values.index != 2)), line=3)
    with pytest.raises(DataError, match="at least one client must have an ending"):
        aalen_johansen([1.0], ["no further record"])
    with pytest.raises(DataError, match="time must be zero or more"):
        aalen_johansen([-1.0], ["gain"])
