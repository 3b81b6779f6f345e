"""The meeting table: planted courses, exact chances, and the words."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import (
    PLATEAU_STATES,
    fit_client_courses,
    meeting_table,
)


def planted(seed=1, n=90, visits=8, error=1.5, scale=2.5):
    """A third gain much, a third a little, a third decline; the last ten came three times only."""
    rng = np.random.default_rng(seed)
    total = np.repeat([16.0, 3.0, -8.0], n // 3) + rng.normal(0, 1, n)
    many = np.where(np.arange(n) % 9 == 0, 3, visits)
    client = np.repeat(np.arange(n), many)
    week = np.concatenate([np.arange(m) for m in many]).astype(float)
    level = 50 + rng.normal(0, 8, n)[client] - total[client] * np.expm1(-week / scale)
    values = pd.DataFrame(
        {
            "client": client,
            "visit": week + 1,
            "week": week,
            "value": level + rng.normal(0, error, week.size),
        }
    )
    return values, total, many


def test_states_follow_the_planted_courses():
    values, total, many = planted()
    table = meeting_table(fit_client_courses(values), minimal_important_change=6)
    check_result(table.columns)
    state = table.set_index("client")["state"].reindex(range(90))
    long = many == 8
    groups = np.repeat([0, 1, 2], 30)
    share = [
        (state[long & (groups == g)] == words).mean()
        for g, words in (
            (0, "levelled off past the line"),
            (1, "levelled off short of the line"),
            (2, "getting worse"),
        )
    ]
    assert min(share) > 0.85
    assert (state[~long & (groups == 0)] == "still gaining").mean() > 0.8
    ranks = table["state"].map({word: i for i, word in enumerate(PLATEAU_STATES)})
    assert ranks.is_monotonic_increasing


def test_forecast_meets_the_planted_gain():
    values, total, many = planted(seed=2)
    table = meeting_table(fit_client_courses(values), visits_ahead=3).set_index("client")
    table = table.reindex(range(90))
    truth = total * (np.exp(-(many - 1) / 2.5) - np.exp(-(many + 2) / 2.5))
    inside = (table["ci_low"] <= truth) & (truth <= table["ci_high"])
    assert inside.mean() > 0.88
    assert np.abs(table["further_gain"] - truth).mean() < 0.6
    assert set(table["state"]) <= {
        "levelled off", "still gaining", "getting worse", "too little data to say",
    }  # fmt: skip


def test_chances_add_up_and_agree_with_each_other():
    values, _, _ = planted(seed=3)
    courses = fit_client_courses(values)
    table = meeting_table(courses, minimal_important_change=6, worthwhile=1.0, certain=0.51)
    named = table["state"] == "still gaining"
    assert table.loc[named, "chance_of_state"].to_numpy() == pytest.approx(
        table.loc[named, "chance_worthwhile"].to_numpy()
    )
    later = meeting_table(courses, minimal_important_change=6, visits_ahead=10)
    both = table.merge(later, on="client", suffixes=("", "_later"))
    # whoever is not there yet and still gains gets nearer; whoever is there may lose it again
    coming = (both["chance_at_line"] < 0.5) & (both["further_gain_later"] > 0)
    assert coming.any()
    assert (both["chance_at_line_later"] >= both["chance_at_line"] - 1e-9)[coming].all()
    at_80 = both["visits_to_line_80"].notna()
    assert (both["visits_to_line_50"] <= both["visits_to_line_80"])[at_80].all()
    there = both["visits_to_line_50"] == 0
    assert (both["gain_so_far"] > 4)[there].all()


def test_goal_in_levels_and_lower_is_better():
    values, _, _ = planted(seed=4)
    up = meeting_table(fit_client_courses(values), goal=60.0).set_index("client").sort_index()
    down = meeting_table(
        fit_client_courses(values.assign(value=-values["value"])), better="lower", goal=-60.0
    )
    down = down.set_index("client").sort_index()
    for column in ("chance_at_line", "further_gain", "chance_worthwhile"):
        assert up[column].to_numpy() == pytest.approx(down[column].to_numpy(), abs=2e-3)
    latest = values.groupby("client")["value"].last()
    past = up["state"] == "levelled off past the line"
    assert latest[past].mean() > 60 > latest[up["state"] == "levelled off short of the line"].mean()


def test_one_or_two_visits_are_too_few():
    values, _, _ = planted(seed=5)
    few = pd.concat(
        [values, values[values["client"].eq(1) & values["visit"].le(2)].assign(client=99)]
    )
    table = meeting_table(fit_client_courses(few)).set_index("client")
    assert table.loc[99, "state"] == "too little data to say"
    assert np.isnan(table.loc[99, "chance_of_state"])


def test_refusals():
    courses = fit_client_courses(planted()[0])
    with pytest.raises(ArgumentError, match="better must be"):
        meeting_table(courses, better="up")
    with pytest.raises(ArgumentError, match="visits_ahead must be a whole number of at least 1"):
        meeting_table(courses, visits_ahead=0)
    with pytest.raises(ArgumentError, match="worthwhile must be above zero"):
        meeting_table(courses, worthwhile=0)
    with pytest.raises(ArgumentError, match="goal must be a level"):
        meeting_table(courses, goal=np.inf)
    with pytest.raises(ArgumentError, match="certain must be in"):
        meeting_table(courses, certain=0.2)
