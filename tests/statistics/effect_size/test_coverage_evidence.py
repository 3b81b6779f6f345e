"""The stored coverage of every interval stays inside its bounds, and the same code still runs.

Bounds: 93.5 to 96.5 %, with twice the Monte Carlo error of the sets run (0.44 points for 10,000,
1.1 for 1,500) on either side; exact intervals of shares never fall below the level.
"""

import importlib.util
import json
from pathlib import Path

import pytest

EVIDENCE = Path(__file__).parents[2] / "evidence"
STORED = json.loads((EVIDENCE / "results" / "change_coverage.json").read_text())

#: Intervals known to fall outside, with the reason.
KNOWN: dict[str, str] = {
    "d_z, BCa bootstrap": "60 clients, skewed changes: the ratio of mean and SD converges slowly; "
    "the studentised interval does better",
}


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("cover", EVIDENCE / "change_coverage.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def stored_rows():
    return [
        (part, row["quantity"], row)
        for part, found in STORED["parts"].items()
        for row in found["rows"]
    ]


@pytest.mark.parametrize(("part", "quantity", "row"), stored_rows())
def test_stored_coverage(part, quantity, row):
    if "clopper_pearson" in quantity:
        assert row["coverage"] >= 0.95 and row["least"] >= 0.95
        return
    if quantity in KNOWN:
        assert 0.90 < row["coverage"] < 1
        return
    slack = 0 if row["sets"] == "exact" else 2 * (0.05 * 0.95 / row["sets"]) ** 0.5
    assert 0.935 - slack <= row["coverage"] <= 0.965 + slack


def test_the_studentised_bootstrap_holds_d_z_where_bca_is_short():
    rows = {row["quantity"]: row for row in STORED["parts"]["bootstrap"]["rows"]}
    short, better = rows["d_z, BCa bootstrap"], rows["d_z, studentised bootstrap"]
    assert better["coverage"] > short["coverage"] + 0.005
    assert better["coverage"] > 0.935 - 2 * (0.05 * 0.95 / better["sets"]) ** 0.5


def test_every_part_is_stored(script):
    assert set(STORED["parts"]) == {"shares", *script.PARTS}
    assert STORED["seed"] == script.SEED and STORED["level"] == 0.95
    for part, found in STORED["parts"].items():
        if part != "shares":
            assert all(row["sets"] >= 1_500 for row in found["rows"])


@pytest.mark.parametrize("part", ["sizes", "groups", "calendar", "clusters", "course"])
def test_the_code_behind_it_runs(script, part):
    rows = script.simulate(part, 25, seed=1)
    names = {row["quantity"] for row in STORED["parts"][part]["rows"]}
    assert {row["quantity"] for row in rows} == names
    # 25 sets: an honest 95 % interval holds the truth in at least 18 but for one case in 10,000
    assert min(row["coverage"] for row in rows) >= 18 / 25


def test_shares_are_recomputed_exactly(script):
    now = {row["quantity"]: row["coverage"] for row in script.exact_shares()[:4]}
    stored = {row["quantity"]: row["coverage"] for row in STORED["parts"]["shares"]["rows"]}
    for quantity, coverage in now.items():
        assert coverage == pytest.approx(stored[quantity], abs=1e-9)
