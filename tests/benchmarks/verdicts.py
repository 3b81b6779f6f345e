"""Time the verdicts on a large caseload, and the bootstrap.

Run ``python tests/benchmarks/verdicts.py``. Targets: 10,000 clients x 12 measures x 8 visits judged
by cut-off and by model in under 15 s; 10,000 resamples for 400 clients in under 1 s.
"""

from __future__ import annotations

import resource
import time

import numpy as np
import pandas as pd

from outcomes.statistics.effect_size import BOOTSTRAPPED, bootstrap_interval
from outcomes.statistics.individual_change import (
    judge_change,
    judge_with_model,
    start_and_latest,
)


def draw_values(rng: np.random.Generator, n: int, measures: int, visits: int) -> pd.DataFrame:
    """Draw flattening courses of many clients in many measures."""
    rows = n * measures
    week = np.arange(visits) + rng.uniform(-0.2, 0.2, (rows, visits))
    week[:, 0] = 0
    level = rng.normal(50, 8, (rows, 1)) - rng.normal(9, 5, (rows, 1)) * np.expm1(-week / 2.6)
    client = np.char.add("c", np.arange(n).astype(str))
    return pd.DataFrame(
        {
            "client": np.tile(np.repeat(client, visits), measures),
            "episode": 1,
            "visit": np.tile(np.arange(1, visits + 1), rows),
            "week": week.ravel(),
            "measure": np.repeat([f"m{i:02d}" for i in range(measures)], n * visits),
            "side": "left",
            "mode": "active",
            "instrument": "goniometer",
            "value": (level + rng.normal(0, 3, level.shape)).ravel(),
        }
    )


def main() -> None:
    """Time and print."""
    rng = np.random.default_rng(1)
    values = draw_values(rng, 10_000, 12, 8)
    wall, cpu = time.perf_counter(), time.process_time()
    pairs = start_and_latest(values)
    judged = judge_change(pairs, standard_error_of_measurement=3.0, minimal_important_change=6.0)
    print(f"cut-off verdicts, {len(judged):,} rows: {time.perf_counter() - wall:.2f} s")
    wall_model, cpu_model = time.perf_counter(), time.process_time()
    count = 0
    for _, rows in values.groupby("measure", sort=False):
        count += len(judge_with_model(rows, minimal_important_change=6.0))
    print(
        f"model verdicts, {count:,} rows: {time.perf_counter() - wall_model:.2f} s "
        f"({time.process_time() - cpu_model:.2f} s of processor)"
    )
    print(
        f"all verdicts: {time.perf_counter() - wall:.2f} s "
        f"({time.process_time() - cpu:.2f} s of processor)"
    )
    x = rng.normal(50, 8, 400)
    pairs = pd.DataFrame({"start_value": x, "latest_value": x + rng.normal(6, 5, 400)})
    for name in BOOTSTRAPPED:
        wall, cpu = time.perf_counter(), time.process_time()
        bootstrap_interval(pairs, name, rng=rng)
        print(
            f"bootstrap of {name}, 400 clients, 10,000 resamples: "
            f"{time.perf_counter() - wall:.2f} s ({time.process_time() - cpu:.2f} s of processor)"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
