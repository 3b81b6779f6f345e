import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.service import age_bands, group_outcomes, hidden_groups


def test_ages_fall_into_their_band():
    ages = pd.Series([0, 17.9, 18, 29, 30, 74, 75, 101, np.nan])
    bands = age_bands(ages)
    assert bands.iloc[:8].tolist() == [
        "under 18", "under 18", "18-29", "18-29", "30-44", "60-74", "75 and over", "75 and over",
    ]  # fmt: skip
    assert bands.isna().tolist() == [False] * 8 + [True]
    with pytest.raises(ArgumentError, match="edges must rise"):
        age_bands(ages, edges=(30, 20))


def test_no_hidden_count_can_be_worked_out_from_the_total():
    rng = np.random.default_rng(1)
    for _ in range(300):
        counts = rng.integers(0, 40, rng.integers(2, 8))
        hidden = hidden_groups(counts)
        small = (counts > 0) & (counts < 10)
        assert hidden[small].all()
        if small.any() and (counts > 0).sum() > 1:
            assert hidden.sum() >= 2
            others = (counts > 0).sum() > hidden.sum()
            assert counts[hidden].sum() >= 10 or not others
        if not small.any():
            assert not hidden.any()


@pytest.fixture
def rows():
    rng = np.random.default_rng(2)
    rows = pd.DataFrame(
        {"sex": rng.choice(["female", "male"], 200), "age": rng.normal(45, 12, 200)}
    )
    rows["site"] = rng.choice(["hall", "field", "third"], 200, p=[0.6, 0.37, 0.03])
    rows["improvement"] = 8 + 6 * (rows["sex"] == "male") + rng.normal(0, 6, 200)
    return rows


def test_a_real_difference_is_seen_and_an_absent_one_is_not(rows):
    sex = group_outcomes(rows, by="sex").set_index("group")
    assert sex["chance_real"].iloc[0] > 0.95
    assert sex.loc["male", "estimate"] - sex.loc["female", "estimate"] == pytest.approx(6, abs=2)
    assert sex.loc["male", "chance_above"] > 0.9
    site = group_outcomes(rows, by="site")
    assert site["chance_real"].iloc[0] < 0.6


def test_small_groups_show_no_number_at_all(rows):
    site = group_outcomes(rows, by="site").set_index("group")
    assert site.loc["third", "hidden"] and site["hidden"].sum() == 2
    numbers = ["n", "observed", "estimate", "ci_low", "ci_high", "chance_above"]
    assert site.loc[site["hidden"], numbers].isna().all(axis=None)
    check_result(site.reset_index().columns)


def test_unrecorded_is_a_group_of_its_own(rows):
    rows.loc[:40, "sex"] = None
    assert "not recorded" in group_outcomes(rows, by="sex")["group"].tolist()


def test_extreme_means_of_small_groups_are_drawn_in():
    rng = np.random.default_rng(4)
    rows = pd.DataFrame(
        {"group": np.repeat(np.arange(12), 12), "improvement": rng.normal(5, 8, 144)}
    )
    found = group_outcomes(rows, by="group")
    assert np.ptp(found["estimate"]) < 0.6 * np.ptp(found["observed"])


def test_one_group_or_bad_values_are_refused(rows):
    with pytest.raises(ArgumentError, match="at least two groups, got 'sex' with one"):
        group_outcomes(rows.assign(sex="x"), by="sex")
    with pytest.raises(DataError, match="improvement must be a finite number"):
        group_outcomes(rows.assign(improvement=np.nan), by="sex")
