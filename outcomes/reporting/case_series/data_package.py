"""The data behind the paper: plain tables without codes, dates or years of birth, described.

`datapackage.json` is a Frictionless Data Package with a Table Schema for each table: name, type,
meaning, and for readings the primary key.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from outcomes.glossary import COLUMNS
from outcomes.records.schema import TABLES
from outcomes.records.write import csv_bytes, write_atomically
from outcomes.reporting.case_series.disclosure import DESCRIBED
from outcomes.reporting.case_series.people_table import people_frame
from outcomes.reporting.case_series.selection import Selection
from outcomes.reporting.provenance import file_hash
from outcomes.statistics.single_case.summary import MeasureSeries

__all__ = ["data_tables", "write_data_package"]

_MEANINGS = {
    "client": "Label of the client in this paper; not the clinic's code.",
    "age_band": "Age at the first visit, in years, in bands of ten.",
    "onset_band": "Weeks of symptoms before the first visit, in three bands.",
    "complaint": "Region or label of the complaint.",
    "n_visits": "Visits kept.",
    "weeks_of_care": "Weeks from the first to the last visit.",
    "phase_rule": "Phase recorded with the visit, or derived from the first treated visit.",
    "day": "Days since the first visit.",
    "week": "Weeks since the first visit.",
    "clinic": "Letter of the site.",
    "n_trials": "Trials averaged into the value.",
}

_KEYS = {"clients": ["client"], "readings": ["client", "visit", "measure"]}


def data_tables(
    selection: Selection, found: list[MeasureSeries], *, facts: Iterable[str] = tuple(DESCRIBED)
) -> dict[str, pd.DataFrame]:
    """Build the tables: clients, readings, treatments, home_exercise, events."""
    caseload = selection.caseload
    readings = pd.concat([one.values for one in found], ignore_index=True)
    columns = ["client", "visit", "day", "week", "phase", "phase_rule", "measure", "side", "mode"]
    readings = readings[[*columns, "instrument", "n_trials", "value", "unit"]].dropna(
        subset=["value"]
    )
    readings["instrument"] = _letters(readings["instrument"])
    start = caseload.visits.groupby("client")["date"].min()
    tables = {
        "clients": people_frame(selection, facts=facts),
        "readings": readings.sort_values(["client", "measure", "visit"], ignore_index=True),
        "treatments": caseload.treatments[
            ["client", "visit", "technique", "region", "dose", "dose_unit"]
        ],
        "home_exercise": _dated(caseload.home_exercise, start, ["exercise", "prescribed", "done"]),
        "events": _dated(caseload.events, start, ["event", "severity"]),
    }
    return {name: frame for name, frame in tables.items() if len(frame)}


def write_data_package(
    tables: dict[str, pd.DataFrame], folder: Path, *, title: str, made: str
) -> list[Path]:
    """Write the tables as CSV, and their dictionary."""
    resources, written = [], []
    for name, frame in tables.items():
        path = write_atomically(folder / f"{name}.csv", csv_bytes(frame))
        written.append(path)
        schema: dict[str, object] = {"fields": [_field(name, c, frame[c]) for c in frame.columns]}
        if name in _KEYS:
            schema["primaryKey"] = _KEYS[name]
        if name != "clients" and "clients" in tables:
            schema["foreignKeys"] = [
                {"fields": "client", "reference": {"resource": "clients", "fields": "client"}}
            ]
        resources.append(
            {
                "name": name.replace("_", "-"),
                "path": path.name,
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": path.stat().st_size,
                "hash": f"sha256:{file_hash(path)}",
                "schema": schema,
            }
        )
    package = {
        "profile": "tabular-data-package",
        "name": "case-series",
        "title": title,
        "created": made,
        "resources": resources,
    }
    path = folder / "datapackage.json"
    write_atomically(path, (json.dumps(package, indent=1) + "\n").encode())
    return [*written, path]


def _dated(frame: pd.DataFrame, start: pd.Series, columns: list[str]) -> pd.DataFrame:
    day = (frame["date"] - frame["client"].map(start)).dt.days
    return frame.assign(day=day)[["client", "day", *columns]]


def _letters(values: pd.Series) -> pd.Series:
    """Keep the kind of an instrument; drop the number of the one device."""
    return values.astype("str").str.replace(r" \d+$", "", regex=True)


def _field(table: str, column: str, values: pd.Series) -> dict[str, str]:
    kinds = pd.api.types
    if kinds.is_bool_dtype(values):
        kind = "boolean"
    elif kinds.is_integer_dtype(values):
        kind = "integer"
    else:
        kind = "number" if kinds.is_numeric_dtype(values) else "string"
    meaning = _MEANINGS.get(column)
    if meaning is None and table in TABLES and column in TABLES[table].names:
        words = TABLES[table][column].meaning
        meaning = words[:1].upper() + words[1:] + "."
    if meaning is None:
        meaning = COLUMNS.get(column) or _from_schema(column)
    return {"name": column, "type": kind, "description": meaning}


def _from_schema(column: str) -> str:
    for table in TABLES.values():
        if column in table.names:
            words = table[column].meaning
            return words[:1].upper() + words[1:] + "."
    return ""
