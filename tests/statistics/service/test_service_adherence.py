import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import DataError
from outcomes.glossary import check_result
from outcomes.statistics.service import adherence_by_week, dose_and_gain, episode_adherence


def test_diary_days_fall_into_their_own_episode_and_week():
    visits = pd.DataFrame(
        {
            "client": ["a", "a", "b"],
            "episode": [1, 2, 1],
            "date": pd.to_datetime(["2026-01-05", "2026-03-02", "2026-01-05"]),
        }
    )
    diary = pd.DataFrame(
        {
            "client": ["a", "a", "a", "a", "b", "b", "c"],
            "date": pd.to_datetime(
                ["2026-01-04", "2026-01-05", "2026-01-13", "2026-03-02"]
                + ["2026-01-20", "2026-01-20", "2026-01-20"]
            ),
            "prescribed": [3.0, 3, 3, 3, 2, 0, 3],
            "done": [3.0, 1.5, np.nan, 9, 1, 1, 3],
        }
    )
    found = episode_adherence(diary, visits=visits)
    rows = found[["client", "episode", "week", "adherence"]].values.tolist()
    assert rows == [["a", 1, 0, 0.5], ["a", 1, 1, 0.0], ["a", 2, 0, 1.0], ["b", 1, 2, 0.5]]
    check_result(found.columns)


def test_weekly_mean_is_the_t_interval_over_clients():
    rng = np.random.default_rng(1)
    share = rng.uniform(0.3, 0.8, 30)
    table = pd.DataFrame({"client": range(30), "episode": 1, "week": 2, "adherence": share})
    extra = pd.DataFrame({"client": [99], "episode": 1, "week": 3, "adherence": [0.2]})
    found = adherence_by_week(pd.concat([table, extra]))
    assert found["week"].tolist() == [2]
    low, high = stats.t.interval(0.95, 29, share.mean(), stats.sem(share))
    assert found.loc[0, ["ci_low", "ci_high"]].tolist() == pytest.approx([low, high])
    assert found.loc[0, "share_keeping"] == 30 / 31
    check_result(found.columns)


def test_dose_is_described_with_its_caution():
    rng = np.random.default_rng(3)
    rows = pd.DataFrame({"client": range(120), "adherence": rng.random(120)})
    rows["n_visits"] = 6
    rows["start_value"] = rng.normal(40, 8, 120)
    rows["improvement"] = 4 + 8 * rows["adherence"] + rng.normal(0, 2, 120)
    rows.loc[:9, "adherence"] = np.nan
    found = dose_and_gain(rows, doses=["adherence", "n_visits"]).set_index("dose")
    first = found.loc["adherence"]
    assert first["n"] == 110 and first["ci_low"] > 0
    assert first["estimate"] / first["sd"] == pytest.approx(8, abs=1.5)
    assert first["correlation_low"] < first["correlation"] < first["correlation_high"]
    assert "Not an effect of the dose" in first["notes"]
    assert np.isnan(found.loc["n_visits", "estimate"])
    check_result(found.reset_index().columns)


def test_rank_correlation_interval_covers():
    rng = np.random.default_rng(5)
    true = 6 / np.pi * np.arcsin(0.6 / 2)  # Spearman's correlation of a normal pair with r = 0.6
    inside, sims = 0, 120
    for _ in range(sims):
        x = rng.normal(size=40)
        y = 0.6 * x + 0.8 * rng.normal(size=40)
        rows = pd.DataFrame({"client": range(40), "dose": x, "improvement": y})
        row = dose_and_gain(rows, doses=["dose"], adjust_for=()).iloc[0]
        inside += row["correlation_low"] <= true <= row["correlation_high"]
    assert inside / sims == pytest.approx(0.95, abs=0.045)


def test_missing_columns_are_named():
    with pytest.raises(DataError, match="the diary must have the columns prescribed, done"):
        episode_adherence(pd.DataFrame({"client": [], "date": []}), visits=pd.DataFrame())
    with pytest.raises(DataError, match="the rows must have the column minutes"):
        dose_and_gain(pd.DataFrame({"client": [], "improvement": []}), doses=["minutes"])
