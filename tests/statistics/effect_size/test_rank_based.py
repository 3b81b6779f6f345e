"""Rank-based and robust results against R's wilcox.test, scipy and plain counting."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    chance_of_improving,
    cliffs_delta,
    common_language_effect,
    hodges_lehmann_shift,
    typical_change,
)
from outcomes.statistics.effect_size._order import (
    kth_difference,
    kth_walsh_average,
    rank_sum_quantile,
    signed_rank_quantile,
)
from outcomes.statistics.effect_size.location import hodges_lehmann, median_interval

R = json.loads(
    (Path(__file__).parents[2] / "reference/effect_size/rank_intervals.json").read_text()
)


def as_pairs(gain):
    return pd.DataFrame({"start_value": 0.0, "latest_value": np.asarray(gain, float)})


def test_hodges_lehmann_against_r():
    assert hodges_lehmann(np.array(R["one"])) == pytest.approx(R["signed_rank"])
    found = hodges_lehmann_shift(R["one"], R["two"])
    assert (found.estimate, found.ci_low, found.ci_high) == pytest.approx(R["shift"])


def test_quantiles_against_r():
    found = [signed_rank_quantile(0.025, n) for n in (8, 15, 30, 50)]
    assert found == R["qsignrank"]
    found = [rank_sum_quantile(0.025, n, m) for n, m in ((8, 8), (12, 30), (50, 47))]
    assert found == R["qwilcox"]
    # beyond the exact range, the normal approximation must join on smoothly
    assert signed_rank_quantile(0.025, 51) - signed_rank_quantile(0.025, 50) in range(14, 22)


def test_order_statistics_of_pairs_by_building_them():
    rng = np.random.default_rng(67)
    for values in (rng.normal(size=23), rng.integers(0, 6, 24).astype(float)):
        i, j = np.triu_indices(values.size)
        every = np.sort((values[i] + values[j]) / 2)
        found = [kth_walsh_average(values, k) for k in (1, 7, every.size // 2, every.size)]
        assert found == pytest.approx([every[k - 1] for k in (1, 7, every.size // 2, every.size)])
        other = values[:9] + 0.5
        every = np.sort((values[:, None] - other).ravel())
        found = [kth_difference(values, other, k) for k in (1, 50, every.size)]
        assert found == pytest.approx([every[k - 1] for k in (1, 50, every.size)])


def test_typical_change_by_reference_functions():
    rng = np.random.default_rng(68)
    gain = rng.gamma(2, 4, 30) - 3
    rows = typical_change(as_pairs(gain)).set_index("quantity")
    check_result(rows.reset_index().columns)
    assert rows.loc["trimmed mean", "estimate"] == pytest.approx(stats.trim_mean(gain, 0.2))
    error = stats.mstats.trimmed_stde(gain, limits=(0.2, 0.2))
    half = stats.t.ppf(0.975, 30 - 2 * 6 - 1) * error
    assert rows.loc["trimmed mean", "ci_high"] == pytest.approx(stats.trim_mean(gain, 0.2) + half)
    assert rows.loc["median", "estimate"] == np.median(gain)


def test_median_interval_lies_between_its_two_order_statistics():
    gain = np.arange(1.0, 21.0)  # n = 20: (6, 15) covers 95.86 %, (7, 14) 88.5 %
    low, high = median_interval(gain)
    assert 6 < low < 6.3 and 14.7 < high < 15
    assert low + high == pytest.approx(21)
    assert median_interval(np.arange(5.0)) == (0, 4)


def test_common_language_effects():
    # McGraw & Wong 1992, Psychol Bull 111:361: .92; Lakens 2013: .93 within, .79 between.
    assert common_language_effect(69.7, 2.8, 64.3, 2.6) == pytest.approx(0.92, abs=5e-3)
    first, second = [9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9], [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7]
    between = common_language_effect(
        np.mean(first), np.std(first, ddof=1), np.mean(second), np.std(second, ddof=1)
    )
    assert between == pytest.approx(0.79, abs=5e-3)
    rows = chance_of_improving(pd.DataFrame({"start_value": second, "latest_value": first}))
    check_result(rows.columns)
    rows = rows.set_index("quantity")
    assert rows.loc["common-language effect", "estimate"] == pytest.approx(0.93, abs=5e-3)


def test_chances_by_plain_counting():
    gain = np.array([4.0, -1.0, 0.0, 2.0, 2.0, -3.0, 6.0, 5.0])
    rows = chance_of_improving(as_pairs(gain)).set_index("quantity")
    assert rows.loc["share improved", "estimate"] == (5 + 0.5) / 8
    w = stats.wilcoxon(gain, alternative="greater").statistic
    total = 7 * 8 / 2
    assert rows.loc["rank-biserial correlation", "estimate"] == pytest.approx(2 * w / total - 1)
    assert (rows["ci_low"] <= rows["estimate"]).all() and (
        rows["estimate"] <= rows["ci_high"]
    ).all()


def test_cliffs_delta_by_counting_all_pairs():
    rng = np.random.default_rng(69)
    x, y = rng.integers(0, 8, 14).astype(float), rng.integers(0, 6, 11).astype(float)
    d = np.sign(x[:, None] - y)
    n, m = d.shape
    delta = d.mean()
    variance = (
        m**2 * ((d.mean(axis=1) - delta) ** 2).sum()
        + n**2 * ((d.mean(axis=0) - delta) ** 2).sum()
        - ((d - delta) ** 2).sum()
    ) / (n * m * (n - 1) * (m - 1))
    z = stats.t.ppf(0.975, n + m - 2)
    half = z * np.sqrt(variance * ((1 - delta**2) ** 2 + z**2 * variance))
    below = 1 - delta**2 + z**2 * variance
    found = cliffs_delta(x, y)
    assert found.estimate == pytest.approx(delta)
    assert (found.ci_low, found.ci_high) == pytest.approx(
        ((delta - delta**3 - half) / below, (delta - delta**3 + half) / below)
    )
    apart = cliffs_delta([5.0, 6, 7, 8], [1.0, 2, 3, 4])
    assert apart.estimate == apart.ci_high == 1 and apart.ci_low < 1


def test_refusals():
    with pytest.raises(DataError, match="at least 6 clients, got 5"):
        typical_change(as_pairs(range(5)))
    with pytest.raises(DataError, match="at least 5 clients, got 4"):
        chance_of_improving(as_pairs(range(4)))
    with pytest.raises(DataError, match="changes must differ"):
        chance_of_improving(as_pairs([1.0] * 6))
    with pytest.raises(DataError, match="each group must have at least 4 clients, got 3 and 4"):
        cliffs_delta([1.0, 2, 3], [1.0, 2, 3, 4])
    with pytest.raises(DataError, match="numbers only"):
        hodges_lehmann_shift([1.0, 2, 3, np.nan], [1.0, 2, 3, 4])
