import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.service import (
    eligible_episodes,
    flow_counts,
    mean_bounds,
    share_bounds,
)

STAGES = ["eligible", "measured_at_start", "measured_again", "analysed"]


@pytest.fixture
def visits():
    # a: kept through the quarter; b: changed instrument; c: one reading; d: never measured;
    # e: did not keep the appointment; f: came only after the quarter
    rows = [
        ("a", 1, "2026-02-01", True),
        ("a", 1, "2026-04-01", None),
        ("b", 1, "2026-04-02", True),
        ("b", 1, "2026-05-02", True),
        ("c", 1, "2026-06-30", True),
        ("d", 1, "2026-05-05", True),
        ("e", 1, "2026-05-06", False),
        ("f", 1, "2026-07-01", True),
    ]
    frame = pd.DataFrame(rows, columns=["client", "episode", "date", "attended"])
    frame["attended"] = frame["attended"].astype("boolean")
    frame["date"] = pd.to_datetime(frame["date"])
    return frame


@pytest.fixture
def values():
    rows = [
        ("a", 1, "2026-02-01", "cervical_rotation", "left", "inclinometer", 50.0),
        ("a", 1, "2026-04-01", "cervical_rotation", "left", "inclinometer", 58.0),
        ("b", 1, "2026-04-02", "cervical_rotation", "left", "inclinometer", 50.0),
        ("b", 1, "2026-05-02", "cervical_rotation", "left", "goniometer", 58.0),
        ("c", 1, "2026-06-30", "cervical_rotation", "left", None, 44.0),
        ("c", 1, "2026-07-09", "cervical_rotation", "left", None, 49.0),
        ("f", 1, "2026-07-01", "cervical_rotation", "left", None, 44.0),
    ]
    names = ["client", "episode", "date", "measure", "side", "instrument", "value"]
    frame = pd.DataFrame(rows, columns=names)
    frame["date"] = pd.to_datetime(frame["date"])
    return frame


def test_each_loss_is_counted_at_its_stage(values, visits):
    flow = flow_counts(values, visits=visits, quarter="2026Q2")
    assert flow[STAGES].to_numpy().tolist() == [[4, 3, 2, 1]]
    assert flow["share_followed_up"].item() == pytest.approx(2 / 3)
    assert flow["share_analysed"].item() == 1 / 4


def test_a_measure_never_taken_is_counted_as_zero_not_left_out(values, visits):
    flow = flow_counts(values, visits=visits, quarter="2026Q2", measures=["ndi"])
    assert flow[STAGES].to_numpy().tolist() == [[4, 0, 0, 0]]
    assert np.isnan(flow["share_followed_up"].item())


def test_groups_add_up_and_an_unknown_group_is_shown(values, visits):
    clients = pd.DataFrame(
        {"client": list("abcdef"), "practitioner": ["p", "p", "q", None, "q", "q"]}
    )
    apart = flow_counts(
        values, visits=visits, quarter="2026Q2", clients=clients, by=["practitioner"]
    )
    whole = flow_counts(values, visits=visits, quarter="2026Q2")
    assert apart[STAGES].sum().tolist() == whole[STAGES].iloc[0].tolist()
    assert set(apart["practitioner"]) == {"p", "q", "not recorded"}


def test_a_late_first_reading_is_no_start_when_a_window_is_given(values, visits):
    late = values[~((values["client"] == "a") & (values["date"] == "2026-02-01"))]
    assert flow_counts(late, visits=visits, quarter="2026Q2")["measured_at_start"].item() == 3
    strict = flow_counts(late, visits=visits, quarter="2026Q2", start_days=14)
    assert strict["measured_at_start"].item() == 2


def test_the_stages_never_increase_and_agree_with_counting_by_hand():
    rng = np.random.default_rng(7)
    n = 600
    visits = pd.DataFrame(
        {
            "client": rng.integers(0, 80, n).astype(str),
            "episode": rng.integers(1, 3, n),
            "date": pd.Timestamp("2025-10-01") + pd.to_timedelta(rng.integers(0, 365, n), unit="D"),
        }
    ).drop_duplicates()
    values = visits.sample(frac=0.5, random_state=1).assign(
        measure="ndi",
        value=1.0,
        instrument=lambda frame: rng.choice(["x", "y"], len(frame)),
    )
    flow = flow_counts(values, visits=visits, quarter="2026Q2").iloc[0]
    seen = set()
    for client, episode, date in visits.itertuples(index=False):
        if pd.Timestamp("2026-04-01") <= date < pd.Timestamp("2026-07-01"):
            seen.add((client, episode))
    count = dict.fromkeys(STAGES, 0)
    for client, episode in seen:
        own = values[(values["client"] == client) & (values["episode"] == episode)]
        own = own[own["date"] < "2026-07-01"]
        count["eligible"] += 1
        count["measured_at_start"] += len(own) > 0
        count["measured_again"] += own["date"].nunique() > 1
        count["analysed"] += any(g["date"].nunique() > 1 for _, g in own.groupby("instrument"))
    assert flow[STAGES].tolist() == list(count.values())
    assert flow[STAGES].is_monotonic_decreasing or flow[STAGES].nunique() == 1


def test_empty_attendance_counts_as_kept_and_the_last_day_counts(visits):
    assert eligible_episodes(visits, quarter="2026Q2")["client"].tolist() == list("abcd")


def test_bounds_hold_the_truth_whatever_the_missing_did():
    rng = np.random.default_rng(3)
    better = rng.random(80) < 0.4
    low, high = share_bounds(int(better[:50].sum()), analysed=50, eligible=80)
    assert low <= better.mean() <= high
    assert share_bounds(0, analysed=0, eligible=5) == (0.0, 1.0)
    assert mean_bounds(8, sd=10, analysed=80, eligible=80) == (8, 8)


def test_what_cannot_be_is_refused(values, visits):
    with pytest.raises(ArgumentError, match="must not decrease in that order, got 6, 5 and 8"):
        share_bounds(6, analysed=5, eligible=8)
    with pytest.raises(ArgumentError, match="analysed must not exceed eligible"):
        mean_bounds(1, sd=1, analysed=9, eligible=8)
    with pytest.raises(ArgumentError, match="clients must be given where by is given"):
        flow_counts(values, visits=visits, quarter="2026Q2", by=["clinic"])
    with pytest.raises(DataError, match="clients must have one row per client"):
        twice = pd.DataFrame({"client": ["a", "a"], "clinic": ["x", "y"]})
        flow_counts(values, visits=visits, quarter="2026Q2", by=["clinic"], clients=twice)
    with pytest.raises(DataError, match="must have the column measure"):
        flow_counts(values.drop(columns="measure"), visits=visits, quarter="2026Q2")
