import numpy as np
import pytest
from scipy import stats

from outcomes.statistics.service.mixtures import mixture_above, mixture_quantile


@pytest.mark.parametrize("seed", range(20))
def test_quantiles_of_mixtures_give_their_probability_back(seed):
    rng = np.random.default_rng(seed)
    parts = int(rng.integers(1, 60))
    weights = rng.dirichlet(np.ones(parts))
    centre = rng.normal(0, 10 ** rng.uniform(-3, 2), (parts, 3))
    spread = 10 ** rng.uniform(-4, 1.5, (parts, 3))
    df = int(rng.integers(3, 200))
    for probability in (0.001, 0.025, 0.5, 0.975):
        found = mixture_quantile(weights, centre, spread, df, probability)
        back = weights @ stats.t.cdf((found - centre) / spread, df)
        assert back == pytest.approx(probability, abs=1e-6)
    above = mixture_above(weights, centre, spread, df)
    assert above == pytest.approx(weights @ stats.t.sf(-centre / spread, df))


def test_one_part_is_the_plain_distribution():
    found = mixture_quantile(np.ones(1), np.array([[2.0]]), np.array([[3.0]]), 7, 0.975)
    assert found == pytest.approx(stats.t.ppf(0.975, 7, 2, 3))
