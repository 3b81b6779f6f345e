"""Shares against Newcombe's two papers of 1998, and against the verdicts counted by hand."""

import pandas as pd
import pytest

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    number_needed,
    share,
    share_difference,
    share_interval,
    verdict_shares,
)
from outcomes.statistics.individual_change import judge_change

# Newcombe 1998, Stat Med 17:857, table I (figures recalled, confirmed by recomputing).
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("count", "n", "wilson", "exact"), NEWCOMBE)
def test_intervals_of_newcombe_1998(count, n, wilson, exact):
    found = share(count, n)
    assert (found.ci_low, found.ci_high) == pytest.approx(wilson, abs=5e-5)
    found = share(count, n, method="clopper_pearson")
    assert (found.ci_low, found.ci_high) == pytest.approx(exact, abs=5e-5)


def test_both_intervals_mirror_when_cases_and_others_change_places():
    for method in ("wilson", "clopper_pearson"):
        low, high = share_interval([0, 3, 20], 20, method=method)
        low_other, high_other = share_interval([20, 17, 0], 20, method=method)
        assert low == pytest.approx(1 - high_other)
        assert high == pytest.approx(1 - low_other)
        assert low[0] == 0 and high[2] == 1


@pytest.mark.parametrize(
    ("numbers", "expected"),
    # Newcombe 1998, Stat Med 17:873, table II, method 10 (recalled, confirmed by recomputing).
    [((56, 70, 48, 80), (0.0524, 0.3339)), ((9, 10, 3, 10), (0.1705, 0.8090))],
)
def test_difference_of_newcombe_1998(numbers, expected):
    found = share_difference(*numbers)
    assert (found.ci_low, found.ci_high) == pytest.approx(expected, abs=5e-5)


def test_number_needed_inverts_the_difference():
    found = number_needed(56, 70, 48, 80)
    assert found.estimate == pytest.approx(5)
    assert (found.ci_low, found.ci_high) == pytest.approx((1 / 0.3339, 1 / 0.0524), rel=2e-3)
    assert not found.notes
    unsure = number_needed(6, 10, 5, 10)
    assert unsure.ci_high < 0 < unsure.ci_low
    assert "through infinity" in unsure.notes[0]
    with pytest.raises(ArgumentError, match="two shares must differ"):
        number_needed(5, 10, 5, 10)


def test_refusals():
    for count, n in [(5, 4), (-1, 4), (1.5, 4), (0, 0)]:
        with pytest.raises(ArgumentError):
            share(count, n)
    with pytest.raises(ArgumentError, match="0 <= count <= n"):
        share_interval([1, 5], [4, 4])
    with pytest.raises(ArgumentError, match="method must be one of 'wilson', 'clopper_pearson'"):
        share(1, 4, method="wald")


def test_verdict_shares_count_by_measure():
    pairs = pd.DataFrame(
        {
            "measure": ["a"] * 4 + ["b"] * 2,
            "start_value": 50.0,
            "latest_value": [62.0, 56.0, 51.0, 40.0, 62.0, 50.0],
            "minimal_important_change": [5.0] * 4 + [None] * 2,
        }
    )
    rows = verdict_shares(judge_change(pairs, standard_error_of_measurement=3.0))
    check_result(rows.columns)
    counts = rows.set_index(["measure", "quantity"])[["count", "n"]]
    assert counts.loc[("a", "improved detectably")].to_list() == [1, 4]
    assert counts.loc[("a", "improved importantly")].to_list() == [2, 4]
    assert counts.loc[("a", "improved detectably and importantly")].to_list() == [1, 4]
    assert counts.loc[("a", "worsened detectably")].to_list() == [1, 4]
    assert counts.loc[("b", "improved detectably")].to_list() == [1, 2]
    assert ("b", "improved importantly") not in counts.index
    assert rows["measure"].is_monotonic_increasing
