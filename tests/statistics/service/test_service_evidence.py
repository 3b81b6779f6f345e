"""The stored simulations of the quarter's review, their bounds, and a small re-run of the code."""

import importlib.util
import json
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "evidence"


@pytest.fixture(scope="module")
def stored():
    return json.loads((FOLDER / "results" / "service_false_alarms.json").read_text())


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location(
        "service_false_alarms", FOLDER / "service_false_alarms.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_record_says_how_it_was_made(stored):
    assert stored["sets"] == 10_000 and isinstance(stored["seed"], int)
    assert {"date", "python", "numpy", "scipy", "pandas", "settings"} <= set(stored)


def test_charts_alarm_within_a_tenth_of_their_nominal_rate(stored):
    figures = stored["figures"]["charts"]
    known = figures["individuals, limits known, 24 points, 1 rules, share of points"]
    assert known == pytest.approx(0.0027, rel=0.1)
    for chart in ("running mean", "running sums"):
        assert figures[f"{chart}, mean run"] == pytest.approx(figures[f"{chart}, nominal"], rel=0.1)
    # counts move in steps: exact limits stay below their nominal rate, known centre or not
    for name, rate in figures.items():
        if name.startswith(("shares, exact", "rates, exact")):
            assert rate <= 0.0027 * 1.1


def test_the_stated_chance_of_a_small_shift_by_chance_is_the_simulated_one(stored, script):
    figures = stored["figures"]["small_shifts"]
    for quarters in script.over_time.QUARTERS:
        for chart in ("quarter's mean", "run of quarters", "running mean", "running sum"):
            simulated = figures[f"{chart}, {quarters} quarters, normal, share of series"]
            stated = script.over_time.false_alarm_of(chart, quarters)
            # within a tenth, or the doubt that 10,000 series and the printed digits leave
            doubt = 3 * (simulated * (1 - simulated) / stored["sets"]) ** 0.5 + 0.0005
            assert abs(stated - simulated) <= max(0.1 * simulated, doubt)
            assert figures[f"{chart}, {quarters} quarters, skewed, share of series"] <= 0.1
    again = script.run(500, stored["seed"] + 1, parts=("small_shifts",))["small_shifts"]
    for name, rate in again.items():
        assert abs(rate - figures[name]) <= 4 * (max(figures[name], 0.002) / 500) ** 0.5


def test_funnels_never_exceed_their_nominal_rate(stored):
    for name, rate in stored["figures"]["funnel"].items():
        nominal = 0.05 if name.endswith("95%") else 0.002
        error = (nominal * (1 - nominal) / stored["sets"]) ** 0.5
        assert rate <= nominal + 3 * error


def test_nobody_is_named_on_chance_alone(stored):
    figures = stored["figures"]["practitioners_equal"]
    named = [share for name, share in figures.items() if name.endswith("anyone named")]
    assert len(named) == 4
    # 200 clinics each: within three standard errors of at most 5%, and on average below it
    assert max(named) <= 0.05 + 3 * (0.05 * 0.95 / 200) ** 0.5
    assert sum(named) / len(named) <= 0.05
    figures = stored["figures"]["practitioners_differ"]
    power = [figures[f"{n} clients, anyone named"] for n in (60, 200, 600)]
    assert power == sorted(power) and power[-1] > 0.9
    real = [figures[f"{n} clients, mean chance real"] for n in (60, 200, 600)]
    assert real == sorted(real) and real[-1] > 0.95


def test_intervals_cover(stored):
    for name, share in stored["figures"]["interrupted"].items():
        if name.endswith("ours"):
            # 200 series each; the doubt about the correlation is largest with 12 periods
            assert share >= 0.87, name
    for share in stored["figures"]["comparison"].values():
        assert share == pytest.approx(0.95, abs=0.03)


def test_nothing_is_flagged_that_is_not_there_and_what_is_planted_is(stored):
    for name, share in stored["figures"]["quality"].items():
        if name.startswith("planted"):
            assert share > 0.3, name
        else:
            assert share <= 0.05 + 3 * (0.05 * 0.95 / 200) ** 0.5, name


def test_the_code_that_made_the_record_still_runs(script):
    figures = script.run(20, 1, parts=("funnel", "comparison", "quality"))
    assert set(figures) == {"funnel", "comparison", "quality"}
    assert all(0 <= value <= 1 for part in figures.values() for value in part.values())
