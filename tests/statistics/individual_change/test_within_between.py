"""Immediate and kept gain, and home exercise: planted shares and links, and statsmodels."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import (
    exercise_intervals,
    home_exercise_link,
    immediate_and_kept,
)


def clinic(seed, n=60, visits=7, link=0.0, error=2.0, share=0.5, decay=0.0):
    """Each visit gains about 4 within, of which a share is there at the next visit."""
    rng = np.random.default_rng(seed)
    own = np.maximum(rng.normal(4, 1.2, n), 0.5)
    lasting = share * (1 + link * (own - 4) / 4) + 0.3 * (1 - link) * rng.normal(0, share, n)
    frames = []
    level, week = rng.normal(50, 8, n), np.zeros(n)
    for v in range(visits):
        session = rng.normal(0, 1, n)
        base = pd.DataFrame({"client": np.arange(n), "visit": v + 1, "week": week})
        before = level + session + rng.normal(0, error, n)
        after = level + own + session + rng.normal(0, error, n)
        frames.append(base.assign(before=before, after=after))
        days = rng.choice([4, 7, 10, 14], n)
        kept = 4 * lasting - decay * (days - days.mean())
        level, week = level + kept, week + days / 7
    table = pd.concat(frames, ignore_index=True)
    base = table.drop(columns=["before", "after"])
    return base.assign(value=table["before"]), base.assign(value=table["after"])


def test_planted_gains_are_found():
    before, after = clinic(1, decay=0.1)
    found = immediate_and_kept(before, after)
    rows = found.summary.set_index("quantity")
    for name, truth in (
        ("immediate gain per visit", 4.0),
        ("kept gain per interval", 2.0),
        ("share kept", 0.5),
        ("share kept per extra day", -0.025),
    ):
        assert rows.loc[name, "ci_low"] < truth < rows.loc[name, "ci_high"], name
        assert rows.loc[name, "ci_high"] - rows.loc[name, "ci_low"] < 0.9
    for frame in (found.summary, found.per_visit, found.per_client, found.table):
        check_result(frame.columns)
    assert found.n == 60 and found.n_intervals == 360 and not found.notes
    weeks = before.groupby("client")["week"].max().mean()
    assert rows.loc["trend of the before level per week", "estimate"] == pytest.approx(
        12 / weeks, rel=0.15
    )


def test_shared_error_does_not_feign_a_link():
    # without a link the plain regression of kept on immediate gain is well above zero
    plain, low, high = [], [], []
    for seed in range(2):
        before, after = clinic(10 + seed, n=50, visits=6)
        found = immediate_and_kept(before, after)
        visits = found.per_visit.dropna(subset=["immediate_gain", "kept_gain"])
        plain.append(np.polyfit(visits["immediate_gain"], visits["kept_gain"], 1)[0])
        row = found.summary.set_index("quantity").loc["correlation of immediate and lasting gain"]
        low.append(row["ci_low"])
        high.append(row["ci_high"])
    assert min(plain) > 0.3
    assert min(low) < 0 < max(high)
    assert sum(a <= 0 <= b for a, b in zip(low, high, strict=True)) >= 1


def test_a_planted_link_is_found():
    before, after = clinic(20, n=80, link=1.0, error=1.0)
    rows = immediate_and_kept(before, after).summary.set_index("quantity")
    row = rows.loc["correlation of immediate and lasting gain"]
    assert row["ci_low"] > 0.5
    assert rows.loc["lasting gain per unit of immediate gain", "estimate"] == pytest.approx(
        6 * 4 * 0.5 / 4, rel=0.3
    )


def test_direction_turns_and_gaps_are_allowed():
    before, after = clinic(30, n=25, visits=5)
    up = immediate_and_kept(before, after)
    down = immediate_and_kept(
        before.assign(value=-before["value"]), after.assign(value=-after["value"]), better="lower"
    )
    assert up.summary["estimate"].to_numpy()[:4] == pytest.approx(
        down.summary["estimate"].to_numpy()[:4]
    )
    some = after[after["visit"] % 2 == 1]
    found = immediate_and_kept(before, some)
    share = found.summary.set_index("quantity").loc["share kept"]
    assert share["ci_low"] < 0.5 < share["ci_high"]


def test_shrinking_gains_within_visits_do_not_flatten_the_trend():
    rng = np.random.default_rng(50)
    n, visits = 80, 7
    client, visit = np.repeat(np.arange(n), visits), np.tile(np.arange(visits), n)
    own, start = rng.normal(3, 0.4, n)[client], rng.normal(50, 6, n)[client]
    table = pd.DataFrame({"client": client, "visit": visit + 1, "week": visit * 1.0})
    day = start + own * visit + rng.normal(0, 1, client.size)
    before = table.assign(value=day + rng.normal(0, 1, client.size))
    after = table.assign(value=day + 9 - 1.4 * visit + rng.normal(0, 1, client.size))
    rows = immediate_and_kept(before, after).summary.set_index("quantity")
    trend = rows.loc["trend of the before level per week"]
    # about 0.7 a week too low where gains within visits are taken to stay as they are
    assert trend["ci_low"] < 3 < trend["ci_high"]
    assert trend["ci_high"] - trend["ci_low"] < 0.5


def test_within_between_refusals():
    before, after = clinic(40)
    with pytest.raises(DataError, match="at least 5 clients .* got 0"):
        immediate_and_kept(before, after.iloc[:0])
    with pytest.raises(DataError, match="the after readings must have the column week"):
        immediate_and_kept(before, after.drop(columns="week"))
    with pytest.raises(ArgumentError, match="better must be"):
        immediate_and_kept(before, after, better="up")


def exercise(seed, n=80, k=6, within=2.0, between=5.0):
    rng = np.random.default_rng(seed)
    client, week = np.repeat(np.arange(n), k), np.tile(np.arange(k) + 0.5, n)
    usual = rng.uniform(0.2, 0.8, n)
    x = np.clip(usual[client] + rng.normal(0, 0.15, n * k) - 0.02 * week, 0, 1)
    mean = pd.Series(x).groupby(client).transform("mean").to_numpy()
    y = within * (x - mean) + between * mean - 0.8 * np.log1p(week) + rng.normal(0, 1, n * k)
    return pd.DataFrame({"client": client, "week": week, "adherence": x, "gain_per_week": y})


def test_within_and_between_are_told_apart():
    rows = home_exercise_link(exercise(1)).set_index("quantity")
    check_result(rows.reset_index().columns)
    assert rows.loc["within client", "ci_low"] < 2 < rows.loc["within client", "ci_high"]
    assert rows.loc["between clients", "ci_low"] < 5 < rows.loc["between clients", "ci_high"]
    gap = rows.loc["difference between and within"]
    assert gap["estimate"] == pytest.approx(
        rows.loc["between clients", "estimate"] - rows.loc["within client", "estimate"]
    )
    assert gap["p_value"] < 0.01
    assert rows.loc["weeks done minus weeks not done, same client", "estimate"] > 0


def test_slopes_are_those_of_least_squares():
    frame = exercise(2, n=30)
    rows = home_exercise_link(frame).set_index("quantity")["estimate"]
    frame["t"] = np.log1p(frame["week"])
    columns = ["gain_per_week", "adherence", "t"]
    means = frame.groupby("client")[columns].mean()
    centred = frame[columns] - means.loc[frame["client"]].to_numpy()
    fit = sm.OLS(centred["gain_per_week"], centred[["adherence", "t"]]).fit()
    assert rows["within client"] == pytest.approx(fit.params["adherence"])
    fit = sm.OLS(
        means["gain_per_week"], np.column_stack([np.ones(30), means["adherence"]])
    ).fit()  # every client has the same weeks here, so that time drops out
    with_time = frame.assign(week=frame["week"] + 0.1 * frame["client"])
    rows = home_exercise_link(with_time).set_index("quantity")["estimate"]
    means = with_time.assign(t=np.log1p(with_time["week"])).groupby("client")[columns].mean()
    fit = sm.OLS(means["gain_per_week"], sm.add_constant(means[["adherence", "t"]])).fit()
    assert rows["between clients"] == pytest.approx(fit.params["adherence"])


def test_intervals_by_a_plain_loop():
    rng = np.random.default_rng(3)
    day0 = pd.Timestamp("2026-02-02")
    visits, lines = [], []
    for client in "abcd":
        days = np.cumsum(rng.integers(4, 12, 5))
        for v, d in enumerate(days):
            visits.append((client, v + 1, day0 + pd.Timedelta(days=int(d)), rng.normal(50, 5)))
        for d in range(60):
            if rng.random() < 0.6:
                lines.append((client, day0 + pd.Timedelta(days=d), 3.0, rng.integers(0, 5)))
    values = pd.DataFrame(visits, columns=["client", "visit", "date", "value"])
    diary = pd.DataFrame(lines, columns=["client", "date", "prescribed", "done"])
    table = exercise_intervals(values, diary, better="lower")
    check_result(table.columns)
    assert len(table) == 16
    for row in table.itertuples():
        mine = values[values["client"] == row.client].set_index("visit")
        a, b = mine.loc[row.visit], mine.loc[row.visit + 1]
        inside = diary[
            (diary["client"] == row.client) & (diary["date"] >= a["date"])
            & (diary["date"] < b["date"])
        ]  # fmt: skip
        assert row.diary_days == len(inside)
        assert row.adherence == pytest.approx(
            min(inside["done"].sum() / inside["prescribed"].sum(), 1)
        )
        weeks = (b["date"] - a["date"]).days / 7
        assert row.gain_per_week == pytest.approx(-(b["value"] - a["value"]) / weeks)


def test_home_exercise_refusals():
    with pytest.raises(DataError, match="at least 10 clients with two intervals, got 5"):
        home_exercise_link(exercise(4, n=5))
    with pytest.raises(DataError, match="exercise done must vary"):
        home_exercise_link(exercise(4).assign(adherence=0.5))
    with pytest.raises(DataError, match="the exercise diary must have the column"):
        exercise_intervals(
            pd.DataFrame({"client": [], "visit": [], "date": [], "value": []}), pd.DataFrame()
        )
