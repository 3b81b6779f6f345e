"""Does the error found from everyday visits equal the error planted in the synthetic caseload?

Synthetic caseloads are drawn anew; active ranges only, rows of a single rater at one instrument
with 10 clients or more. Truth: error of one trial, sqrt(trial_sd^2 + step^2 / 12), and error of the
recorded value, that of one trial averaged over the trials plus the session's. Drift and shifts
between raters are no part of a single rater's truth.

Broken assumptions: session errors that carry over from visit to visit, and courses twice as fast.

Run: python tests/evidence/repeatability_routine_error.py
"""

from __future__ import annotations

import json
import platform
import sys
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from data_synthetic.make_caseload import make_caseload  # noqa: E402
from outcomes.statistics.repeatability import error_from_routine_visits  # noqa: E402

RESULT = Path(__file__).parent / "results" / "repeatability_routine_error.json"
SEED = 20260830
SEEDS, CLIENTS = 20, 400
BROKEN = {
    "errors carry over, correlation 0.4": {"course": {"serial_correlation": 0.4}},
    "courses twice as fast": {"course": {"scale_visits": {"median": 1.4, "least": 0.9}}},
}


def rows_against_truth(rng: np.random.Generator, clients: int, changes: dict) -> pd.DataFrame:
    """One caseload: found and planted error of every single rater's row."""
    tables, truth = make_caseload(rng, n_clients=clients, changes=changes)
    planted = truth.errors().set_index(["measure", "instrument", "rater"])
    measures = set(truth.scenario["ranges"])
    readings = tables["measurements"]
    readings = readings[readings["measure"].isin(measures)]
    readings = readings[readings["mode"].fillna("active") == "active"]
    found = error_from_routine_visits(readings)
    found = found[(found["rater"] != "all") & (found["n"] >= 10)]
    rows = []
    for row in found.itertuples():
        one = planted.loc[(row.measure, row.instrument.split()[0], row.rater)]
        true = float(one["standard_error_of_measurement"])
        if row.method == "trials within a visit":
            true = float(np.sqrt(one["trial_sd"] ** 2 + one["step"] ** 2 / 12))
        rows.append(
            {
                "method": row.method,
                "relative": row.estimate / true - 1,
                "held": row.ci_low <= true <= row.ci_high,
                "coarse": one["step"] == 5,
            }
        )
    return pd.DataFrame(rows)


def recover(seeds: int = SEEDS, clients: int = CLIENTS, changes: dict | None = None) -> list[dict]:
    """Coverage and bias by method over several caseloads."""
    parts = []
    for child in np.random.SeedSequence(SEED).spawn(seeds):
        parts.append(rows_against_truth(np.random.default_rng(child), clients, changes or {}))
    every = pd.concat(parts)
    return [
        {
            "method": method,
            "coverage": float(rows["held"].mean()),
            "coverage_without_5_degree_steps": float(rows.loc[~rows["coarse"], "held"].mean()),
            "relative_bias": float(rows["relative"].mean()),
            "relative_sd": float(rows["relative"].std()),
            "rows": len(rows),
            "caseloads": seeds,
        }
        for method, rows in every.groupby("method")
    ]


def main() -> None:
    """Run and store."""
    broken = []
    for name, changes in BROKEN.items():
        for row in recover(max(SEEDS // 4, 1), CLIENTS, changes):
            if row["method"].startswith("scatter"):
                broken.append({"broken": name, **row})
    result = {
        "seed": SEED,
        "date": date.today().isoformat(),
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "pandas": version("pandas"),
        "nominal": 0.95,
        "planted": recover(),
        "broken": broken,
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    for row in result["planted"] + result["broken"]:
        print(row)


if __name__ == "__main__":
    main()
