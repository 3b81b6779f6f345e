"""A Frictionless Data Package: `datapackage.json` beside the files that it describes.

From the descriptor come the table names, paths, encodings, delimiters, decimal marks, words for
missing cells and date formats. Paths that leave the folder, and addresses, are refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from outcomes.errors import DataError, Faults, OutcomesError
from outcomes.records.sources.raw import FileSettings, RawTable

__all__ = ["read_package"]

Opener = Callable[[Path, FileSettings], list[RawTable]]


def read_package(folder: Path, settings: FileSettings, opener: Opener) -> list[RawTable]:
    """Read every resource of the package in this folder.

    Raises
    ------
    DataError
        Listing every fault of the descriptor and every file that cannot be read.
    """
    try:
        descriptor = json.loads((folder / "datapackage.json").read_text(encoding="utf-8-sig"))
        resources = descriptor["resources"]
        if not isinstance(resources, list) or not resources:
            raise TypeError
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise DataError(
            "datapackage.json: the file must be a data package with a list of resources. "
            "Correct it, or remove it to read the folder's CSV files by their names."
        ) from None
    faults = Faults()
    tables: list[RawTable] = []
    for number, resource in enumerate(resources, start=1):
        try:
            tables.extend(_read_resource(folder, resource, number, settings, opener))
        except OutcomesError as error:
            faults.add(error)
    faults.raise_if_any()
    return tables


def _read_resource(
    folder: Path, resource: Any, number: int, settings: FileSettings, opener: Opener
) -> list[RawTable]:
    if not isinstance(resource, dict) or not isinstance(resource.get("name"), str):
        raise DataError(f"datapackage.json: resource {number} must have a name. Add it.")
    name = resource["name"]
    paths = resource.get("path")
    paths = [paths] if isinstance(paths, str) else paths
    if not isinstance(paths, list) or not paths or not all(isinstance(p, str) for p in paths):
        raise DataError(f"datapackage.json: resource {name} must give the path of a file. Add it.")
    wanted = _settings_of(resource, settings)
    formats = _formats_of(resource)
    tables = []
    for path in paths:
        file = folder / path
        inside = "://" not in path and file.resolve().is_relative_to(folder.resolve())
        if not inside:
            raise DataError(
                f"datapackage.json: resource {name} must lie inside the folder. Move the file "
                "there."
            )
        if not file.is_file():
            raise DataError(
                f"datapackage.json: resource {name} names a file that is not there. Add the file, "
                "or correct the path."
            )
        for table in opener(file, wanted):
            tables.append(replace(table, name=name, formats=formats, missing=wanted.missing))
    return tables


def _settings_of(resource: dict[str, Any], settings: FileSettings) -> FileSettings:
    dialect = resource.get("dialect")
    schema = resource.get("schema")
    dialect = dialect if isinstance(dialect, dict) else {}
    schema = schema if isinstance(schema, dict) else {}
    found: dict[str, Any] = {}
    if isinstance(resource.get("encoding"), str) and settings.encoding is None:
        declared = resource["encoding"].lower().replace("_", "-")
        if declared not in ("utf-8", "utf8"):
            found["encoding"] = declared
    if isinstance(dialect.get("delimiter"), str) and settings.delimiter is None:
        found["delimiter"] = dialect["delimiter"]
    missing = schema.get("missingValues")
    if isinstance(missing, list):
        words = [m.get("value") if isinstance(m, dict) else m for m in missing]
        found["missing"] = (*settings.missing, *(w for w in words if isinstance(w, str) and w))
    return replace(settings, **found)


def _formats_of(resource: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Give what the schema says of each column: date format, decimal mark."""
    schema = resource.get("schema")
    fields = schema.get("fields") if isinstance(schema, dict) else None
    if not isinstance(fields, list):
        return {}
    kept = ("format", "decimalChar", "groupChar")
    return {
        item["name"]: {key: item[key] for key in kept if isinstance(item.get(key), str)}
        for item in fields
        if isinstance(item, dict) and isinstance(item.get("name"), str)
    }
