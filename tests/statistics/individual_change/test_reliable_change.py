"""Reliable change, sides, profiles: Jacobson & Truax 1991, arithmetic, simulated alarms."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import (
    RELIABLE_CHANGE,
    Reference,
    clinical_cutoffs,
    compare_sides,
    judge_change,
    profile,
    reliable_change,
)

FULL = Reference(sd=8.0, reliability=0.8, mean=50.0, retest_mean=52.0, retest_sd=9.0, n=30)


def test_jacobson_and_truax_1991():
    # SD 7.5, reliability .80, 32.5 to 47.5: SE 3.35, SE of difference 4.74, index 3.16.
    pairs = pd.DataFrame({"start_value": [32.5], "latest_value": [47.5]})
    rows = reliable_change(pairs, reference=Reference(sd=7.5, reliability=0.80))
    assert rows["variant"].to_list() == ["classic"]
    assert rows["index"][0] == pytest.approx(3.162, abs=5e-4)
    error = 7.5 * np.sqrt(1 - 0.8)
    assert error == pytest.approx(3.35, abs=5e-3)
    same = judge_change(pairs, standard_error_of_measurement=error)
    z = same["improvement"] / same["minimal_detectable_change"] * stats.norm.ppf(0.975)
    assert z[0] == pytest.approx(rows["index"][0])
    cutoffs = clinical_cutoffs(client_mean=40, client_sd=7.5, healthy_mean=60, healthy_sd=7.5)
    check_result(cutoffs.columns)
    assert cutoffs["value"].to_list() == [55, 45, 50]
    mirrored = clinical_cutoffs(client_mean=60, client_sd=7.5, healthy_mean=40, healthy_sd=7.5)
    assert mirrored["value"].to_list() == [45, 55, 50]


def test_every_variant_by_hand():
    pairs = pd.DataFrame({"client": ["a"], "start_value": [40.0], "latest_value": [58.0]})
    rows = reliable_change(pairs, reference=FULL).set_index("variant")
    check_result(rows.reset_index().columns)
    assert list(rows.index) == list(RELIABLE_CHANGE)
    error = 8 * np.sqrt(0.2)
    expected = 52 + 0.8 * 9 / 8 * (40 - 50)
    spread = 9 * np.sqrt(1 - 0.64)
    by_hand = {
        "classic": 18 / (np.sqrt(2) * error),
        "true_score": (58 - (50 + 0.8 * -10)) / (np.sqrt(2) * error),
        "practice": (18 - 2) / (np.sqrt(2) * error),
        "practice_both_errors": (18 - 2) / np.sqrt((64 + 81) * 0.2),
        "regression": (58 - expected) / spread,
        "regression_small_group": (58 - expected)
        / (spread * np.sqrt(29 / 28 * (1 + 1 / 30 + 100 / (29 * 64)))),
    }
    for name, value in by_hand.items():
        assert rows.loc[name, "index"] == pytest.approx(value), name
    assert rows.loc["regression_small_group", "critical"] == pytest.approx(stats.t.ppf(0.975, 28))
    worse = reliable_change(pairs, reference=FULL, better="lower").set_index("variant")
    assert worse.loc["classic", "reliable"] == "worsened"


def test_regression_variant_holds_its_level_for_a_small_reference_group():
    # Crawford & Howell 1998: clients and reference group from one population, level 5 %.
    rng = np.random.default_rng(81)
    alarms = []
    for _ in range(150):
        x = rng.normal(50, 8, 12)
        y = 50 + 0.8 * (x - 50) + rng.normal(0, 5, 12)
        new = rng.normal(50, 8, 200)
        pairs = pd.DataFrame(
            {"start_value": new, "latest_value": 50 + 0.8 * (new - 50) + rng.normal(0, 5, 200)}
        )
        r = np.corrcoef(x, y)[0, 1]
        reference = Reference(
            sd=x.std(ddof=1), reliability=max(r, 0), mean=x.mean(), retest_mean=y.mean(),
            retest_sd=y.std(ddof=1), n=12,
        )  # fmt: skip
        rows = reliable_change(
            pairs, reference=reference, variants=("regression", "regression_small_group")
        )
        alarms.append((rows["reliable"] != "unchanged").groupby(rows["variant"]).mean())
    rate = pd.DataFrame(alarms).mean()
    assert rate["regression_small_group"] == pytest.approx(0.05, abs=0.015)
    assert rate["regression"] > 0.07  # the plain one alarms too often


def test_reliable_change_refusals():
    pairs = pd.DataFrame({"start_value": [1.0], "latest_value": [2.0]})
    with pytest.raises(ArgumentError, match="variant 'practice' needs mean, retest_mean"):
        reliable_change(pairs, reference=Reference(sd=1, reliability=0.5), variants=("practice",))
    with pytest.raises(ArgumentError, match="variants must be among"):
        reliable_change(pairs, reference=FULL, variants=("other",))
    with pytest.raises(ArgumentError, match=r"reliability must be in \[0, 1\)"):
        Reference(sd=1, reliability=1.0)
    with pytest.raises(ArgumentError, match="sd must be above zero"):
        Reference(sd=0, reliability=0.5)
    with pytest.raises(ArgumentError, match="must differ"):
        clinical_cutoffs(client_mean=1, client_sd=1, healthy_mean=1, healthy_sd=1)


def sides(left, right, **more):
    (a, b), (c, d) = left, right
    return pd.DataFrame(
        {"client": "a", "measure": "m", "side": ["left", "right"], "start_value": [a, c],
         "latest_value": [b, d], "affected_side": "left", **more}
    )  # fmt: skip


def test_sides_by_arithmetic():
    table = compare_sides(
        sides((45.0, 64.0), (70.0, 71.0)), standard_error_of_measurement=3.0, reference_low=60.0
    )
    check_result(table.columns)
    row = table.iloc[0]
    assert (row["start_deficit"], row["latest_deficit"], row["deficit_closed"]) == (25, 7, 18)
    assert row["deficit_error"] == pytest.approx(3 * np.sqrt(2))
    assert row["deficit_closed_error"] == pytest.approx(6)
    assert row["deficit_detectable"] and row["closing_detectable"] and row["back_to_other_side"]
    assert row["back_in_range"] and not row["other_side_changed"]
    lower = compare_sides(
        sides((7.0, 4.0), (2.0, 2.0)), standard_error_of_measurement=0.5, better="lower",
        reference_low=3.0,
    ).iloc[0]  # fmt: skip
    assert (lower["start_deficit"], lower["latest_deficit"]) == (5, 2)
    assert not lower["back_in_range"] and not lower["back_to_other_side"]


def test_sides_need_like_with_like():
    pairs = sides((45.0, 64.0), (70.0, 71.0), instrument=["goniometer", "inclinometer"])
    assert len(compare_sides(pairs, standard_error_of_measurement=3.0)) == 0
    assert len(compare_sides(pairs.head(1), standard_error_of_measurement=3.0)) == 0
    both = compare_sides(pairs.drop(columns="instrument"), affected_side=["both", "both"])
    assert len(both) == 0
    unknown = compare_sides(sides((1.0, 2.0), (1.0, 2.0)))
    assert unknown["deficit_detectable"].isna().all() and unknown["back_in_range"].isna().all()
    with pytest.raises(DataError, match="one row per measure and side"):
        compare_sides(pd.concat([sides((1.0, 2.0), (1.0, 2.0))] * 2))
    with pytest.raises(DataError, match="column affected_side"):
        compare_sides(sides((1.0, 2.0), (1.0, 2.0)).drop(columns="affected_side"))


def test_false_alarms_between_sides():
    rng = np.random.default_rng(82)
    n = 4000
    true = rng.normal(60, 10, n)
    frames = [
        pd.DataFrame(
            {
                "client": np.arange(n), "measure": "m", "side": side, "affected_side": "left",
                "start_value": true + rng.normal(0, 3, n),
                "latest_value": true + rng.normal(0, 3, n),
            }
        )
        for side in ("left", "right")
    ]  # fmt: skip
    table = compare_sides(pd.concat(frames), standard_error_of_measurement=3.0)
    assert table["deficit_detectable"].mean() == pytest.approx(0.05, abs=0.01)
    assert table["closing_detectable"].mean() == pytest.approx(0.05, abs=0.01)


def test_profile_adjusts_within_each_client():
    rng = np.random.default_rng(83)
    judged = pd.DataFrame(
        {
            "client": np.repeat(["a", "b", "c"], [5, 8, 3]),
            "measure": [f"m{i}" for i in range(16)],
            "improvement": rng.normal(3, 6, 16),
            "standard_error_of_measurement": 3.0,
        }
    )
    judged.loc[2, "standard_error_of_measurement"] = np.nan
    table = profile(judged)
    check_result(table.columns)
    assert (table["moved"] == "not judged").sum() == 1
    for _, rows in table.groupby("client"):
        known = rows.dropna(subset="p_value")
        assert known["p_value_bh"].to_numpy() == pytest.approx(
            stats.false_discovery_control(known["p_value"])
        )
        assert (rows["n_measures"] == len(known)).all()


def test_profile_keeps_the_share_of_false_findings():
    # ten measures, none moved: at most 10 % of clients get any finding; naive gates: 40 %
    rng = np.random.default_rng(84)
    n = 3000
    judged = pd.DataFrame(
        {
            "client": np.repeat(np.arange(n), 10),
            "measure": np.tile(np.arange(10), n),
            "improvement": rng.normal(0, 3 * np.sqrt(2), 10 * n),
            "standard_error_of_measurement": 3.0,
        }
    )
    table = profile(judged)
    any_found = table["moved"].isin(["better", "worse"]).groupby(table["client"]).any()
    naive = (table["p_value"] < 0.05).groupby(table["client"]).any()
    assert any_found.mean() == pytest.approx(0.10, abs=0.02)
    assert naive.mean() == pytest.approx(0.40, abs=0.03)
