import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from outcomes.errors import DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import holm
from outcomes.statistics.service import (
    digit_preference,
    instrument_drift,
    ledger_summary,
    rater_differences,
)


def test_holm_is_that_of_statsmodels():
    p = np.array([0.01, 0.04, 0.03, 0.005, 0.6])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_ledger_is_counted_by_rule():
    ledger = pd.DataFrame(
        {
            "table": ["visits", "measurements", "measurements"],
            "rule": ["date", "range", "range"],
            "action": ["set aside", "set aside", "set aside"],
            "client": ["a", "b", "c"],
        }
    )
    found = ledger_summary(ledger)
    assert found.iloc[0][["table", "count", "clients"]].tolist() == ["measurements", 2, 2]
    assert found["count"].sum() == len(ledger)
    check_result(found.columns)
    assert ledger_summary(ledger.head(0)).empty


def test_a_rater_who_rounds_is_found_and_others_are_not():
    rng = np.random.default_rng(1)
    value = np.round(rng.normal(130, 12, 600))
    rater = np.repeat(["a", "b", ""], 200)
    value[rater == "b"] = 5 * np.round(value[rater == "b"] / 5)
    found = digit_preference(pd.DataFrame({"rater": rater, "value": value})).set_index("rater")
    assert found["flagged"].to_dict() == {"a": False, "b": True, "not recorded": False}
    low, high = stats.binomtest(int(found.loc["a", "count"]), 200).proportion_ci(0.95)
    assert found.loc["a", ["ci_low", "ci_high"]].tolist() == pytest.approx([low, high])
    assert found.loc["b", "rounding_sd"] == pytest.approx(5 / np.sqrt(12))
    check_result(found.reset_index().columns)


def test_nobody_is_flagged_for_rounding_more_often_than_stated():
    rng = np.random.default_rng(2)
    flagged = 0
    for _ in range(80):
        rows = pd.DataFrame(
            {"rater": np.repeat(list("abcd"), 60), "value": rng.integers(40, 90, 240)}
        )
        flagged += digit_preference(rows)["flagged"].any()
    assert flagged / 80 <= 0.1


def shared(rng, bias, *, clients=60, visits=6, cross=0.2):
    """Give clients of two sites, mostly measured by their own rater, sometimes by a colleague."""
    rows = []
    for client in range(clients):
        site = client % 2
        own = 2 * site + rng.integers(2)
        level = rng.normal(60 + 6 * own, 8)
        for visit in range(visits):
            rater = own if rng.random() > cross else 4 * site + 1 - own
            value = level + 3 * np.log1p(visit) + bias[rater] + rng.normal(0, 2)
            rows.append((client, 1, "cervical_rotation", f"r{rater}", float(visit), value))
    names = ["client", "episode", "measure", "rater", "week", "value"]
    return pd.DataFrame(rows, columns=names)


def test_raters_are_compared_on_shared_clients_within_their_own_circle():
    rng = np.random.default_rng(3)
    # raters of the second site see stiffer clients; that must not look like a bias
    found = rater_differences(shared(rng, [0, 2.0, -1.5, 1.5])).set_index("rater")
    assert found["compared_with"].to_dict() == {"r0": "r1", "r1": "r0", "r2": "r3", "r3": "r2"}
    gap = {"r0": -1.0, "r1": 1.0, "r2": -1.5, "r3": 1.5}
    for rater, true in gap.items():
        row = found.loc[rater]
        assert row["ci_low"] <= true <= row["ci_high"]
        assert row["flagged"]
    check_result(found.reset_index().columns)


def test_equal_raters_are_rarely_flagged():
    rng = np.random.default_rng(4)
    flagged = [
        rater_differences(shared(rng, [0, 0, 0, 0], clients=24))["flagged"].any() for _ in range(40)
    ]
    assert np.mean(flagged) <= 0.15


def test_raters_who_share_nobody_cannot_be_compared():
    values = shared(np.random.default_rng(5), [0, 0, 0, 0], cross=0.0)
    with pytest.raises(DataError, match="must share clients to be compared"):
        rater_differences(values)


def starts(rng, drift, n=400):
    rows = pd.DataFrame({"client": np.arange(n)})
    rows["instrument"] = rng.choice(["a", "b", "c"], n)
    rows["measure"] = rng.choice(["shoulder_flexion", "cervical_rotation"], n)
    rows["date"] = pd.Timestamp("2025-01-01") + pd.to_timedelta(rng.integers(0, 540, n), unit="D")
    months = ((rows["date"] - pd.Timestamp("2026-01-01")).dt.days / 30).clip(lower=0)
    level = np.where(rows["measure"] == "shoulder_flexion", 130, 55)
    spread = np.where(rows["measure"] == "shoulder_flexion", 15, 8)
    rows["value"] = (
        level + spread * rng.normal(size=n) + drift * months * (rows["instrument"] == "b")
    )
    return rows


def test_drift_is_found_where_it_was_planted():
    rng = np.random.default_rng(6)
    found = instrument_drift(starts(rng, 4.0), since="2026-01-01").set_index("instrument")
    assert found.loc["b", "flagged"] and found.loc["b", "ci_low"] <= 4 <= found.loc["b", "ci_high"]
    assert found["p_value"].idxmin() == "b"
    check_result(found.reset_index().columns)


def test_steady_instruments_are_rarely_flagged():
    rng = np.random.default_rng(7)
    flagged = [
        instrument_drift(starts(rng, 0.0, 150), since="2026-01-01")["flagged"].any()
        for _ in range(40)
    ]
    assert np.mean(flagged) <= 0.15


def test_one_instrument_cannot_be_judged():
    rows = starts(np.random.default_rng(8), 0.0).assign(instrument="a")
    with pytest.raises(DataError, match="between at least two instruments"):
        instrument_drift(rows, since="2026-01-01")
