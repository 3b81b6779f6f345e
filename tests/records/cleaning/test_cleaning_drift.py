"""A shifted instrument is named, with its size and day; steady ones rarely are."""

import importlib.util
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.records.cleaning import RULES
from outcomes.records.cleaning.drift import _to_normal
from outcomes.records.cleaning.raters import wilson
from outcomes.records.cleaning.records import Records

EVIDENCE = Path(__file__).parents[2] / "evidence"


@pytest.fixture(scope="module")
def simulation():
    spec = importlib.util.spec_from_file_location("drift_run", EVIDENCE / "instrument_drift.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def found(caseload):
    return RULES["drifting instrument"](Records(caseload))


def test_a_shift_is_named_with_its_size_and_day(simulation):
    for seed in range(3):
        table = found(simulation.clinic(np.random.default_rng(seed), n=240, shift=8.0))
        assert table["old_value"].tolist() == ["inclinometer 2"]
        words = re.search(r"reads ([+-][\d.]+) deg from about (\S+) on", table["reason"][0])
        size, day = words.groups()
        assert 5 < float(size) < 11
        true_day = simulation.START + pd.Timedelta(days=simulation.DAY)
        assert abs((pd.Timestamp(day) - true_day).days) <= 21


def test_stored_rates():
    stored = json.loads((EVIDENCE / "results" / "instrument_drift.json").read_text("utf-8"))
    rows = {(row["clients"], row["shift"]): row for row in stored["rows"]}
    for row in rows.values():
        assert row["clinics"] >= 200
        assert row["steady_named"] <= 0.02 * row["steady_instruments"]
    assert rows[120, 8.0]["shifted_named"] >= 0.80 * rows[120, 8.0]["clinics"]
    assert rows[60, 8.0]["shifted_named"] >= 0.4 * rows[60, 8.0]["clinics"]


def test_the_stored_rates_come_from_this_code(simulation):
    small = simulation.simulate(6, [(60, 0.0), (120, 8.0)], simulation.SEED)
    assert small[0]["steady_named"] <= 1
    assert small[1]["shifted_named"] >= 4


def test_too_few_readings_say_nothing(simulation):
    assert found(simulation.clinic(np.random.default_rng(1), n=8, shift=20.0)).empty


def test_values_that_never_vary_are_no_drift(caseload_of):
    rows = [{"client": f"C{i}", "visit": v, "value": 60.0} for i in range(20) for v in range(1, 6)]
    assert found(caseload_of(rows)).empty


def test_t_is_brought_to_the_normal_scale():
    # t quantiles at 0.975: 2.570582 (5 df), 2.228139 (10 df), from any table of t
    got = _to_normal(np.array([2.570582, 2.228139]), np.array([5.0, 10.0]))
    assert got == pytest.approx([1.959964, 1.959964], abs=0.005)


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    # Newcombe 1998, Stat Med 17:857, table I, Wilson score intervals
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_intervals(count, n, low, high):
    assert wilson(count, n, 0.95) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))
