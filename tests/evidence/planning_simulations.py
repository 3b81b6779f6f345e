"""Whole simulated studies, analysed by the project's own mixed model, against planned power.

One group and two groups, all visits kept or 15% stopping after each, 20 and 100 clients; 5,000
studies each, uneven visits (a quarter of a week either way), the model's own default for degrees
of freedom.
Also the time that 1,000 studies of 100 clients take.

Run: python tests/evidence/planning_simulations.py
"""

from __future__ import annotations

import json
import platform
import time
from dataclasses import asdict
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np

from outcomes.statistics.planning import Course, power_slope, simulate_slope

RESULT = Path(__file__).parent / "results" / "planning_simulations.json"
SEED = 20260917
STUDIES = 5_000
WEEKS = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0)
SETTINGS = [
    # clients a group, groups, slope, stopping
    (20, 1, 1.5, 0.0),
    (20, 1, 1.5, 0.15),
    (100, 1, 0.7, 0.15),
    (50, 2, 1.5, 0.15),
    (40, 1, 0.0, 0.15),
]


def run(studies: int, seed: int) -> list[dict]:
    """Simulate every setting."""
    rows = []
    for i, (n, groups, slope, stopping) in enumerate(SETTINGS):
        course = Course(
            weeks=WEEKS, intercept_sd=10, slope_sd=1.5, error_sd=7, correlation=-0.2,
            stopping=stopping,
        )  # fmt: skip
        began = time.process_time()
        found = simulate_slope(
            n,
            slope=slope,
            course=course,
            groups=groups,
            studies=studies,
            rng=np.random.default_rng([seed, i]),
        ).iloc[0]
        rows.append(
            {
                "n": n,
                "groups": groups,
                "slope": slope,
                "course": asdict(course),
                "planned": power_slope(n, slope=slope, course=course, groups=groups),
                "processor_seconds": time.process_time() - began,
                **{
                    name: float(found[name])
                    for name in (
                        "power", "power_low", "power_high", "coverage", "share_not_fitted",
                        "standard_error", "sd",
                    )
                },
            }
        )  # fmt: skip
    return rows


def main() -> None:
    record = {
        "made_by": "tests/evidence/planning_simulations.py",
        "date": date.today().isoformat(),
        "seed": SEED,
        "studies": STUDIES,
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "scipy", "pandas")},
        "settings": __doc__,
        "slopes": run(STUDIES, SEED),
    }
    RESULT.parent.mkdir(exist_ok=True)
    RESULT.write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
