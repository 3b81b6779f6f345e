"""Clinics side by side: case mix, spread beyond chance, many clinics at once."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from data_synthetic.make_network import make_network
from outcomes.errors import DataError
from outcomes.network.clinics import CASE_MIX, all_clinics, clinic_cells, compare_clinics
from outcomes.network.engines import Here
from outcomes.network.pooled_fit import SeriesSums, fit_sums, series_sums
from outcomes.network.review import review_network
from outcomes.network.store import Packing, open_store
from outcomes.statistics.mixed_model import fit_mixed_model


def drawn_cells(rng, clinics=40, size=400, spread=0.0, odd=0.0):
    """Clinics with different clients; the chance of a gain falls with weeks of symptoms."""
    n = clinics * size
    clinic = np.repeat(np.arange(clinics), size)
    chronic = rng.random(n) < (0.2 + 0.6 * (clinic % 2))
    own = rng.normal(0, spread, clinics)
    own[0] += odd
    chance = 1 / (1 + np.exp(-(0.4 - 1.2 * chronic + own[clinic])))
    frame = pd.DataFrame(
        {
            "clinic": np.char.add("K", clinic.astype(str)),
            **dict.fromkeys(CASE_MIX, "all"),
            "onset": np.where(chronic, "a year and more", "under 6 weeks"),
            "n": 1,
            "count": (rng.random(n) < chance).astype(int),
        }
    )
    return frame.groupby(["clinic", *CASE_MIX])[["n", "count"]].sum().reset_index()


def test_case_mix_is_taken_out():
    """Clinics that differ in their clients only: unadjusted they lie far apart, adjusted not."""
    cells = drawn_cells(np.random.default_rng(1))
    found = compare_clinics(cells)
    assert found.adjusted_for == "weeks of symptoms" and found.dispersion == 1.0
    assert not found.funnel["flagged"].any()
    plain = compare_clinics(cells.assign(onset="all"))
    assert plain.dispersion > 5 and plain.adjusted_for == ""


def test_expected_counts_are_those_of_a_logistic_model():
    """Against statsmodels' binomial GLM on the same cells."""
    cells = drawn_cells(np.random.default_rng(2), spread=0.3)
    x = np.column_stack([np.ones(len(cells)), cells["onset"] == "under 6 weeks"]).astype(float)
    counts = np.column_stack([cells["count"], cells["n"] - cells["count"]])
    chance = sm.GLM(counts, x, family=sm.families.Binomial()).fit().predict(x)
    expected = (cells["n"] * chance).groupby(cells["clinic"]).sum()
    mine = compare_clinics(cells).funnel.set_index("clinic")
    assert np.allclose(mine["expected_share"] * mine["n"], expected[mine.index], rtol=1e-9)


def test_false_flags_are_rare_and_an_odd_clinic_is_found():
    """1,000 clinics without a difference: few flags; one odd clinic among forty: flagged."""
    flags = 0
    for seed in range(25):
        found = compare_clinics(drawn_cells(np.random.default_rng(seed), size=150))
        flags += found.funnel["flagged"].any()
    assert flags <= 5  # 5% of networks expected; chance of 6 or more: under 1%
    odd = compare_clinics(drawn_cells(np.random.default_rng(3), odd=-1.2)).funnel
    assert odd.loc[odd["flagged"], "clinic"].tolist() == ["K0"]


def test_usual_spread_widens_the_limits():
    found = compare_clinics(drawn_cells(np.random.default_rng(4), spread=0.4))
    assert found.dispersion > 2 and found.funnel["flagged"].sum() <= 2
    assert "times as widely as chance" in found.words


def test_too_few_clinics_are_refused():
    with pytest.raises(DataError, match="at least 5 of them"):
        compare_clinics(drawn_cells(np.random.default_rng(5), clinics=4))


def test_nested_sums_give_the_fit_of_the_rows():
    """Clinics as outer level with starts and slopes of their own, against `fit_mixed_model`."""
    rng = np.random.default_rng(6)
    clinic = np.repeat(np.arange(12), 20)
    client = np.repeat(np.arange(240), 5)
    time = np.tile([0.0, 0.3, 0.5, 0.7, 0.8], 240)
    level = 50 + rng.normal(0, 3, 12)[clinic] + rng.normal(0, 6, 240)
    slope = 10 + rng.normal(0, 2, 12)[clinic] + rng.normal(0, 3, 240)
    value = level[client] + slope[client] * time + rng.normal(0, 2, 1200)
    frame = pd.DataFrame({"clinic": clinic[client], "series": client, "time": time, "value": value})
    random = {"clinic": "1 + time", "series": "1 + time"}
    theirs = fit_mixed_model(frame, "value ~ time", groups=["clinic", "series"], random=random)
    shuffled = rng.permutation(240)
    first = np.arange(0, 1200, 5)
    sums = series_sums(first, time, value - 55)[shuffled]
    mine = fit_sums(SeriesSums(sums, 55.0, 1200, outer=clinic[shuffled]), outer_random="1 + time")
    assert mine.log_likelihood == pytest.approx(theirs.log_likelihood, rel=1e-10)
    for name in ("estimate", "standard_error", "df"):
        assert np.allclose(mine.fixed[name], theirs.fixed[name], rtol=1e-8)
    for level_name in ("clinic", "series"):
        a = mine.random_covariances[level_name].to_numpy()
        assert np.allclose(a, theirs.random_covariances[level_name].to_numpy(), rtol=1e-7)
    a = mine.client_effects(level="clinic")["estimate"].to_numpy()
    assert np.allclose(a, theirs.client_effects(level="clinic")["estimate"], rtol=1e-6, atol=1e-8)


def test_clinics_of_a_network_come_back_as_planted(tmp_path):
    """Twelve clinics of the generator: their own gains follow what was planted."""
    planted = {}
    with Packing(tmp_path / "store") as packing:
        rng = np.random.default_rng(7)
        for code, caseload, effect in make_network(rng, clinics=12, visits=40_000, spread=0.15):
            packing.add(caseload)
            planted[code] = effect
    review = review_network(open_store(tmp_path / "store"), quarter="all", engine=Here())
    found = all_clinics(review, clinic_cells(review))["shoulder_flexion"]
    assert "start value" in found.adjusted_for and "weeks of symptoms" in found.adjusted_for
    gains = found.effects[found.effects["term"] == "time"].set_index("clinic")["estimate"]
    effects = pd.Series(planted)[gains.index]
    assert np.corrcoef(gains, effects)[0, 1] > 0.9
    sd = found.spread.set_index("term")["sd"]["time"]
    assert 0.5 < sd / (effects.std() * 28 * 0.8) < 2  # full gain 28 degrees, some never improve
