"""Event rates against the Poisson distribution itself and published rules."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.service import event_counts, event_rate, rate_ratio, rule_of_three


@pytest.mark.parametrize(("count", "visits"), [(1, 40), (3, 600), (27, 2500)])
def test_the_ends_of_the_interval_leave_exactly_half_the_error_in_each_tail(count, visits):
    rate = event_rate(count, visits=visits, level=0.95)
    low, high = rate.ci_low * visits / 1000, rate.ci_high * visits / 1000
    assert stats.poisson.sf(count - 1, low) == pytest.approx(0.025, rel=1e-9)
    assert stats.poisson.cdf(count, high) == pytest.approx(0.025, rel=1e-9)


def test_garwood_table():
    # Garwood 1936 (recalled from the usual tables): 10 events, 4.80 to 18.39
    rate = event_rate(10, visits=1000)
    assert rate.ci_low == pytest.approx(4.795, abs=5e-4)
    assert rate.ci_high == pytest.approx(18.390, abs=5e-4)


def test_no_event_gives_a_one_sided_limit_near_three_over_n():
    # Hanley & Lippman-Hand 1983: 3 / n, a rounding of -ln(.05) / n = 2.996 / n
    rate = event_rate(0, visits=1500)
    assert (rate.estimate, rate.ci_low) == (0, 0)
    assert rate.ci_high == pytest.approx(1000 * -np.log(0.025) / 1500, rel=1e-9)
    assert rate.notes
    assert rule_of_three(1500) == pytest.approx(3 / 1500, rel=0.003)
    assert stats.binom.pmf(0, 70, rule_of_three(70)) == pytest.approx(0.05, rel=1e-9)


def test_the_interval_covers_at_least_its_level():
    for mean in np.linspace(0.5, 12, 24):
        counts = np.arange(0, 60)
        inside = [
            event_rate(int(d), visits=1000).ci_low
            <= mean
            <= event_rate(int(d), visits=1000).ci_high
            for d in counts
        ]
        assert stats.poisson.pmf(counts, mean)[inside].sum() >= 0.95 - 1e-9


def test_ratio_of_rates_agrees_with_the_conditional_test():
    ratio = rate_ratio((12, 800), (5, 900))
    assert ratio.estimate == pytest.approx((12 / 800) / (5 / 900))
    for end, tail in ((ratio.ci_low, "greater"), (ratio.ci_high, "less")):
        share = end * 800 / (end * 800 + 900)
        assert stats.binomtest(12, 17, share, alternative=tail).pvalue == pytest.approx(0.025)
    none = rate_ratio((0, 100), (0, 100))
    assert np.isnan(none.estimate) and (none.ci_low, none.ci_high) == (0, np.inf) and none.notes
    assert rate_ratio((2, 100), (0, 100)).estimate == np.inf
    assert rate_ratio((0, 100), (2, 100)).ci_low == 0


def test_events_are_counted_over_kept_visits_by_quarter_and_severity():
    visits = pd.DataFrame(
        {
            "client": ["a", "a", "b", "b", "b"],
            "date": pd.to_datetime(
                ["2026-01-05", "2026-04-01", "2026-04-02", "2026-04-09", "2026-04-16"]
            ),
            "attended": pd.array([True, None, True, True, False], dtype="boolean"),
        }
    )
    events = pd.DataFrame(
        {
            "client": ["b", "b"],
            "date": pd.to_datetime(["2026-04-03", "2026-04-10"]),
            "event": ["soreness", "dizziness"],
            "severity": ["mild", None],
        }
    )
    table = event_counts(events, visits=visits)
    second = table[table["quarter"] == "2026Q2"].set_index("severity")
    assert second["count"].to_dict() == {"any": 2, "mild": 1, "not recorded": 1}
    assert second.loc["any", "visits"] == 3 and second.loc["any", "clients"] == 1
    assert second.loc["any", "rate_per_1000"] == pytest.approx(2000 / 3)
    assert table.loc[table["quarter"] == "2026Q1", "count"].eq(0).all()
    check_result(table.columns)
    quiet = event_counts(events.head(0), visits=visits)
    assert quiet["severity"].unique().tolist() == ["any"]


def test_impossible_counts_are_refused():
    with pytest.raises(ArgumentError, match="count must be a whole number of at least 0, got -1"):
        event_rate(-1, visits=10)
    with pytest.raises(ArgumentError, match="visits must be above zero"):
        event_rate(1, visits=0)
    with pytest.raises(ArgumentError, match="level must be in"):
        event_rate(1, visits=10, level=95)
    with pytest.raises(DataError, match="the events must have the column event"):
        event_counts(pd.DataFrame({"client": [], "date": []}), visits=pd.DataFrame())
