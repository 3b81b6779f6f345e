"""Reliability studies against Walter, Eliasziw & Donner 1998, Bonett 2002 and simulation."""

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import ArgumentError
from outcomes.statistics.planning import (
    clients_for_error,
    clients_for_icc,
    clients_for_icc_precision,
    power_icc,
)


def walter(low, high, k, alpha=0.05, beta=0.2):
    """Formula 2 of Walter, Eliasziw & Donner 1998."""
    c = (1 + k * low / (1 - low)) / (1 + k * high / (1 - high))
    z = stats.norm.isf(alpha) + stats.norm.isf(beta)
    return 1 + 2 * z**2 * k / (np.log(c) ** 2 * (k - 1))


def test_the_formula_gives_the_table_of_the_paper():
    # table 2, alpha .05, beta .20 (recalled): rho0 .6, rho1 .8, two raters 39.1, three 26.1
    assert walter(0.6, 0.8, 2) == pytest.approx(39.1, abs=0.6)
    assert walter(0.6, 0.8, 3) == pytest.approx(26.1, abs=0.6)


@pytest.mark.parametrize("k", [2, 3, 5])
@pytest.mark.parametrize(("low", "high"), [(0.4, 0.7), (0.6, 0.8), (0.7, 0.9), (0.0, 0.4)])
def test_exact_numbers_lie_beside_the_approximation(low, high, k):
    plan = clients_for_icc(icc=high, least_icc=low, readings=k)
    assert plan.n == pytest.approx(walter(low, high, k), abs=1.6)
    assert power_icc(plan.n, icc=high, least_icc=low, readings=k) >= 0.8
    assert power_icc(plan.n - 1, icc=high, least_icc=low, readings=k) < 0.8


def one_way(rng, n, k, icc, sims):
    values = np.sqrt(icc) * rng.standard_normal((sims, n, 1))
    values = values + np.sqrt(1 - icc) * rng.standard_normal((sims, n, k))
    means = values.mean(axis=2)
    between = k * means.var(axis=1, ddof=1)
    within = values.var(axis=2, ddof=1).mean(axis=1)
    return between / within


def test_power_is_that_of_simulated_studies():
    rng = np.random.default_rng(1)
    f = one_way(rng, 25, 3, 0.8, 20_000)
    cut = stats.f.isf(0.05, 24, 50) * (1 + 3 * 0.6 / 0.4)
    assert (f > cut).mean() == pytest.approx(
        power_icc(25, icc=0.8, least_icc=0.6, readings=3), abs=0.01
    )


@pytest.mark.parametrize(("k", "icc"), [(2, 0.8), (3, 0.8), (2, 0.5)])
def test_precision_is_that_of_simulated_studies(k, icc):
    plan = clients_for_icc_precision(0.1, icc=icc, readings=k)
    rng = np.random.default_rng(2)
    f = one_way(rng, plan.n, k, icc, 4000)
    tails = stats.f.ppf([0.975, 0.025], plan.n - 1, plan.n * (k - 1))
    low, high = [(f / tail - 1) / (f / tail + k - 1) for tail in tails]
    assert np.mean((high - low) / 2) == pytest.approx(0.1, abs=0.008)


def test_the_error_is_known_as_well_as_promised():
    plan = clients_for_error(0.2)
    df = plan.n
    assert np.sqrt(df / stats.chi2.ppf(0.025, df)) - 1 == pytest.approx(plan.achieved)
    assert plan.achieved <= 0.2 < np.sqrt((df - 1) / stats.chi2.ppf(0.025, df - 1)) - 1
    assert clients_for_error(0.2, readings=4).n == int(np.ceil(df / 3))


def test_impossible_plans_are_refused():
    with pytest.raises(ArgumentError, match="icc must exceed least_icc, got 0.6 and 0.8"):
        clients_for_icc(icc=0.6, least_icc=0.8)
    with pytest.raises(ArgumentError, match="readings must be a whole number of at least 2"):
        clients_for_error(0.2, readings=1)
    with pytest.raises(ArgumentError, match="half_width must be in"):
        clients_for_icc_precision(0.6, icc=0.8)
