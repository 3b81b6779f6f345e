"""The saw-tooth of a caseload against a plain loop, and courses of some clients alone."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import (
    fit_client_courses,
    immediate_and_kept,
    meeting_table,
    saw_tooth,
)


def readings(seed=1, n=30, visits=6):
    """Clients leave one by one; a few visits lack the reading after treatment."""
    rng = np.random.default_rng(seed)
    rows = [
        (client, visit + 1, visit * 1.0, 50 + 2 * visit + rng.normal(0, 2), 4 + rng.normal(0, 2))
        for client in range(n)
        for visit in range(rng.integers(2, visits + 1))
    ]
    table = pd.DataFrame(rows, columns=["client", "visit", "week", "value", "up"])
    before = table.drop(columns="up")
    after = table.assign(value=table["value"] + table["up"]).drop(columns="up")
    return before, after[rng.random(len(after)) < 0.85]


def test_each_tooth_is_that_of_a_plain_loop():
    before, after = readings()
    found = saw_tooth(immediate_and_kept(before, after, link=False), least=5)
    check_result(found.columns)
    level = 0.0
    values = {(r.client, r.visit): r.value for r in before.itertuples()}
    ups = {(r.client, r.visit): r.value for r in after.itertuples()}
    for row in found.itertuples():
        both = [c for c in range(30) if (c, row.visit) in ups and (c, row.visit + 1) in values]
        gains = [ups[c, row.visit] - values[c, row.visit] for c in both]
        kept = np.mean([values[c, row.visit + 1] - values[c, row.visit] for c in both])
        assert row.n == len(both) >= 5
        assert row.immediate_gain == pytest.approx(np.mean(gains))
        assert row.kept_gain == pytest.approx(kept)
        assert row.before_level == pytest.approx(level)
        half = stats.t.ppf(0.975, len(both) - 1) * stats.sem(gains)
        assert row.ci_high - row.immediate_gain == pytest.approx(half)
        level += kept
    assert len(found) >= 4


def test_too_few_clients_make_no_tooth():
    kept = immediate_and_kept(*readings(n=8), link=False)
    with pytest.raises(DataError, match="at least 10 clients"):
        saw_tooth(kept)
    with pytest.raises(ArgumentError, match="least"):
        saw_tooth(kept, least=1)


def test_a_known_scale_gives_the_same_link():
    before, after = readings(seed=3, n=60)
    scale = fit_client_courses(before).scale
    own = immediate_and_kept(before, after).summary
    given = immediate_and_kept(before, after, scale=scale).summary
    pd.testing.assert_frame_equal(own, given)
    short = immediate_and_kept(before, after, link=False)
    assert set(own["quantity"]) - set(short.summary["quantity"]) == {
        "trend of the before level per week",
        "correlation of immediate and lasting gain",
        "lasting gain per unit of immediate gain",
    }
    with pytest.raises(ArgumentError, match="scale must be above 0"):
        immediate_and_kept(before, after, scale=0.0)


def test_some_courses_are_those_of_all():
    before, _ = readings(seed=4, n=40)
    courses = fit_client_courses(before)
    at = [3, 17, 30]
    some = courses.only(at)
    assert some.n == 3 and some.series["client"].tolist() == at
    assert some.level(2.0).mean == pytest.approx(courses.level(2.0).mean[at])
    assert some.first_to_latest().sd == pytest.approx(courses.first_to_latest().sd[at])
    everybody = meeting_table(courses).set_index("client")
    few = meeting_table(courses.only(np.isin(np.arange(40), at))).set_index("client")
    pd.testing.assert_frame_equal(few.sort_index(), everybody.loc[at].sort_index())
