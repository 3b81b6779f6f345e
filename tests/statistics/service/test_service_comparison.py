"""Comparisons between quarters against Welch's test, HC2, R-style CR2, and simulation."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.service import compare_quarters, compare_shares
from outcomes.statistics.service.casemix import case_mix
from outcomes.statistics.service.robust import least_squares


@pytest.fixture
def rows():
    rng = np.random.default_rng(42)
    frames = []
    for quarter, n, mean, sd in (("2025Q2", 30, 5, 6), ("2026Q1", 40, 7, 5), ("2026Q2", 35, 9, 7)):
        frame = pd.DataFrame({"client": [f"{quarter}-{i}" for i in range(n)]})
        frame["quarter"] = quarter
        frame["start_value"] = rng.normal(50, 8, n)
        frame["age"] = rng.integers(20, 70, n)
        frame["onset_weeks"] = rng.exponential(20, n)
        frame["complaint"] = rng.choice(["neck", "shoulder"], n)
        gain = mean - 0.3 * (frame["start_value"] - 50)
        frame["improvement"] = gain + rng.normal(0, sd, n)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True).assign(measure="cervical_rotation")


def test_plain_difference_is_welch(rows):
    found = compare_quarters(rows, quarter="2026Q2", adjust_for=())
    assert found["question"].tolist() == ["last quarter", "same quarter a year ago"]
    for row, other in zip(found.itertuples(), ("2026Q1", "2025Q2"), strict=True):
        now = rows.loc[rows["quarter"] == "2026Q2", "improvement"]
        then = rows.loc[rows["quarter"] == other, "improvement"]
        welch = stats.ttest_ind(now, then, equal_var=False)
        assert row.estimate == pytest.approx(now.mean() - then.mean(), rel=1e-12)
        assert row.estimate / row.standard_error == pytest.approx(welch.statistic, rel=1e-10)
        assert (row.n, row.other_n) == (len(now), len(then))
    check_result(found.columns)


def test_adjusted_difference_is_least_squares_with_hc2(rows):
    found = compare_quarters(rows, quarter="2026Q2")
    row = found[found["adjusted"]].iloc[0]
    pair = rows[rows["quarter"].isin(["2026Q1", "2026Q2"])]
    design = np.column_stack(
        [
            np.ones(len(pair)),
            pair["quarter"] == "2026Q2",
            pair["start_value"],
            pair["age"],
            np.log1p(pair["onset_weeks"]),
            pair["complaint"] == "neck",
        ]
    ).astype(float)
    fit = sm.OLS(pair["improvement"].to_numpy(), design).fit(cov_type="HC2")
    assert row["estimate"] == pytest.approx(fit.params[1], rel=1e-9)
    assert row["standard_error"] == pytest.approx(fit.bse[1], rel=1e-9)


def test_clustered_errors_and_df_agree_with_the_defining_matrices():
    rng = np.random.default_rng(9)
    clients = np.repeat(np.arange(14), rng.integers(1, 4, 14))
    x = np.column_stack([np.ones(clients.size), rng.normal(size=clients.size)])
    y = rng.normal(size=clients.size) + rng.normal(size=14)[clients]
    order = rng.permutation(clients.size)
    x, y, clients = x[order], y[order], clients[order]
    fit = least_squares(x, y, clients)
    weights = np.array([0.0, 1.0])
    estimate, error, df = fit.contrast(weights)
    bread = np.linalg.inv(x.T @ x)
    hat = x @ bread @ x.T
    residual = y - hat @ y
    rest = np.eye(y.size) - hat
    meat, vectors = 0.0, []
    for client in np.unique(clients):
        own = clients == client
        values, vecs = np.linalg.eigh(rest[np.ix_(own, own)])
        adjust = vecs @ np.diag(values**-0.5) @ vecs.T
        pull = adjust @ x[own] @ bread @ weights
        meat += (pull @ residual[own]) ** 2
        vectors.append(rest[:, own] @ pull)
    gram = np.array(vectors) @ np.array(vectors).T
    assert estimate == pytest.approx((bread @ x.T @ y)[1])
    assert error == pytest.approx(np.sqrt(meat), rel=1e-10)
    assert df == pytest.approx(np.trace(gram) ** 2 / (gram**2).sum(), rel=1e-10)


def test_interval_covers_when_some_clients_are_in_both_quarters():
    rng = np.random.default_rng(17)
    inside, sims = 0, 120
    for _ in range(sims):
        own = rng.normal(0, 4, 40)
        first, second = np.arange(0, 25), np.arange(15, 40)
        frame = pd.DataFrame({"client": np.concatenate([first, second])})
        frame["quarter"] = ["2026Q1"] * 25 + ["2026Q2"] * 25
        frame["measure"] = "ndi"
        frame["improvement"] = 5 + own[frame["client"]] + rng.normal(0, 3, 50)
        row = compare_quarters(frame, quarter="2026Q2", adjust_for=()).iloc[0]
        inside += row["ci_low"] <= 0 <= row["ci_high"]
    assert inside / sims == pytest.approx(0.95, abs=0.045)


def test_what_is_not_recorded_is_left_out_and_named(rows):
    bare = rows.drop(columns=["age", "complaint"]).assign(onset_weeks=np.nan)
    row = compare_quarters(bare, quarter="2026Q2").query("adjusted").iloc[0]
    assert "age" in row["notes"] and "complaint" in row["notes"] and "onset weeks" in row["notes"]
    assert "adjusted for start_value" in row["method"]


def test_too_few_clients_give_empty_numbers_and_a_reason(rows):
    found = compare_quarters(rows, quarter="2026Q1", adjust_for=())
    assert found["estimate"].isna().all()
    assert found["notes"].str.contains("Fewer than 5 clients").all()
    assert found["mean"].notna().all()


def test_missing_values_to_adjust_for_are_counted(rows):
    rows.loc[rows["quarter"].eq("2026Q2") & (rows.index % 10 == 0), "age"] = np.nan
    mix = case_mix(rows, adjust_for=["age"])
    assert (~mix.kept).sum() == rows["age"].isna().sum() > 0
    assert f"{(~mix.kept).sum()} of {len(rows)} episodes left out" in mix.notes[0]
    assert np.allclose(mix.design.mean(axis=0), 0)


def test_a_column_explained_by_others_is_dropped(rows):
    doubled = rows.assign(again=2 * rows["age"] + 3)
    assert case_mix(doubled, adjust_for=["age", "again"]).terms == ("age",)
    with pytest.raises(DataError, match="must have the column weight"):
        case_mix(rows, adjust_for=["weight"])


def test_shares_give_newcombes_interval_and_name_an_empty_quarter():
    counts = pd.DataFrame(
        {"measure": "ndi", "quarter": ["2026Q1", "2026Q2"], "count": [48, 56], "n": [80, 70]}
    )
    found = compare_shares(counts, quarter="2026Q2")
    # Newcombe 1998, Stat Med 17:873, table II (a)
    assert found.loc[0, "ci_low"] == pytest.approx(0.0524, abs=5e-5)
    assert found.loc[0, "ci_high"] == pytest.approx(0.3339, abs=5e-5)
    assert np.isnan(found.loc[1, "estimate"]) and found.loc[1, "notes"] == "No clients in 2025Q2."
    with pytest.raises(ArgumentError, match="quarter must have clients to compare"):
        compare_shares(counts, quarter="2026Q3")


def test_bad_rows_are_refused(rows):
    rows.loc[3, "improvement"] = np.inf
    with pytest.raises(DataError, match="improvement must be a finite number; 1 of 105 rows"):
        compare_quarters(rows, quarter="2026Q2")
    with pytest.raises(DataError, match="more clients than adjustments"):
        least_squares(np.ones((5, 2)), np.arange(5.0), np.arange(5))
