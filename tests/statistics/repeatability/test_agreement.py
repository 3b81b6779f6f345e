"""Limits of agreement against printed tables and planted slopes."""

import numpy as np
import pandas as pd
import pytest
from evidence_scripts import load, stored
from statsmodels.regression.linear_model import OLS

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.repeatability import (
    agreement_pattern,
    limits_by_size,
    limits_of_agreement,
    ratio_limits,
)
from outcomes.statistics.repeatability.agreement_factors import pair_factor, single_factor

# Bland & Altman 1986, Lancet i:307, table 1: peak flow, first reading by each meter, l/min.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0]

# Cardiac output, clients with unequal replicates, worked example of Zou 2013.
ZOU = [
    (1, 7.83, 6.57),
    (1, 7.42, 5.62),
    (1, 7.89, 6.9),
    (1, 7.12, 6.57),
    (1, 7.88, np.nan),
    (2, 6.16, 4.06),
    (2, 7.26, 4.29),
    (2, 6.71, 4.26),
    (2, 6.54, np.nan),
    (3, 4.75, 4.71),
    (3, 5.24, 5.5),
    (3, 4.86, 5.08),
    (3, 4.78, 5.02),
    (3, 6.05, 6.01),
    (3, 5.42, 5.67),
    (4, 4.21, 4.14),
    (4, 3.61, 4.2),
    (4, 3.72, 4.61),
    (4, 3.87, 4.68),
    (4, 3.92, 5.04),
]


def test_bland_altman_1986():
    found = limits_of_agreement(LARGE, MINI, unit="l/min")
    assert found.mean_difference == pytest.approx(-2.1, abs=0.05)
    assert found.difference_sd == pytest.approx(38.8, abs=0.05)
    # The paper's limits -79.7 and 75.5 take 2 in place of 1.96, and rounded inputs.
    assert found.mean_difference - 2 * found.difference_sd == pytest.approx(-79.648, abs=5e-4)
    assert (found.lower_limit, found.upper_limit) == pytest.approx((-78.097, 73.862), abs=3e-3)


@pytest.mark.parametrize(
    ("df", "factors"),
    [
        # Carkeet 2015, Optom Vis Sci 92:e71, table: 2.5, 5, 95 and 97.5%.
        (1, (0.9744, 1.1237, 36.5192, 73.0772)),
        (2, (1.1051, 1.2333, 9.7888, 13.9396)),
        (5, (1.2825, 1.3847, 4.4222, 5.1983)),
        (9, (1.3915, 1.4778, 3.3934, 3.7706)),
        (16, (1.4900, 1.5619, 2.8683, 3.0824)),
        (29, (1.5808, 1.6393, 2.5549, 2.6854)),
        (49, (1.6505, 1.6985, 2.3816, 2.4703)),
        (74, (1.6982, 1.7390, 2.2862, 2.3534)),
    ],
)
def test_carkeet_2015_factors_of_a_pair(df, factors):
    found = [pair_factor(df, df + 1, 0.95, g) for g in (0.025, 0.05, 0.95, 0.975)]
    assert found == pytest.approx(factors, abs=5.1e-5)


def test_carkeet_2015_factors_of_one_limit():
    found = [single_factor(16, 17, 0.95, g) for g in (0.025, 0.975)]
    assert found == pytest.approx((1.3150, 3.1483), abs=5e-5)


def test_limits_use_the_factors():
    found = limits_of_agreement(LARGE, MINI).limits.set_index("quantity")
    s, b = found.loc["upper limit", "estimate"], found.loc["mean difference", "estimate"]
    sd = (s - b) / 1.959964
    assert found.loc["upper limit", "ci_high"] == pytest.approx(b + 3.14827 * sd, abs=1e-2)
    assert found.loc["upper limit, as a pair", "ci_high"] == pytest.approx(
        b + 3.0824 * sd, abs=1e-2
    )
    assert found.loc["lower limit, as a pair", "ci_high"] == pytest.approx(b - 1.49 * sd, abs=1e-2)


def test_zou_2013_unequal_replicates():
    rows = np.array(ZOU, dtype=float)
    found = limits_of_agreement(rows[:, 1], rows[:, 2], client=rows[:, 0], replicates="unlinked")
    limits = found.limits.set_index("quantity")
    assert (found.lower_limit, found.upper_limit) == pytest.approx((-2.23, 3.66), abs=5e-3)
    # Printed -9.76 to -.48 and 1.91 to 11.20; the paper carries rounded limits forward.
    ends = limits.loc[["lower limit", "upper limit"], ["ci_low", "ci_high"]].to_numpy().ravel()
    assert ends == pytest.approx([-9.76, -0.48, 1.91, 11.20], abs=1.1e-2)


def test_linked_replicates_equal_one_way_components(rng):
    client = np.repeat(np.arange(30), 4)
    d = 2 * rng.normal(size=30)[client] + rng.normal(size=120)
    found = limits_of_agreement(d, np.zeros(120), client=client)
    means = pd.Series(d).groupby(client).mean()
    within = pd.Series(d).groupby(client).var().mean()
    total = means.var() + (1 - 1 / 4) * within
    assert found.difference_sd == pytest.approx(np.sqrt(total))
    assert found.n == 30
    assert found.n_readings == 120


def test_limits_turn_with_the_sign():
    there, back = limits_of_agreement(LARGE, MINI), limits_of_agreement(MINI, LARGE)
    assert back.lower_limit == pytest.approx(-there.upper_limit)


def test_pattern_equals_least_squares():
    found = agreement_pattern(LARGE, MINI)
    check_result(found.columns)
    x, y = np.array(LARGE), np.array(MINI)
    fit = OLS(x - y, np.column_stack([np.ones(17), (x + y) / 2])).fit()
    row = found.iloc[0]
    assert row["estimate"] == pytest.approx(fit.params[1])
    assert row["p_value"] == pytest.approx(fit.pvalues[1])
    assert [row["ci_low"], row["ci_high"]] == pytest.approx(fit.conf_int()[1])


def test_planted_slopes_are_found(rng):
    size = rng.uniform(20, 120, 400)
    first = size * 1.04 + 0.02 * size * rng.normal(size=400)
    second = size * 0.96 + 0.02 * size * rng.normal(size=400)
    pattern = agreement_pattern(first, second)
    assert pattern["notes"].iloc[0].startswith("Bias changes with size")
    assert pattern["notes"].iloc[1] == "Spread changes with size: use ratio_limits."
    table = limits_by_size(first, second, sizes=[30, 100], unit="deg")
    check_result(table.columns)
    assert table["mean_difference"].tolist() == pytest.approx([2.4, 8.0], abs=0.5)
    assert table["difference_sd"].tolist() == pytest.approx(
        [0.02 * np.sqrt(2) * 30, 0.02 * np.sqrt(2) * 100], rel=0.15
    )
    ratio = ratio_limits(first, second)
    check_result(ratio.columns)
    assert ratio["estimate"].iloc[0] == pytest.approx(1.04 / 0.96, rel=0.01)


def test_regression_limits_hold_the_share(rng):
    def draw():
        size = rng.uniform(20, 120, 5000)
        return size + 0.03 * size * rng.normal(size=5000), size - 2 + 0.03 * size * rng.normal(
            size=5000
        )

    table = limits_by_size(*draw(), sizes=[30.0, 60, 110])
    new_first, new_second = draw()
    new, size = new_first - new_second, (new_first + new_second) / 2
    for _, row in table.iterrows():
        near = np.abs(size - row["size"]) < 4
        inside = (row["lower_limit"] < new[near]) & (new[near] < row["upper_limit"])
        assert inside.mean() == pytest.approx(0.95, abs=0.035)


def test_constant_spread_option():
    table = limits_by_size(LARGE, MINI, spread="constant")
    assert table["difference_sd"].nunique() == 1


def test_no_difference_varies():
    found = limits_of_agreement([1, 2, 3, 4, 5.0], [0, 1, 2, 3, 4.0])
    assert found.lower_limit == found.upper_limit == 1
    assert "nothing varies" in found.notes[0]


def test_few_clients_are_noted():
    assert "Only 3 clients" in limits_of_agreement([1, 2, 4.0], [2, 2, 3.0]).notes[0]


def test_results_are_in_the_glossary():
    found = limits_of_agreement(LARGE, MINI)
    for frame in (found.limits, found.points, found.table):
        check_result(frame.columns)


@pytest.mark.parametrize(
    ("first", "second", "options", "error", "message"),
    [
        ([1.0, 2], [1.0], {}, ArgumentError, "as long as each other, got 2 and 1"),
        ([1.0], [2.0], {}, DataError, "two or more clients"),
        ([1.0, np.nan], [2.0, 3], {}, DataError, "pairs must be complete; 1 of 2"),
        (["a", "b"], [1.0, 2], {}, DataError, "first must hold numbers"),
        ([1.0, np.inf], [1.0, 2], {}, DataError, "first must be finite"),
        ([1.0, 2], [1.0, 3], {"client": [1, 2]}, DataError, "must recur"),
        ([1.0, 2, 3], [1.0, 3, 4], {"client": [1, 1, None]}, DataError, "given for every row"),
        ([1.0, 2], [1.0, 3], {"coverage": 95}, ArgumentError, "coverage must be in"),
        ([1.0, 2], [1.0, 3], {"replicates": "none"}, ArgumentError, "replicates must be one of"),
        (
            [1.0, 2, 3],
            [np.nan, np.nan, 4],
            {"client": [1, 1, 2], "replicates": "unlinked"},
            DataError,
            "both be read in every client",
        ),
    ],
)
def test_pairs_that_cannot_be_used(first, second, options, error, message):
    with pytest.raises(error, match=message):
        limits_of_agreement(first, second, **options)


def test_sizes_and_ratios_that_cannot_be_used():
    with pytest.raises(DataError, match="sizes must lie among the sizes measured; 1 of 1"):
        limits_by_size(LARGE, MINI, sizes=[10_000])
    with pytest.raises(DataError, match="lie above zero for ratios"):
        ratio_limits([0.0, 1, 2], [1.0, 2, 3])
    with pytest.raises(DataError, match="four or more"):
        agreement_pattern([1.0, 2, 4], [1.0, 3, 4])
    with pytest.raises(DataError, match="must vary"):
        agreement_pattern([1.0, 2, 3, 4], [2.0, 3, 4, 5])
    size = np.array([1.0, 2, 3, 4, 50, 60, 70, 100])
    half = np.array([30, -30, 30, -30, 0.1, -0.1, 0.1, -0.1]) / 2
    with pytest.raises(ModelError, match="must stay above zero"):
        limits_by_size(size + half, size - half, sizes=[100])


def test_stored_coverage():
    result = stored("repeatability_agreement_coverage")
    for row in result["paired"]:
        assert row["sets"] == 10_000
        assert 0.943 <= row["coverage"] <= 0.957, row
        assert 0.943 <= row["pair_coverage"] <= 0.957, row
    for row in result["replicates"]:
        assert row["sets"] == 10_000
        assert 0.925 <= row["coverage"] <= 0.965, row


def test_small_rerun_of_the_coverage_simulation(rng):
    for row in load("repeatability_agreement_coverage").paired(rng, 500):
        assert row["coverage"] > 0.91
        assert row["pair_coverage"] > 0.91
