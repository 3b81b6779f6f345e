"""What a network's page shows over the quarters is what one machine shows, from counts."""

import numpy as np
import pandas as pd
import pytest

from outcomes.network import planning
from outcomes.network.attention import write_attention
from outcomes.network.review import review_network
from outcomes.network.store import pack
from outcomes.statistics.review import prepare_meeting, review_quarter
from outcomes.statistics.service.attention import REASONS

MEASURES = ["shoulder_flexion", "nprs"]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return pack("data_synthetic/caseload", tmp_path_factory.mktemp("net") / "store", buckets=3)


@pytest.fixture(scope="module")
def both(store):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planning, "_TASK_ROWS", 8_000)
        network = review_network(store, measures=MEASURES)
    review = review_quarter(store.caseload(), measures=MEASURES)
    return network, prepare_meeting(review, rng=np.random.default_rng(1))


def test_charts_over_the_quarters_are_the_same(both):
    network, meeting = both
    mine, theirs = network.quarters, meeting
    assert mine.gain_charts.keys() == theirs.gain_charts.keys() == set(MEASURES)
    for code in MEASURES:
        pd.testing.assert_frame_equal(mine.gain_charts[code], theirs.gain_charts[code])
    pd.testing.assert_frame_equal(mine.follow_up_chart, theirs.follow_up_chart)


def test_small_shifts_are_looked_for_in_the_same_means(both):
    network, meeting = both
    assert set(meeting.small_shifts["measure"]) == set(MEASURES)
    pd.testing.assert_frame_equal(network.quarters.small_shifts, meeting.small_shifts)


def test_the_rate_of_events_is_the_same(both):
    network, meeting = both
    np.testing.assert_equal(vars(network.quarters.events), vars(meeting.events))
    assert network.quarters.events.count > 0
    pd.testing.assert_frame_equal(network.quarters.event_chart, meeting.event_chart)


def test_lists_for_each_clinic_hold_the_same_clients(both, tmp_path):
    """All reasons but "levelled off", which a network does not look for."""
    network, meeting = both
    counts = write_attention(network, tmp_path)
    theirs = meeting.attention[meeting.attention["reason"] != REASONS[2]]
    keys = ["client", "episode", "reason", "days", "event"]
    lists = [pd.read_csv(path) for path in sorted(tmp_path.iterdir())]
    assert [path.name for path in sorted(tmp_path.iterdir())] == [
        "clinic=field.csv",
        "clinic=hall.csv",
    ]
    mine, whole = pd.concat(lists), {"episode": "Int64", "days": "Int64"}
    rows = [
        sorted(map(tuple, frame[keys].astype("object").fillna("").astype(str).to_numpy()))
        for frame in (mine.astype(whole), theirs.astype(whole))
    ]
    assert rows[0] == rows[1]
    assert counts["count"].sum() == len(theirs)


def test_the_day_of_the_lists_is_read_from_the_files(store):
    visits = store.caseload().visits
    assert planning.last_day(store, "all") == str(visits["date"].max().date())
    assert planning.last_day(store, "2025Q3") == "2025-09-30"
