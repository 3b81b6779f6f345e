"""Speed and memory of reading: a million rows of CSV, a hundred thousand rows of XLSX.

Run: python tests/benchmarks/reading.py [rows of CSV] [rows of XLSX]
Each case runs in a process of its own; peak memory is that of the whole process, libraries
included. On a machine that does other work as well, look at the processor seconds.

The wanted figures: CSV 1,000,000 rows under 8 s and 1.5 GB, XLSX 100,000 under 10 s.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

MEASURES = {
    "shoulder_flexion": (140, 15),
    "shoulder_abduction": (135, 18),
    "cervical_rotation": (60, 9),
    "thoracic_rotation": (45, 8),
    "ndi": (30, 9),
    "nprs": (5, 1.5),
}


def make_rows(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """About ten visits a client, six measures with two sides a visit, unique readings."""
    i = np.arange(n)
    names = np.array(list(MEASURES))
    measure = names[i % len(names)]
    side = np.where(measure == "ndi", "", np.where((i // 6) % 2, "left", "right"))
    side = np.where(measure == "nprs", "", side)
    visit = (i // 12) % 10 + 1
    client = i // 120
    mean = np.array([MEASURES[name][0] for name in names])[i % len(names)]
    sd = np.array([MEASURES[name][1] for name in names])[i % len(names)]
    value = np.clip(np.round(rng.normal(mean, sd), 0), 0, None)
    value = np.where(measure == "nprs", np.clip(value, 0, 10), value)
    start = np.datetime64("2024-01-01") + (client % 600).astype("timedelta64[D]")
    return pd.DataFrame(
        {
            "client": np.char.add("C", client.astype(str)),
            "episode": 1,
            "visit": visit,
            "date": (start + 7 * (visit - 1)).astype(str),
            "measure": measure,
            "side": side,
            "moment": "before",
            "trial": (i // 6) % 2 + 1,
            "value": value,
            "unit": "",
            "rater": np.char.add("R", (client % 7).astype(str)),
            "instrument": np.where(side == "", "form", "inclinometer"),
            "mode": np.where(side == "", "", "active"),
        }
    )


def read_once(path: str) -> None:
    from outcomes.records import read_caseload

    before, busy = time.perf_counter(), time.process_time()
    caseload = read_caseload(path)
    seconds, busy = time.perf_counter() - before, time.process_time() - busy
    row = caseload.balance.set_index("table").loc["measurements"]
    print(
        json.dumps(
            {
                "seconds": round(seconds, 2),
                "processor_seconds": round(busy, 2),
                "peak_MB": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
                "rows_in": int(row["rows_in"]),
                "rows_used": int(row["rows_used"]),
            }
        )
    )


def main() -> None:
    sizes = [int(arg) for arg in sys.argv[1:3]] or [1_000_000, 100_000]
    rng = np.random.default_rng(20260105)
    with tempfile.TemporaryDirectory() as folder:
        paths = {}
        csv = Path(folder) / "csv"
        csv.mkdir()
        make_rows(sizes[0], rng).to_csv(csv / "measurements.csv", index=False)
        paths[f"CSV {sizes[0]:,}"] = csv
        if len(sizes) > 1:
            book = Path(folder) / "book.xlsx"
            with pd.ExcelWriter(book, engine="xlsxwriter") as writer:
                frame = make_rows(sizes[1], rng)
                frame["date"] = pd.to_datetime(frame["date"])
                frame.to_excel(writer, sheet_name="measurements", index=False)
            paths[f"XLSX {sizes[1]:,}"] = book
        for name, path in paths.items():
            command = [sys.executable, __file__, "--read", str(path)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            print(f"{name} rows: {done.stdout.strip()}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        read_once(sys.argv[2])
    else:
        main()
