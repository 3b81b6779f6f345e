"""How often a shifted instrument is asked about, and how often a steady one is.

Two instruments, each with half of the clients, who come over a year for seven weekly visits:
starting level 55 (SD 6), gain 10 (SD 4) with a falling pace, error SD 2.5, rounded to 1 degree.
One instrument may read more from day 200 on.

Run: python tests/evidence/instrument_drift.py
"""

from __future__ import annotations

import json
import platform
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.records.caseload import Caseload, empty_table
from outcomes.records.cleaning import RULES
from outcomes.records.cleaning.records import Records

RESULT = Path(__file__).parent / "results" / "instrument_drift.json"
SEED = 20261125
SETTINGS = [(60, 0.0), (120, 0.0), (60, 8.0), (120, 8.0), (120, 5.0)]
CLINICS = 200
VISITS = 7
DAY = 200
START = pd.Timestamp("2025-01-01")


def clinic(rng, *, n, shift, day=DAY):
    """Draw one clinic; the second instrument shifts on `day`."""
    client = np.repeat(np.arange(n), VISITS)
    visit = np.tile(np.arange(1, VISITS + 1), n)
    level, gain = 55 + 6 * rng.standard_normal(n), 10 + 4 * rng.standard_normal(n)
    at = rng.integers(0, 330, n)[client] + 7 * (visit - 1)
    value = level[client] + gain[client] * (1 - 0.7 ** (visit - 1))
    value += 2.5 * rng.standard_normal(len(client))
    second = client % 2 == 1
    value += shift * (second & (at >= day))
    rows = empty_table("measurements").reindex(range(len(client)))
    rows["client"] = [f"C{i}" for i in client]
    rows["instrument"] = np.where(second, "inclinometer 2", "inclinometer 1")
    rows["date"] = START + pd.to_timedelta(at, unit="D")
    rows["value"], rows["visit"], rows["episode"], rows["trial"] = np.round(value), visit, 1, 1
    rows["measure"], rows["side"] = "cervical_rotation", "left"
    rows["moment"], rows["mode"], rows["unit"] = "before", "active", "deg"
    rows["source_file"], rows["source_row"] = "clinic.csv", np.arange(2, len(client) + 2)
    rows = rows.astype(empty_table("measurements").dtypes)
    return Caseload(tables={"measurements": rows})


def asked(caseload):
    """Instruments that the rule names."""
    return RULES["drifting instrument"](Records(caseload))["old_value"].tolist()


def simulate(clinics, settings, seed):
    """Share of steady and of shifted instruments that are asked about, one row per setting."""
    rows = []
    for n, shift in settings:
        rng = np.random.default_rng([seed, n, int(10 * shift)])
        named = [asked(clinic(rng, n=n, shift=shift)) for _ in range(clinics)]
        first = sum("inclinometer 1" in tools for tools in named)
        second = sum("inclinometer 2" in tools for tools in named)
        steady, shifted = (first + second, 0) if shift == 0 else (first, second)
        rows.append(
            {
                "clients": n,
                "shift": shift,
                "clinics": clinics,
                "steady_instruments": clinics * (2 if shift == 0 else 1),
                "steady_named": steady,
                "shifted_named": shifted,
            }  # fmt: skip
        )
    return rows


def main() -> None:
    """Run all settings and store the counts."""
    result = {
        "what": __doc__.split("\n")[0],
        "seed": SEED,
        "date": date.today().isoformat(),
        "versions": {"python": platform.python_version()}
        | {name: version(name) for name in ("numpy", "pandas")},
        "rows": simulate(CLINICS, SETTINGS, SEED),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result["rows"], indent=1))


if __name__ == "__main__":
    main()
