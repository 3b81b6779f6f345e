"""Describe the tables as a Frictionless Data Package (version 1, Table Schema) and write them."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.records.schema import TABLES, Column, Table

__all__ = ["write_package"]

#: Table Schema type of each kind of column.
_TYPES = {
    "code": "string",
    "word": "string",
    "date": "date",
    "whole": "integer",
    "number": "number",
    "truth": "boolean",
}

_PARENTS = {
    "visits": [("client", "clients", "client")],
    "measurements": [
        ("client", "clients", "client"),
        (["client", "episode", "visit"], "visits", ["client", "episode", "visit"]),
    ],
    "answers": [
        ("client", "clients", "client"),
        (["client", "episode", "visit"], "visits", ["client", "episode", "visit"]),
    ],
    "treatments": [
        ("client", "clients", "client"),
        (["client", "episode", "visit"], "visits", ["client", "episode", "visit"]),
    ],
    "home_exercise": [("client", "clients", "client")],
    "events": [("client", "clients", "client")],
}


def write_package(tables: dict[str, pd.DataFrame], folder: Path) -> None:
    """Write one CSV per table and ``datapackage.json``."""
    folder.mkdir(parents=True, exist_ok=True)
    resources = []
    for name, table in TABLES.items():
        path = folder / f"{name}.csv"
        text = _text(tables[name], table)
        path.write_bytes(text)
        resources.append(_resource(table, tables[name], text))
    package = {
        "profile": "tabular-data-package",
        "name": "synthetic-caseload",
        "title": "Synthetic caseload of a two-site clinic",
        "description": "Made by a generator with planted truth. No real person is in it.",
        "licenses": [
            {
                "name": "CC0-1.0",
                "path": "https://creativecommons.org/publicdomain/zero/1.0/",
                "title": "Creative Commons Zero v1.0",
            }
        ],
        "resources": resources,
    }
    (folder / "datapackage.json").write_text(json.dumps(package, indent=1) + "\n", "utf-8")


def _text(frame: pd.DataFrame, table: Table) -> bytes:
    out = frame[table.names].copy()
    for column in table.columns:
        if column.kind == "truth":
            out[column.name] = frame.loc[:, column.name].map({True: "true", False: "false"})
        elif column.kind == "number":
            out[column.name] = _short(frame.loc[:, column.name])
    return out.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n").encode("utf-8")


def _short(numbers: pd.Series) -> pd.Series:
    """Numbers as a person would type them: 145, not 145.0."""
    return numbers.map(lambda value: f"{value:g}", na_action="ignore")


def _resource(table: Table, frame: pd.DataFrame, text: bytes) -> dict[str, Any]:
    nullable = any(frame.loc[:, name].hasnans for name in table.key)
    schema: dict[str, Any] = {
        "fields": [_field(column, table) for column in table.columns],
        "missingValues": [""],
    }
    if not nullable:
        schema["primaryKey"] = list(table.key)
    if table.name in _PARENTS:
        schema["foreignKeys"] = [
            {"fields": fields, "reference": {"resource": parent, "fields": targets}}
            for fields, parent, targets in _PARENTS[table.name]
        ]
    return {
        "profile": "tabular-data-resource",
        "name": table.name,
        "title": f"One row is {table.row}",
        "path": f"{table.name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(text),
        "hash": f"sha256:{hashlib.sha256(text).hexdigest()}",
        "schema": schema,
    }


def _field(column: Column, table: Table) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "description": column.meaning,
    }
    if column.kind == "date":
        field["format"] = "default"
    constraints: dict[str, Any] = {}
    if column.required and not (table.name == "answers" and column.name == "answer"):
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    if column.name in ("episode", "visit", "trial", "item"):
        constraints["minimum"] = 1
    if constraints:
        field["constraints"] = constraints
    return field
