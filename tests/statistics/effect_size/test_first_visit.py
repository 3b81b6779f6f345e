"""Regression to the mean from all visits: against the mixed model, and planted first days."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ModelError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import change_ladder, first_visit_regression
from outcomes.statistics.effect_size.first_visit import _one_form
from outcomes.statistics.individual_change import start_and_latest
from outcomes.statistics.individual_change._course_model import solve, sums_of
from outcomes.statistics.mixed_model import fit_mixed_model

EVIDENCE = Path(__file__).parents[2] / "evidence"
STORED = json.loads((EVIDENCE / "results" / "change_first_visit.json").read_text())


def planted(seed, n=120, excess=-4.0, visits=7):
    rng = np.random.default_rng(seed)
    client, visit = np.repeat(np.arange(n), visits), np.tile(np.arange(1, visits + 1), n)
    week = visit - 1.0
    gain = rng.normal(9, 4, n)[client] * -np.expm1(-week / 2.6)
    value = rng.normal(50, 8, n)[client] + gain + rng.normal(0, 3, client.size)
    value += excess * (visit == 1)
    frame = pd.DataFrame(
        {"client": client, "episode": 1, "visit": visit, "week": week, "value": value}
    )
    return frame.assign(measure="m", side="left", mode="active", instrument="one")


def by_hand(values):
    week = values["week"].to_numpy()
    h = -np.expm1(-0.4 * week)
    z = np.column_stack([np.ones(h.size), h])
    first = np.flatnonzero(np.diff(values["client"], prepend=-1))
    x = np.column_stack([z, week == 0])
    return x, z, values["value"].to_numpy(), first


def test_same_model_as_the_general_mixed_model():
    values = planted(1, n=40)
    x, z, y, first = by_hand(values)
    fit = fit_mixed_model(
        values.assign(h=z[:, 1], is_first=x[:, 2]), "value ~ h + is_first", random="1 + h"
    )
    g = fit.random_covariances["client"].to_numpy()
    theta = np.array(
        [
            np.log(g[0, 0]) / 2,
            np.log(g[1, 1]) / 2,
            np.arctanh(g[0, 1] / np.sqrt(g[0, 0] * g[1, 1])),
            np.log(fit.residual_variance) / 2,
        ]
    )
    solved = solve(sums_of(x, z, y, first), theta[None])
    assert solved.b[0] == pytest.approx(fit.coefficients, rel=1e-6)
    plain = fit_mixed_model(
        values.assign(h=z[:, 1], is_first=x[:, 2]),
        "value ~ h + is_first",
        random="1 + h",
        degrees_of_freedom="normal",
    )
    assert solved.phi[0] == pytest.approx(plain.covariance, rel=1e-5)


def test_influence_is_what_leaving_a_client_out_does():
    values = planted(2, n=30)
    theta = np.array([2.0, 1.2, 0.1, 1.1])
    x, z, y, first = by_hand(values)
    whole = _one_form(sums_of(x, z, y, first, keep=True), theta, 0.0)
    for client in (0, 17):
        rest = values[values["client"] != client]
        x, z, y, first = by_hand(rest)
        without = solve(sums_of(x, z, y, first), theta[None]).b[0, 2]
        expected = (whole.excess - without) * np.sqrt(29 / 30)
        assert whole.influence[client] == pytest.approx(expected, rel=1e-6)


def test_a_bad_first_day_is_found_and_an_ordinary_one_is_not():
    bad = first_visit_regression(planted(3))
    assert bad.ci_low < 4 < bad.ci_high and bad.ci_low > 1 and bad.told_apart
    plain = first_visit_regression(planted(4, excess=0.0))
    assert plain.ci_low < 0 < plain.ci_high
    check_result(bad.table.columns)
    check_result(bad.influence.columns)


def test_direction_turns_the_sign_and_nothing_else():
    values = planted(5, n=60)
    up = first_visit_regression(values)
    down = first_visit_regression(values.assign(value=-values["value"]), better="lower")
    # the searches for the variances stop at slightly different places
    assert down.estimate == pytest.approx(up.estimate, abs=0.02 * up.standard_error)
    assert down.standard_error == pytest.approx(up.standard_error, rel=0.02)


def test_ladder_takes_the_visits_and_shows_both():
    values = planted(6)
    pairs = start_and_latest(values)
    found = first_visit_regression(values)
    ladder = change_ladder(
        pairs,
        rng=np.random.default_rng(1),
        population_mean=60,
        reliability=0.8,
        first_visit=found,
        n_resamples=999,
    )
    check_result(ladder.regression.columns)
    assert ladder.regression["used"].tolist() == [True, False]
    step = ladder.rungs.set_index("rung").loc["less regression to the mean", "step"]
    assert step == pytest.approx(found.estimate)
    # a step and the raw change share the first readings: what is left varies less than both apart
    rungs = ladder.rungs.set_index("rung")
    width = (rungs["ci_high"] - rungs["ci_low"]).to_numpy()
    alone = np.hypot(width[0], found.ci_high - found.ci_low)
    assert width[1] < alone


def test_ladder_falls_back_where_the_visits_cannot_tell():
    values = planted(7)
    pairs = start_and_latest(values)
    found = first_visit_regression(values)
    object.__setattr__(found, "told_apart", False)
    ladder = change_ladder(
        pairs,
        rng=np.random.default_rng(1),
        population_mean=60,
        reliability=0.8,
        first_visit=found,
        n_resamples=999,
    )
    assert ladder.regression["used"].tolist() == [False, True]
    assert ladder.regression["reason"][0].startswith("Not used: the visits do not tell")
    none = change_ladder(pairs, rng=np.random.default_rng(1), first_visit=found, n_resamples=999)
    assert "less regression to the mean" not in none.rungs["rung"].tolist()
    late = first_visit_regression(planted(8, excess=5.0))
    assert late.ci_high < 0
    ladder = change_ladder(pairs, rng=np.random.default_rng(1), first_visit=late, n_resamples=999)
    assert "first readings lie better" in ladder.regression["reason"][0]


def test_refusals():
    with pytest.raises(ModelError, match="20 clients or more who came three times"):
        first_visit_regression(planted(9, n=15))
    values = planted(10, n=60)
    with pytest.raises(ModelError, match="25 of 60 did"):
        first_visit_regression(values[(values["client"] < 25) | (values["visit"] < 3)])


@pytest.mark.parametrize("name", list(STORED["situations"]))
def test_stored_recovery_and_coverage(name):
    found = STORED["situations"][name]
    assert found["sets"] >= 700
    slack = 2 * (0.05 * 0.95 / found["sets"]) ** 0.5
    if name.startswith("late start"):  # a course of another form: it errs on the side of none
        assert found["found"] < 0.05 and found["mean"] < found["planted"] - 1
        return
    assert abs(found["mean"] - found["planted"]) < 0.35
    assert 0.90 - slack <= found["coverage"] <= 0.975 + slack
    assert 0.90 - slack <= found["ladder_left_coverage"] <= 0.975 + slack
    if "not selected" in name:
        assert found["found"] < 0.06
    elif found["clients"] == 80:
        assert found["found"] > 0.25 and found["raw_change_holds_true_gain"] < 0.65


def test_a_small_re_run():
    spec = importlib.util.spec_from_file_location("first", EVIDENCE / "change_first_visit.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert STORED["seed"] == module.SEED and set(STORED["situations"]) == set(module.SETTINGS)
    rng = np.random.default_rng(1)
    rows = [module.one_set(rng, module.SETTINGS["no gain, selected"], None) for _ in range(12)]
    assert sum(row["held"] for row in rows) >= 8
