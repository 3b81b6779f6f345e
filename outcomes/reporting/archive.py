"""Tables that others can read: CSV at full precision, described by open standards.

Beside the tables stand a Frictionless data package (`datapackage.json`, Table Schema), which says
what each column means, and RO-Crate 1.2 metadata (`ro-crate-metadata.json`), which says what each
file is and how it came about. Both can be read by archives without this package.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

import outcomes
from outcomes.glossary import COLUMNS
from outcomes.records.write import csv_bytes, write_atomically
from outcomes.reporting.input_rows import INPUT_ROWS
from outcomes.reporting.provenance import file_hash

__all__ = ["write_crate", "write_tables"]

_MEDIA = {
    ".csv": "text/csv",
    ".html": "text/html",
    ".json": "application/json",
    ".ipynb": "application/x-ipynb+json",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".pdf": "application/pdf",
}


def write_tables(tables: Mapping[str, pd.DataFrame], folder: Path, *, title: str) -> list[Path]:
    """Write tables as CSV with a data package beside them.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        File name without ending, and frame.
    folder : Path
        Created if needed.
    title : str
        What the tables are.

    Returns
    -------
    list of Path
        The files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written, resources = [], []
    for name, frame in tables.items():
        path = folder / f"{name}.csv"
        data = csv_bytes(frame)
        write_atomically(path, data)
        written.append(path)
        resources.append(
            {
                "name": name.lower().replace("_", "-"),
                "path": path.name,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": len(data),
                "hash": f"sha256:{file_hash(path)}",
                "schema": {"fields": [_field(c, frame[c]) for c in frame.columns]},
            }
        )
    package = {
        "profile": "tabular-data-package",
        "name": "outcomes-results",
        "title": title,
        "created": pd.Timestamp.now("UTC").strftime("%Y-%m-%dT%H:%M:%SZ"),
        "resources": resources,
    }
    path = folder / "datapackage.json"
    write_atomically(path, (json.dumps(package, indent=1) + "\n").encode())
    return [*written, path]


def write_crate(folder: Path, *, title: str, description: str, made: str) -> Path:
    """Describe every file of a run folder as a research object (RO-Crate 1.2).

    Returns
    -------
    Path
        ``ro-crate-metadata.json``.
    """
    apart = {"ro-crate-metadata.json", INPUT_ROWS}  # the second is for the clinic alone
    files = sorted(
        p.relative_to(folder)
        for p in folder.rglob("*")
        if p.is_file() and p.name not in apart and not p.name.startswith(".")
    )
    graph: list[dict[str, Any]] = [
        {
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.2"},
            "about": {"@id": "./"},
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": title,
            "description": description,
            "datePublished": made,
            "license": "not stated: the clinic decides who may use its results",
            "hasPart": [{"@id": path.as_posix()} for path in files],
            "mentions": {"@id": "#run"},
        },
        {
            "@id": "#run",
            "@type": "CreateAction",
            "name": title,
            "endTime": made,
            "instrument": {"@id": "#outcomes"},
            "result": [{"@id": path.as_posix()} for path in files],
        },
        {
            "@id": "#outcomes",
            "@type": "SoftwareApplication",
            "name": "outcomes",
            "version": outcomes.__version__,
        },
        *(
            {
                "@id": path.as_posix(),
                "@type": "File",
                "name": path.name,
                "encodingFormat": _MEDIA.get(path.suffix, "application/octet-stream"),
                "contentSize": str((folder / path).stat().st_size),
            }
            for path in files
        ),
    ]
    crate = {"@context": "https://w3id.org/ro/crate/1.2/context", "@graph": graph}
    target = folder / "ro-crate-metadata.json"
    write_atomically(target, (json.dumps(crate, indent=1) + "\n").encode())
    return target


def _field(column: str, values: pd.Series) -> dict[str, str]:
    field = {"name": str(column), "type": _type(values)}
    if column in COLUMNS:
        field["description"] = COLUMNS[column]
    return field


def _type(values: pd.Series) -> str:
    kinds = pd.api.types
    if kinds.is_bool_dtype(values):
        return "boolean"
    if kinds.is_integer_dtype(values):
        return "integer"
    if kinds.is_numeric_dtype(values):
        return "number"
    return "date" if kinds.is_datetime64_any_dtype(values) else "string"
