"""How long a case series takes: 20 clients x 30 visits x 5 measures, the whole folder.

Run `python tests/benchmarks/case_series.py`; prints seconds (wall and processor) and peak memory.
"""

from __future__ import annotations

import json
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.records import read_caseload
from outcomes.reporting.case_series import case_series

CLIENTS, VISITS = 20, 30
MEASURES = ["nprs", "shoulder_flexion", "shoulder_abduction", "cervical_extension", "psfs"]
LEVELS = {"nprs": (6, -2, 1), "psfs": (4, 2, 1)}


def write_caseload(folder: Path) -> None:
    """Simulate a caseload with staggered starts and serially correlated readings."""
    rng = np.random.default_rng(1)
    clients, visits, rows = [], [], []
    for i in range(CLIENTS):
        code, start = f"C{i:02d}", 5 + i % 10
        clients.append({"client": code, "consent_case_report": True, "birth_year": 1950 + i,
                        "sex": "female", "complaint": "neck", "affected_side": "left"})  # fmt: skip
        dates = pd.Timestamp("2025-01-06") + pd.to_timedelta(
            np.cumsum(rng.integers(4, 11, VISITS)), unit="D"
        )
        error = {m: 0.0 for m in MEASURES}
        for v in range(VISITS):
            day = dates[v].strftime("%Y-%m-%d")
            phase = "baseline" if v < start else "treatment"
            visits.append({"client": code, "episode": 1, "visit": v + 1, "date": day,
                           "phase": phase})  # fmt: skip
            for m in MEASURES:
                level, gain, sd = LEVELS.get(m, (60 if "cervical" in m else 120, 15, 5))
                error[m] = 0.3 * error[m] + sd * rng.standard_normal()
                value = level + gain * (v >= start) + error[m]
                if m in LEVELS:
                    value = float(np.clip(round(value), 0, 10))
                rows.append({"client": code, "episode": 1, "visit": v + 1, "date": day,
                             "measure": m, "side": "left" if "shoulder" in m else "midline",
                             "value": round(value, 1)})  # fmt: skip
    pd.DataFrame(clients).to_csv(folder / "clients.csv", index=False)
    pd.DataFrame(visits).to_csv(folder / "visits.csv", index=False)
    pd.DataFrame(rows).to_csv(folder / "measurements.csv", index=False)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "in").mkdir()
        write_caseload(folder / "in")
        caseload = read_caseload(folder / "in")
        wall, processor = time.perf_counter(), time.process_time()
        series = case_series(caseload, measures=MEASURES, out=folder / "paper")
        print(
            json.dumps(
                {
                    "clients": CLIENTS,
                    "visits": VISITS,
                    "measures": len(series.found),
                    "files": len(series.files),
                    "seconds": round(time.perf_counter() - wall, 1),
                    "processor_seconds": round(time.process_time() - processor, 1),
                    "peak_megabytes": round(
                        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                    ),
                }
            )
        )


if __name__ == "__main__":
    main()
