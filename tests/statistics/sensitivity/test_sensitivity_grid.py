"""The declared grid: every combination, recomputed by hand where it can be."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.sensitivity import (
    CHOICES,
    COURSES,
    MISSING,
    OUTLIERS,
    agreement,
    choices_that_move,
    run_grid,
)


@pytest.fixture(scope="module")
def values():
    rng = np.random.default_rng(1)
    rows = []
    for client in range(80):
        visits = rng.integers(1, 8)
        level, gain = rng.normal(50, 8), rng.normal(10, 4)
        for visit in range(visits):
            week = visit * 1.5
            value = level + gain * (1 - np.exp(-week / 4)) + rng.normal(0, 3)
            rows.append((client, 1, visit + 1, week, value))
    return pd.DataFrame(rows, columns=["client", "episode", "visit", "week", "value"])


@pytest.fixture(scope="module")
def grid(values):
    return run_grid(
        values,
        lines={"published": 6.0, "own": 9.0},
        errors={"published": 3.0, "own": 2.0},
    )


def test_every_combination_is_run_once(grid):
    assert len(grid) == 3 * 3 * 3 * 5 * 2 * 2 >= 200
    assert not grid.duplicated(list(CHOICES)).any()
    assert grid["estimate"].notna().all() and grid["main"].sum() == 1
    assert (grid["ci_low"] <= grid["estimate"]).all() and (
        grid["estimate"] <= grid["ci_high"]
    ).all()
    check_result(grid.columns)


def test_main_analysis_is_the_plain_mean_change(values, grid):
    ends = values.groupby("client")["value"].agg(["first", "last", "size"])
    change = (ends["last"] - ends["first"])[ends["size"] > 1]
    main = grid.iloc[0]
    low, high = stats.t.interval(0.95, len(change) - 1, change.mean(), stats.sem(change))
    assert main[["estimate", "ci_low", "ci_high"]].tolist() == pytest.approx(
        [change.mean(), low, high]
    )
    assert main["n"] == len(change)
    assert main["share_important"] == pytest.approx((change >= 6).mean())
    mdc = 1.959963984540054 * np.sqrt(2) * 3
    assert main["share_detectable"] == pytest.approx((change >= mdc).mean())


def pick(grid, **chosen):
    main = {name: grid.iloc[0][name] for name in CHOICES} | chosen
    return grid.loc[np.logical_and.reduce([grid[name] == main[name] for name in CHOICES])].iloc[0]


def test_trimmed_mean_is_that_of_scipy(values, grid):
    ends = values.groupby("client")["value"].agg(["first", "last", "size"])
    change = (ends["last"] - ends["first"])[ends["size"] > 1].to_numpy()
    row = pick(grid, course=COURSES[1])
    assert row["estimate"] == pytest.approx(stats.trim_mean(change, 0.2))
    test = stats.ttest_ind(change, np.r_[0.0, 0, 0, 0, 0], trim=0.2, equal_var=False)
    # against five constant zeros, Welch's trimmed test is the one-sample one
    t = row["estimate"] / ((row["ci_high"] - row["estimate"]) / stats.t.ppf(0.975, test.df))
    assert t == pytest.approx(test.statistic, rel=1e-6)


def test_the_lost_are_supposed_as_named(values, grid):
    sizes = values.groupby("client").size()
    lost = int((sizes == 1).sum())
    main, none = grid.iloc[0], pick(grid, missing=MISSING[1])
    assert lost > 3 and none["n"] == main["n"] + lost
    assert none["estimate"] == pytest.approx(main["estimate"] * main["n"] / none["n"])
    worse = pick(grid, missing=MISSING[2])
    assert worse["estimate"] < none["estimate"]
    model = [pick(grid, missing=rule, course=COURSES[3])["estimate"] for rule in MISSING]
    assert model == sorted(model, reverse=True)


def test_windows_and_outliers_change_what_they_should(values):
    spoilt = values.copy()
    two = values.groupby("client").size()
    client = two.index[two >= 2][0]
    spoilt.loc[spoilt.index[spoilt["client"] == client][-1], "value"] = 500.0
    grid = run_grid(spoilt, lines={"x": 6.0}, errors={"x": 3.0}, courses=COURSES[:1])
    kept = pick(grid)
    out = pick(grid, outliers=OUTLIERS[1])
    drawn_in = pick(grid, outliers=OUTLIERS[2])
    assert out["n"] < kept["n"] and abs(out["estimate"]) < kept["estimate"]
    assert drawn_in["n"] == kept["n"] and drawn_in["estimate"] < kept["estimate"]
    early = values[values["week"] <= 6]
    ends = early.groupby("client")["value"].agg(["first", "last", "size"])
    change = (ends["last"] - ends["first"])[ends["size"] > 1]
    short = pick(run_grid(values, lines={"x": 6.0}, errors={"x": 3.0}, courses=COURSES[:1]),
                 window="first 6 weeks")  # fmt: skip
    assert short["estimate"] == pytest.approx(change.mean())


def test_lower_is_better_turns_every_sign(values):
    turned = values.assign(value=100 - values["value"])
    options = {"lines": {"x": 6.0}, "errors": {"x": 3.0}, "windows": {"all": np.inf}}
    up = run_grid(values, **options)
    down = run_grid(turned, better="lower", **options)
    assert down["estimate"].to_numpy() == pytest.approx(up["estimate"].to_numpy(), rel=1e-5)
    assert (down["verdict"] == up["verdict"]).mean() > 0.99


def test_agreement_counts_by_hand(grid):
    found = agreement(grid)
    assert found.n_analyses == len(grid) and found.n_failed == 0
    assert found.share_same_sign == (grid["estimate"] > 0).mean()
    assert found.share_same_verdict == (grid["verdict"] == grid["verdict"].iloc[0]).mean()
    assert found.lowest == grid["estimate"].min() and found.highest == grid["estimate"].max()
    check_result(found.table.columns)


def test_choices_are_ranked_by_what_they_move(grid):
    moves = choices_that_move(grid).set_index("choice")
    # thresholds cannot move the improvement itself, only the verdict on it
    assert moves.loc["line", "shift"] == pytest.approx(0) and moves.loc[
        "error", "shift"
    ] == pytest.approx(0)
    assert moves.loc["line", "verdicts_changed"] > 0
    assert moves["share_of_variance"].sum() <= 1 + 1e-9
    means = grid.groupby("missing")["estimate"].mean()
    assert moves.loc["missing", "shift"] == pytest.approx(means.max() - means.min())
    pairs = grid.pivot_table(
        index=[name for name in CHOICES if name not in ("line", "version")],
        columns="line", values="verdict", aggfunc="first",
    )  # fmt: skip
    assert moves.loc["line", "verdicts_changed"] == pytest.approx(
        (pairs.iloc[:, 0] != pairs.iloc[:, 1]).mean()
    )
    check_result(moves.reset_index().columns)


def test_an_analysis_that_cannot_be_run_is_kept_and_says_why(values):
    windows = {"all": np.inf, "first day": 0.1}
    grid = run_grid(
        values, lines={"x": 6.0}, errors={"x": 3.0}, windows=windows, missing=MISSING[:1]
    )
    failed = grid[grid["estimate"].isna()]
    assert set(failed["window"]) == {"first day"} and len(failed) == len(grid) / 2
    assert failed["notes"].str.contains("at least 3 clients").all()
    assert agreement(grid).n_failed == len(failed)
    nothing = run_grid(
        values[values["visit"] == 1], lines={"x": 6.0}, errors={"x": 3.0}, windows={"all": np.inf}
    )
    with pytest.raises(ModelError, match="the main analysis must be possible"):
        agreement(nothing)


def test_undeclared_options_are_refused(values):
    with pytest.raises(ArgumentError, match="lines must hold at least one option"):
        run_grid(values, lines={}, errors={"x": 3.0})
    with pytest.raises(ArgumentError, match="courses must be one of"):
        run_grid(values, lines={"x": 6.0}, errors={"x": 3.0}, courses=["best of all"])
    with pytest.raises(ArgumentError, match="errors must be above zero"):
        run_grid(values, lines={"x": 6.0}, errors={"x": 0.0})
    with pytest.raises(ArgumentError, match="windows must be above zero weeks"):
        run_grid(values, lines={"x": 6.0}, errors={"x": 3.0}, windows={"none": 0})
    with pytest.raises(DataError, match="value must be a finite number; 1 of"):
        run_grid(
            values.assign(value=values["value"].where(values.index != 3)),
            lines={"x": 6.0},
            errors={"x": 3.0},
        )
    with pytest.raises(DataError, match="values must hold one measure"):
        run_grid(values.assign(measure=values["client"]), lines={"x": 6.0}, errors={"x": 3.0})
