"""The missing over all visits: counts by hand, the likelihood's answer, conditional moments."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    course_sensitivity,
    course_tipping_point,
    impute_course,
    leavers_course,
    missing_patterns,
)
from outcomes.statistics.effect_size.missing_visits._grid import grid_of
from outcomes.statistics.effect_size.missing_visits._model import draw_deviations, fit_joint_normal
from outcomes.statistics.individual_change._variance_draws import _matrices
from outcomes.statistics.mixed_model import fit_mixed_model


def leaving(seed=1, n=120, visits=6):
    """Clients who have gained little leave (missing at random); one reading in twenty is lost."""
    rng = np.random.default_rng(seed)
    client, visit = np.repeat(np.arange(n), visits), np.tile(np.arange(1, visits + 1), n)
    gain = rng.normal(9, 5, n)[client] * -np.expm1(-(visit - 1) / 2.6)
    value = rng.normal(50, 8, n)[client] + gain + rng.normal(0, 3, client.size)
    y = value.reshape(n, visits)
    last = np.full(n, visits)
    for i in range(n):
        for k in range(1, visits):
            if rng.random() < 0.3 / (1 + np.exp((y[i, k] - y[i, 0] - 3) / 2)):
                last[i] = k + 1
                break
    keep = visit <= last[client]
    keep &= ~((rng.random(client.size) < 0.05) & (visit > 1) & (visit < last[client]))
    frame = pd.DataFrame({"client": client, "visit": visit, "week": visit - 1.0, "value": value})
    return frame[keep]


@pytest.fixture(scope="module")
def values():
    return leaving()


@pytest.fixture(scope="module")
def sets(values):
    return impute_course(values, rng=np.random.default_rng(3), least_share=0.3, n_imputations=2_000)


def test_patterns_by_hand():
    values = pd.DataFrame(
        {
            "client": np.repeat(np.arange(20), 4),
            "visit": np.tile([1, 2, 3, 4], 20),
            "week": np.tile([0.0, 1, 2, 3], 20),
            "value": np.arange(80.0),
        }
    )
    gone = (values["client"] < 5) & (values["visit"] > 2)
    hole = (values["client"] == 7) & (values["visit"] == 2)
    both = (values["client"] == 8) & values["visit"].isin([2, 4])
    start = (values["client"] == 9) & (values["visit"] == 1)
    table = missing_patterns(values[~(gone | hole | both | start)])
    check_result(table.columns)
    assert table[["pattern", "missing_kind", "last_visit", "count"]].to_numpy().tolist() == [
        ["1111", "complete", 4, 12],
        ["1100", "left", 2, 5],
        ["1011", "gaps", 4, 1],
        ["1010", "gaps and left", 3, 1],
    ]
    assert table["n"].unique().tolist() == [19] and table["share"].sum() == pytest.approx(1)


def test_leavers_against_scipys_welch(values):
    rows = leavers_course(values, least_share=0.3)
    check_result(rows.columns)
    wide = values.pivot(index="client", columns="visit", values="value")
    last = wide.apply(lambda row: row.last_valid_index(), axis=1)
    row = rows.set_index(["last_visit", "visit"]).loc[(2, 2)]
    gain = wide[2] - wide[1]
    test = stats.ttest_ind(gain[last == 2].dropna(), gain[last > 2].dropna(), equal_var=False)
    ends = test.confidence_interval(0.95)
    assert row["estimate"] == pytest.approx(gain[last == 2].mean() - gain[last > 2].mean())
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((ends.low, ends.high))
    first = rows.set_index(["last_visit", "visit"]).loc[(2, 1)]
    assert first["leavers_mean"] == pytest.approx(wide[1][last == 2].mean())
    mirrored = leavers_course(
        values.assign(value=-values["value"]), better="lower", least_share=0.3
    ).set_index(["last_visit", "visit"])
    assert mirrored.loc[(2, 2), "estimate"] == pytest.approx(row["estimate"])


def test_at_random_agrees_with_the_likelihood(values, sets):
    rows = course_sensitivity(sets)
    check_result(rows.columns)
    at = rows[rows["quantity"].str.startswith("leavers went on")].set_index("visit")
    likely = rows[rows["quantity"].str.startswith("by likelihood")].set_index("visit")
    # Monte Carlo error of a mean over 2,000 sets: sqrt(B / 2,000), B below a third of T
    error = at["standard_error"] * np.sqrt(0.35 / 2_000)
    assert (np.abs(at["estimate"] - likely["estimate"]) < 4 * error).all()
    assert at["standard_error"].to_numpy() == pytest.approx(
        likely["standard_error"].to_numpy(), rel=0.1
    )
    grid = grid_of(values, visits=None, least_share=0.3)
    client, place = np.nonzero(grid.seen)
    h = fit_joint_normal(grid).h[grid.seen]
    frame = pd.DataFrame({"client": client, "visit": place, "value": grid.y[grid.seen], "h": h})
    fit = fit_mixed_model(frame, "value ~ 0 + C(visit)", random="1 + h")
    change = fit.coefficients[1:] - fit.coefficients[0]
    assert likely["estimate"].to_numpy() == pytest.approx(change, abs=1e-3)
    # stayers alone flatter: the likelihood corrects for those who left because they gained little
    stayers = values.pivot(index="client", columns="visit", values="value")
    naive = (stayers[6] - stayers[1]).mean()
    assert naive > likely.loc[6, "estimate"] + 0.5


def test_draws_have_the_conditional_moments(values):
    grid = grid_of(values, visits=None, least_share=0.3)
    fit = fit_joint_normal(grid)
    drawn = draw_deviations(fit, grid, np.random.default_rng(5), n_imputations=6_000)
    g, s2 = (found[0] for found in _matrices(fit.top[None]))
    for i in np.flatnonzero(~grid.seen.all(axis=1))[:3]:
        z = np.column_stack([np.ones(grid.visits.size), fit.h[i]])
        sigma = z @ g @ z.T + s2 * np.eye(grid.visits.size)
        here, gone = grid.seen[i], ~grid.seen[i]
        pull = sigma[np.ix_(gone, here)] @ np.linalg.inv(sigma[np.ix_(here, here)])
        mean = fit.means[gone] + pull @ (grid.y[i, here] - fit.means[here])
        spread = sigma[np.ix_(gone, gone)] - pull @ sigma[np.ix_(here, gone)]
        values_drawn = (drawn.means[:, None, :] + drawn.deviations)[:, i, gone]
        # parameters are drawn too: means agree within their error, variances exceed the known ones
        assert values_drawn.mean(axis=0) == pytest.approx(mean, abs=0.35)
        assert (values_drawn.var(axis=0) / np.diag(spread)).max() < 1.35
        assert (values_drawn.var(axis=0) / np.diag(spread)).min() > 0.9


def test_reference_stories_follow_their_definitions(sets):
    grid, means = sets._grid, sets._drawn.means
    random = sets.complete()
    gone = np.broadcast_to(grid.after_leaving, random.shape)
    jump = sets.complete("jump to reference", untreated_gain=2.0)
    steps = 2.0 * np.arange(6) / 5
    expected = means[:, :1] + steps - means
    assert (jump - random)[gone] == pytest.approx(
        np.broadcast_to(expected[:, None, :], random.shape)[gone]
    )
    copied = sets.complete("copy increments")
    i = int(np.flatnonzero(grid.last == 2)[0])
    assert copied[:, i, 5] - random[:, i, 5] == pytest.approx(means[:, 2] - means[:, 5])
    assert (copied[~gone] == random[~gone]).all() and np.isfinite(copied).all()
    grows = sets.leaving_weight(grows=True)
    assert grows[i].tolist() == [0, 0, 0, 1, 2, 3]
    rows = course_sensitivity(sets, deltas=(3.0,)).query("visit == 6").set_index("quantity")
    drop = rows["estimate"].iloc[1] - rows.loc["leavers worse by 3", "estimate"]
    assert drop == pytest.approx(3 * sets.share_left[-1])


def test_tipping_point_is_where_the_interval_meets_the_line(sets):
    table = course_tipping_point(sets, line=1.0)
    check_result(table.columns)
    assert table["delta"].iloc[0] == np.inf  # nobody had left before the second visit
    last = table.iloc[-1]
    rows = course_sensitivity(sets, deltas=(last["delta"], last["delta_estimate"]))
    rows = rows[rows["visit"] == 6]
    assert rows["ci_low"].iloc[-2] == pytest.approx(1.0, abs=1e-6)
    assert rows["estimate"].iloc[-1] == pytest.approx(1.0, abs=1e-6)
    none = course_tipping_point(sets, line=50.0)
    assert none["delta"].isna().all()
    growing = course_tipping_point(sets, line=1.0, grows=True)
    assert growing["delta"].iloc[-1] < last["delta"]


def test_lower_is_better_mirrors(values):
    up = impute_course(values, rng=np.random.default_rng(1), least_share=0.3)
    down = impute_course(
        values.assign(value=-values["value"]),
        rng=np.random.default_rng(1),
        better="lower",
        least_share=0.3,
    )
    assert down.likely_means == pytest.approx(up.likely_means, abs=1e-3)


def test_nobody_missing_gives_the_plain_mean():
    whole = leaving(2)
    whole = whole[whole.groupby("client")["visit"].transform("size") == 6]
    sets = impute_course(whole, rng=np.random.default_rng(1))
    row = course_sensitivity(sets).query("visit == 6").iloc[1]
    wide = whole.pivot(index="client", columns="visit", values="value")
    gain = wide[6] - wide[1]
    assert row["estimate"] == pytest.approx(gain.mean())
    assert row["standard_error"] == pytest.approx(gain.std() / np.sqrt(len(gain)))
    assert row["share_missing_information"] == 0


def test_refusals(values, sets):
    two = values[values["visit"] <= 2]
    with pytest.raises(DataError, match="at least 3 planned visits"):
        impute_course(two, rng=np.random.default_rng(1))
    with pytest.raises(DataError, match="at least 2 visits must have readings"):
        missing_patterns(values[values["visit"] == 1])
    with pytest.raises(ArgumentError, match="at least 2 different visit numbers"):
        missing_patterns(values, visits=[3])
    with pytest.raises(DataError, match="a visit must have one value per client"):
        missing_patterns(pd.concat([values, values.iloc[[4]]]))
    with pytest.raises(ArgumentError, match="untreated_gain must be"):
        sets.complete("jump to reference", untreated_gain=[1.0, 2.0])
    with pytest.raises(ArgumentError, match="deltas must be numbers"):
        course_sensitivity(sets, deltas=(np.nan,))
    with pytest.raises(DataError, match="at least 5 clients"):
        missing_patterns(values, visits=[1, 2, 40])
