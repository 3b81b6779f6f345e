"""Caseloads for the case-series tests: a published series with phases, and the synthetic one."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from outcomes.records import read_caseload

sys.path.insert(0, str(Path(__file__).parents[2] / "statistics" / "single_case"))

from single_case_published import SCHUTTE_2008, frame  # noqa: E402

#: A measure of one's own, as a mapping declares it; no thresholds are known for it.
MAPPING = {
    "measures": {
        "fatigue_score": {
            "name": "Fatigue score",
            "unit": "points",
            "min": 0,
            "max": 100,
            "better": "lower",
        }
    }
}


def schutte_caseload(folder: Path, *, thresholds: bool = False):
    """Write the published fatigue series as a caseload folder and read it."""
    values = frame(SCHUTTE_2008)
    clients = pd.DataFrame({"client": sorted(SCHUTTE_2008), "consent_case_report": True})
    clients["birth_year"] = [1950 + i for i in range(len(clients))]
    clients["sex"] = ["female", "male"] * (len(clients) // 2)
    dates = pd.Timestamp("2024-03-04") + pd.to_timedelta(7 * (values["week"] - 1), unit="D")
    rows = values.assign(date=dates.dt.strftime("%Y-%m-%d"), visit=values["week"], episode=1)
    folder.mkdir(parents=True, exist_ok=True)
    clients.to_csv(folder / "clients.csv", index=False)
    rows[["client", "episode", "visit", "date", "phase"]].to_csv(folder / "visits.csv", index=False)
    rows.assign(measure="fatigue_score", unit="points", instrument="form")[
        ["client", "episode", "visit", "date", "measure", "value", "unit", "instrument"]
    ].to_csv(folder / "measurements.csv", index=False)
    mapping = MAPPING
    if thresholds:
        entry = MAPPING["measures"]["fatigue_score"] | {
            "standard_error_of_measurement": 3.0,
            "minimal_important_change": 5.0,
            "source": "made for the test",
        }
        mapping = {"measures": {"fatigue_score": entry}}
    return read_caseload(folder, mapping=mapping)
