"""Time the cleaning rules on a caseload of a million readings: the synthetic one, repeated.

Run it as ``python tests/benchmarks/cleaning.py [readings]``. Prints seconds (wall and processor)
for each rule and for `clean` as a whole, and the peak memory of the process.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import pandas as pd

from outcomes.records import read_caseload
from outcomes.records.caseload import Caseload, empty_ledger
from outcomes.records.cleaning import QUESTION_RULES, clean
from outcomes.records.cleaning.records import Records

SYNTHETIC = Path(__file__).parents[2] / "data_synthetic" / "caseload"


def repeated(caseload: Caseload, readings: int) -> Caseload:
    """Repeat every table under new client codes until there are so many readings."""
    times = -(-readings // max(len(caseload.measurements), 1))
    tables = {}
    for name, table in caseload.tables.items():
        parts = [table.assign(client=table["client"] + f"-{i}") for i in range(times)]
        tables[name] = pd.concat(parts, ignore_index=True)
    tables["measurements"] = tables["measurements"].head(readings)
    return Caseload(tables=tables, ledger=empty_ledger(), sources=caseload.sources)


def main() -> None:
    """Print the times."""
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    caseload = repeated(read_caseload(SYNTHETIC), readings)
    wall, cpu = time.perf_counter(), time.process_time()
    cleaned = clean(caseload)
    print(
        f"clean: {len(caseload.measurements):,} readings, {time.perf_counter() - wall:.2f} s wall, "
        f"{time.process_time() - cpu:.2f} s processor, {len(cleaned.ledger):,} ledger entries"
    )
    records = Records(cleaned)
    for name, rule in QUESTION_RULES.items():
        wall, cpu = time.perf_counter(), time.process_time()
        n = len(rule(records))
        spent = time.perf_counter() - wall, time.process_time() - cpu
        print(f"  {name:32s}{n:8,} findings {spent[0]:7.2f} s {spent[1]:7.2f} s processor")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak:,.0f} MB")


if __name__ == "__main__":
    main()
