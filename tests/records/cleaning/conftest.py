"""Small caseloads, written as a clinic would: rows of the few cells that matter."""

import numpy as np
import pandas as pd
import pytest

from outcomes.records.caseload import Caseload, Source, empty_ledger, empty_table

FIRST_DAY = pd.Timestamp("2026-01-05")


def _table(name, rows):
    empty = empty_table(name)
    filled = [
        {column: row.get(column) for column in empty.columns}
        | {"source_file": "clinic.csv", "source_row": i}
        for i, row in enumerate(rows, start=2)
    ]
    return pd.DataFrame(filled, columns=empty.columns).astype(empty.dtypes)


def _day(visit):
    return FIRST_DAY + pd.Timedelta(days=7 * (int(visit) - 1))


def make(measurements=(), *, visits=None, answers=(), clients=None):
    """Build a caseload; visits are weekly and derived where not given, likewise clients."""
    readings = [
        {"client": "C1", "episode": 1, "visit": 1, "measure": "cervical_rotation", "side": "left",
         "moment": "before", "trial": 1, "unit": "deg", "rater": "R1",
         "instrument": "inclinometer", "mode": "active", "value": 60.0} | dict(row)
        for row in measurements
    ]  # fmt: skip
    items = [{"client": "C1", "episode": 1, "visit": 1} | dict(row) for row in answers]
    for row in [*readings, *items]:
        row.setdefault("date", _day(row["visit"]))
    if visits is None:
        seen = dict.fromkeys((r["client"], r["episode"], r["visit"]) for r in [*readings, *items])
        visits = [{"client": c, "episode": e, "visit": v, "date": _day(v)} for c, e, v in seen]
    if clients is None:
        names = dict.fromkeys(row["client"] for row in [*readings, *items, *visits])
        clients = [{"client": name} for name in names]
    rows = {"measurements": readings, "visits": visits, "answers": items, "clients": clients}
    tables = {name: _table(name, part) for name, part in rows.items()}
    sources = tuple(Source("clinic.csv", "00", name, len(part)) for name, part in tables.items())
    return Caseload(tables=tables, ledger=empty_ledger(), sources=sources)


def make_many(
    n_clients=30, n_visits=6, *, seed=7, measure="cervical_rotation", start=55.0, **cells
):
    """Build the readings of a whole clinic: a level for each client, a gain, an error."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n_clients):
        level = start + 6 * rng.standard_normal()
        first = int(rng.integers(0, 300))
        for v in range(1, n_visits + 1):
            value = level + 8 * (1 - 0.7 ** (v - 1)) + 2.5 * rng.standard_normal()
            day = FIRST_DAY + pd.Timedelta(days=first + 7 * (v - 1))
            rows.append(
                {
                    "client": f"C{i}",
                    "visit": v,
                    "date": day,
                    "measure": measure,
                    "value": float(np.round(value)),
                }
                | cells  # fmt: skip
            )
    return rows


@pytest.fixture
def caseload_of():
    return make


@pytest.fixture
def clinic_readings():
    return make_many
