"""The stored evidence holds what is claimed, and the code that made it still gives it."""

import json
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

EVIDENCE = Path(__file__).parents[2] / "evidence"


def load(name):
    spec = spec_from_file_location(name, EVIDENCE / f"{name}.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def small():
    return json.loads((EVIDENCE / "results" / "mixed_model_small_samples.json").read_text())


def test_agreement_with_r_to_the_stated_digits():
    """lme4, lmerTest, pbkrtest, nlme, clubSandwich: see tests/reference/mixed_model."""
    module = load("mixed_model_agreement")
    table = module.table()
    beyond = table[~(table.difference <= table.bound)]
    assert beyond.empty, beyond.to_string()
    assert table.compared.sum() > 150


def test_the_stored_agreement_is_within_its_bounds():
    stored = json.loads((EVIDENCE / "results" / "mixed_model_agreement.json").read_text())
    assert stored["reference"]["lme4"] == "1.1.31"
    for row in stored["worst"]:
        assert row["difference"] <= row["bound"], row


def test_a_true_null_slope_is_rejected_at_the_stated_rate(small):
    """3.5 to 6% at 6, 8, 12 and 20 clients, boundary fits included, 10,000 caseloads each."""
    main = [row for row in small["rows"] if row["sets"] == 10_000]
    assert [row["clients"] for row in main] == [6, 8, 12, 20]
    for row in main:
        assert 0.035 <= row["rejected"]["small_sample"] <= 0.06
        assert 0.94 <= row["reading_covered"] <= 0.96
        assert 0.94 <= row["course_covered"] <= 0.96
    # The plain rules, for comparison: one too shy at six clients, one a little bold at eight.
    assert main[0]["rejected"]["kenward_roger"] < 0.03
    assert main[0]["boundary_share"] > 0.3


def test_the_rule_is_not_bold_where_slopes_differ_much_little_or_not_at_all(small):
    """600 caseloads each: a rate of 5% is then known to 0.9%, and 7.5% is three of those above.

    Where the slopes do not differ at all every rule is shy at six clients, because the model is
    asked for a variance that is not there.
    """
    sides = [row for row in small["rows"] if row["sets"] == 600]
    assert {row["slope_sd"] for row in sides} == {0.0, 0.8, 4.0}
    for row in sides:
        assert row["rejected"]["small_sample"] <= 0.075


def test_the_simulation_still_gives_the_stored_figures(small):
    """A short run of the same code: rates within four standard errors of the stored ones."""
    module = load("mixed_model_small_samples")
    row = module.run(6, 60, module.MAIN_SLOPE_SD, seed=6, cover_every=6)
    stored = small["rows"][0]
    for rule in ("small_sample", "satterthwaite"):
        rate = stored["rejected"][rule]
        assert abs(row["rejected"][rule] - rate) < 4 * (rate * (1 - rate) / 60) ** 0.5
    share = stored["boundary_share"]
    assert abs(row["boundary_share"] - share) < 4 * (share * (1 - share) / 60) ** 0.5
    assert row["reading_covered"] > 0.8


def test_the_benchmark_table_is_stored():
    stored = json.loads((EVIDENCE / "results" / "mixed_model_benchmark.json").read_text())
    ours = {row["clients"]: row for row in stored["rows"] if row["who"].startswith("ours")}
    assert {20, 1_000, 100_000, 1_000_000} <= set(ours)
    likelihoods = {}
    for row in stored["rows"]:
        if "log_likelihood" in row and row["who"].startswith(("ours", "R lme4")):
            likelihoods.setdefault(row["clients"], []).append(row["log_likelihood"])
    for values in likelihoods.values():
        assert max(values) - min(values) < 1e-6 * abs(max(values))  # R printed seven digits
