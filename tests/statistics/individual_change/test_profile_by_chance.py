"""Which measures moved, from chances: a plain loop, and planted truth."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import DataError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import profile_by_chance


def chances(seed, clients=400, measures=8):
    """Half of the measures did not move far; the posterior of each is exact."""
    rng = np.random.default_rng(seed)
    client = np.repeat(np.arange(clients), measures)
    truth = rng.normal(0, 1, client.size)
    seen = truth + rng.normal(0, 1, client.size)
    up = stats.norm.cdf(seen / 2, scale=np.sqrt(0.5))
    return pd.DataFrame(
        {
            "client": client,
            "measure": np.tile([f"m{i}" for i in range(measures)], clients),
            "chance_improved": up,
            "chance_worse": 1 - up,
            "truth": truth,
        }
    )


def test_as_many_are_named_as_a_plain_loop_names():
    rows = profile_by_chance(chances(1, clients=40), false_share=0.1)
    check_result([c for c in rows.columns if c != "truth"])
    for _, mine in rows.groupby("client"):
        other = sorted(mine["chance_other_way"])
        named = max((k for k in range(1, 9) if np.mean(other[:k]) <= 0.1), default=0)
        assert mine["moved"].isin(["better", "worse"]).sum() == named
        assert (mine["n_measures"] == 8).all()


def test_few_of_those_named_moved_the_other_way():
    rows = profile_by_chance(chances(2, clients=1500))
    named = rows[rows["moved"].isin(["better", "worse"])]
    wrong = (named["truth"] > 0) != (named["moved"] == "better")
    assert len(named) > 500
    assert wrong.mean() < 0.05 + 2 * np.sqrt(0.05 * 0.95 / len(named))
    assert wrong.mean() > 0.01  # the allowance is used


def test_declines_lead_and_unknown_chances_are_not_judged():
    rows = pd.DataFrame(
        {
            "client": "a",
            "measure": ["x", "y", "z", "w"],
            "chance_improved": [0.999, 0.004, np.nan, 0.5],
            "chance_worse": [0.001, 0.996, np.nan, 0.5],
        }
    )
    found = profile_by_chance(rows)
    assert found["moved"].tolist() == ["worse", "better", "not shown", "not judged"]
    assert (found["n_measures"] == 3).all()
    with pytest.raises(DataError, match="chance_worse"):
        profile_by_chance(rows.drop(columns="chance_worse"))
