"""Funnel limits against Spiegelhalter 2005 and Seaton & Manktelow 2012."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.service import funnel_lines, share_funnel
from outcomes.statistics.service.funnel import (
    binomial_funnel_limit,
    dispersion,
    poisson_funnel_limit,
)


@pytest.mark.parametrize(
    ("probability", "limit"),
    [(0.001, 0.01418), (0.025, 0.04038), (0.975, 0.15772), (0.999, 0.19836)],
)
def test_interpolated_limits_of_spiegelhalter(probability, limit):
    # Spiegelhalter 2005, appendix A.1.1, theta .1 and n 100; digits computed apart from this code
    found = binomial_funnel_limit(100, theta=0.1, probability=probability)
    assert found == pytest.approx(limit, abs=5e-6)


def test_small_groups_have_no_lower_limit_below_zero():
    limits = binomial_funnel_limit(np.array([1, 2, 5, 10]), theta=0.1, probability=0.001)
    assert (limits == 0).all()


def test_usual_limits_cry_wolf_as_often_as_published():
    # Seaton & Manktelow 2012: expected counts 1 to 50, median chance that a unit in control lies
    # above the upper 95% limit: Wald .0301, exact (chi-square) .0121.
    expected = np.linspace(1, 50, 491)
    wald = expected + stats.norm.ppf(0.975) * np.sqrt(expected)
    chi = stats.chi2.ppf(0.975, 2 * (expected + 1)) / 2
    assert np.median(stats.poisson.sf(wald, expected)) == pytest.approx(0.0301, abs=2e-4)
    assert np.median(stats.poisson.sf(chi, expected)) == pytest.approx(0.0121, abs=1e-4)
    # the interpolated upper limit shares that fault: a count just above it is too common ...
    published = poisson_funnel_limit(expected, probability=0.975) * expected
    assert np.median(stats.poisson.sf(published, expected)) > 0.025


def test_outside_is_never_commoner_than_its_tail():
    # ... so the funnel draws its upper line one count higher, and no lower one needs moving
    for theta in (0.1, 0.35, 0.7):
        n = np.arange(1, 120)
        groups = pd.DataFrame({"group": n, "count": np.minimum(1, n), "n": n})
        funnel = share_funnel(groups, theta=theta, overdispersion=False)
        for name, tail in (("95", 0.025), ("998", 0.001)):
            most = np.floor(funnel[f"upper_{name}"] * n + 1e-9)
            least = np.ceil(funnel[f"lower_{name}"] * n - 1e-9)
            assert (stats.binom.sf(most, n, theta) <= tail * (1 + 1e-9)).all()
            assert (stats.binom.cdf(least - 1, n, theta) <= tail * (1 + 1e-9)).all()
            # and nothing is wasted: one count less would be too common
            assert (stats.binom.sf(most - 1, n, theta) > tail)[most > 0].all()
        published = binomial_funnel_limit(n, theta=theta, probability=0.975)
        inside = funnel["upper_95"] < 1
        assert funnel.loc[inside, "upper_95"].to_numpy() == pytest.approx(
            (published + 1 / n)[inside]
        )


def test_interpolation_passes_through_the_exact_counts():
    expected = 10.0
    for count in (5, 9, 17):
        reached = float(stats.poisson.cdf(count, expected))
        limit = poisson_funnel_limit(expected, probability=reached)
        assert limit * expected == pytest.approx(count, abs=1e-6)
    for count in (3, 12):
        reached = float(stats.binom.cdf(count, 40, 0.2))
        limit = binomial_funnel_limit(40, theta=0.2, probability=reached)
        assert limit * 40 == pytest.approx(count, abs=1e-6)


def test_groups_in_control_lie_outside_no_more_often_than_stated():
    rng = np.random.default_rng(8)
    n = np.tile([12, 25, 40, 60, 90, 150], 2000)
    groups = pd.DataFrame({"group": np.arange(n.size), "count": rng.binomial(n, 0.4), "n": n})
    funnel = share_funnel(groups, theta=0.4, overdispersion=False)
    assert 0.02 < (funnel["position"] != "inside").mean() < 0.05
    assert (funnel["position"] == "beyond 99.8%").mean() < 0.0025


def test_overdispersion_is_applied_only_where_clear():
    rng = np.random.default_rng(2)
    n = np.full(60, 80)
    quiet = pd.DataFrame({"group": np.arange(60), "count": rng.binomial(n, 0.4), "n": n})
    assert share_funnel(quiet)["dispersion"].iloc[0] == 1
    spread = rng.beta(8, 12, size=60)
    loud = quiet.assign(count=rng.binomial(n, spread))
    funnel = share_funnel(loud)
    assert funnel["dispersion"].iloc[0] > 2
    plain = share_funnel(loud, overdispersion=False)
    assert (funnel["upper_95"] > plain["upper_95"]).all()
    assert (funnel["position"] != "inside").mean() < (plain["position"] != "inside").mean()
    # phi by hand, without trimming
    share = loud["count"].to_numpy() / 80
    theta = 0.4
    z = (share - theta) / np.sqrt(theta * (1 - theta) / 80)
    assert dispersion(share, n, theta, trim=0) == pytest.approx(np.mean(z**2))


def test_lines_are_those_that_groups_are_judged_by():
    groups = pd.DataFrame({"group": range(6), "count": [3, 9, 20, 44, 12, 70]})
    groups["n"] = [10, 30, 40, 90, 60, 100]
    funnel = share_funnel(groups)
    lines = funnel_lines(funnel["n"], theta=funnel["target"].iloc[0],
                         dispersion=funnel["dispersion"].iloc[0])  # fmt: skip
    for name in ("lower_95", "upper_95", "lower_998", "upper_998"):
        assert (lines[name] == funnel[name]).all()
    with pytest.raises(ArgumentError, match="dispersion must be at least 1"):
        funnel_lines(funnel["n"], theta=0.4, dispersion=0.5)


def test_groups_are_not_ranked_and_order_is_by_name():
    groups = pd.DataFrame({"group": ["b", "a"], "count": [30, 5], "n": [60, 40]})
    funnel = share_funnel(groups)
    assert funnel["group"].tolist() == ["a", "b"]
    check_result(funnel.columns)


def test_impossible_groups_are_refused():
    groups = pd.DataFrame({"group": ["a", "b"], "count": [3, 9], "n": [5, 8]})
    with pytest.raises(DataError, match="whole number from 0 to n; 1 of 2 rows does not"):
        share_funnel(groups)
    with pytest.raises(DataError, match="no funnel can be drawn"):
        share_funnel(groups.assign(count=0))
    with pytest.raises(ArgumentError, match="theta must be in"):
        binomial_funnel_limit(10, theta=1, probability=0.5)
    with pytest.raises(DataError, match="n must be at least 1"):
        binomial_funnel_limit(0, theta=0.5, probability=0.5)
    with pytest.raises(DataError, match="expected must be above zero"):
        poisson_funnel_limit(0, probability=0.5)
    with pytest.raises(ArgumentError, match="trim must be in"):
        dispersion(np.array([0.5]), np.array([4]), 0.5, trim=0.5)
