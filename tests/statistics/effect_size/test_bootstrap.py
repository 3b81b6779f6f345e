"""The bootstrap against scipy's, and adjusted p-values against statsmodels'."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    BOOTSTRAPPED,
    STUDENTISED,
    adjust_for_many,
    benjamini_hochberg,
    bootstrap_interval,
    holm,
    standardised_change,
)
from outcomes.statistics.effect_size.bootstrap import _bca, _leave_out


@pytest.fixture
def pairs():
    rng = np.random.default_rng(70)
    x = rng.normal(50, 8, 40)
    return pd.DataFrame({"start_value": x, "latest_value": 0.7 * x + 20 + rng.gamma(2, 3, 40)})


@pytest.mark.parametrize("name", list(STUDENTISED))
def test_standard_errors_are_those_of_the_infinitesimal_jackknife(pairs, name):
    # Efron & Tibshirani 1993, An introduction to the bootstrap, 11.5: delete-one values over n - 1
    start = pairs["start_value"].to_numpy()
    gain = pairs["latest_value"].to_numpy() - start
    n = gain.size
    deleted = _leave_out(BOOTSTRAPPED[name], start, gain)
    jackknife = np.sqrt((n - 1) / n * np.sum((deleted - deleted.mean()) ** 2))
    assert STUDENTISED[name](start, gain) == pytest.approx(jackknife, rel=0.05)


def test_studentised_interval_by_hand(pairs):
    start = pairs["start_value"].to_numpy()
    gain = pairs["latest_value"].to_numpy() - start
    found = bootstrap_interval(
        pairs, "d_z", rng=np.random.default_rng(3), n_resamples=4_000, interval="studentised"
    )
    value, error = gain.mean() / gain.std(ddof=1), float(STUDENTISED["d_z"](start, gain))
    rng, t = np.random.default_rng(4), []
    for _ in range(4_000):
        d = rng.choice(gain, gain.size)
        z = (d - d.mean()) / d.std(ddof=1)
        theirs = d.mean() / d.std(ddof=1)
        u = z - theirs * (z**2 - 1) / 2
        t.append((theirs - value) / np.sqrt(np.sum(u**2) / (d.size * (d.size - 1))))
    low, high = value - error * np.quantile(t, [0.975, 0.025])
    width = found.ci_high - found.ci_low
    assert found.ci_low == pytest.approx(low, abs=0.06 * width)
    assert found.ci_high == pytest.approx(high, abs=0.06 * width)
    with pytest.raises(ArgumentError, match="for a studentised interval"):
        bootstrap_interval(pairs, "median", rng=np.random.default_rng(1), interval="studentised")


def test_interval_agrees_with_scipy(pairs):
    gain = (pairs["latest_value"] - pairs["start_value"]).to_numpy()
    for name, function in (
        ("mean", np.mean),
        ("d_z", lambda d, axis: d.mean(axis=axis) / d.std(axis=axis, ddof=1)),
    ):
        theirs = stats.bootstrap(
            (gain,), function, method="BCa", n_resamples=60_000, rng=np.random.default_rng(1)
        )
        ours = bootstrap_interval(pairs, name, rng=np.random.default_rng(2), n_resamples=60_000)
        # two independent draws of 60,000: ends differ by about 0.5 % of the width
        width = ours.ci_high - ours.ci_low
        assert ours.ci_low == pytest.approx(theirs.confidence_interval.low, abs=0.03 * width)
        assert ours.ci_high == pytest.approx(theirs.confidence_interval.high, abs=0.03 * width)


def test_named_statistics_are_the_ones_of_the_tables(pairs):
    rows = standardised_change(pairs).set_index("quantity")["uncorrected"]
    for name in rows.index:
        found = bootstrap_interval(pairs, name, rng=np.random.default_rng(3), n_resamples=999)
        assert found.estimate == pytest.approx(rows[name])
    gain = (pairs["latest_value"] - pairs["start_value"]).to_numpy()
    trimmed = bootstrap_interval(pairs, "trimmed_mean", rng=np.random.default_rng(3))
    assert trimmed.estimate == pytest.approx(stats.trim_mean(gain, 0.2))
    winsorised = stats.mstats.winsorize(gain, limits=(0.2, 0.2)).std(ddof=1)
    robust = bootstrap_interval(pairs, "robust_d", rng=np.random.default_rng(3))
    assert robust.estimate == pytest.approx(0.642 * stats.trim_mean(gain, 0.2) / winsorised)


def test_every_statistic_gives_an_interval_around_itself(pairs):
    for name in BOOTSTRAPPED:
        found = bootstrap_interval(pairs, name, rng=np.random.default_rng(4), n_resamples=999)
        assert found.ci_low < found.estimate < found.ci_high
        check_result(found.table.columns)


def test_own_function_and_same_rng_same_result(pairs):
    def share_above_five(start, gain):
        return (gain > 5).mean(axis=-1)

    one, two = (
        bootstrap_interval(pairs, share_above_five, rng=np.random.default_rng(5)) for _ in range(2)
    )
    assert one.interval == two.interval
    assert one.method.startswith("share_above_five")


def test_jackknife_blocks_cover_every_client():
    gain = np.arange(1203.0)
    left_out = _leave_out(BOOTSTRAPPED["mean"], gain, gain)
    assert left_out.size == 300  # blocks of four; the last three clients stay in
    whole = _leave_out(BOOTSTRAPPED["mean"], gain[:50], gain[:50])
    assert whole == pytest.approx([np.delete(gain[:50], i).mean() for i in range(50)])


def test_resamples_that_agree_give_a_point():
    assert _bca(2.0, np.full(999, 2.0), np.arange(10.0), 0.95) == (2.0, 2.0)


def test_adjusted_p_values_against_statsmodels():
    rng = np.random.default_rng(71)
    p = rng.uniform(size=25) ** 3
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1])
    rows = adjust_for_many(pd.DataFrame({"p_value": p}))
    check_result(rows.columns)
    assert rows["p_value_holm"].to_numpy() == pytest.approx(holm(p))
    assert holm([]).size == 0


def test_refusals(pairs):
    rng = np.random.default_rng(6)
    with pytest.raises(DataError, match="at least 10 clients, got 9"):
        bootstrap_interval(pairs.head(9), rng=rng)
    with pytest.raises(ArgumentError, match="statistic must be one of 'mean'"):
        bootstrap_interval(pairs, "mode", rng=rng)
    with pytest.raises(ArgumentError, match="n_resamples must be a whole number of at least 999"):
        bootstrap_interval(pairs, rng=rng, n_resamples=100)
    with pytest.raises(DataError, match="do not differ enough"):
        bootstrap_interval(pairs.assign(latest_value=pairs["start_value"] + 1), "d_z", rng=rng)
    with pytest.raises(DataError, match="p_value must lie between 0 and 1; 1 of 2 rows does not"):
        adjust_for_many(pd.DataFrame({"p_value": [0.1, np.nan]}))
