"""Writing files so that a stopped run leaves the earlier ones whole, and text stays text.

A file is written under a temporary name in its own folder, flushed to the disk, and then takes its
name in one step. Text that a spreadsheet would run as a formula is written so that it does not.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.errors import DataError
from outcomes.records.caseload import Caseload
from outcomes.records.known import OwnMeasure
from outcomes.records.schema import TABLES, Table

__all__ = ["csv_bytes", "write_atomically", "write_caseload", "write_table"]

#: Table Schema type of each kind of column.
_TYPES = {
    "code": "string",
    "word": "string",
    "date": "date",
    "whole": "integer",
    "number": "number",
    "truth": "boolean",
}
_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def write_atomically(path: str | Path, data: bytes) -> Path:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : path
        Where to; its folder is created if needed.
    data : bytes
        The content.

    Returns
    -------
    Path

    Raises
    ------
    DataError
        If the folder cannot be written to; an earlier file of that name is left as it was.
    """
    path = Path(path)
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        raise DataError(
            f"{path.name} must be writable; the system says: {error.strerror or error}. "
            f"Choose another folder, or free some space."
        ) from error
    return path


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """Write a frame as CSV (UTF-8): every digit, ISO dates, harmless text."""
    safe = frame.copy()
    for column in safe.columns:
        values = safe[column]
        if pd.api.types.is_datetime64_any_dtype(values):
            safe[column] = values.dt.strftime("%Y-%m-%d")
        elif values.dtype == object or pd.api.types.is_string_dtype(values):
            text = values.map(lambda v: v.lstrip(" '\u00a0") if isinstance(v, str) else "")
            risky = text.astype(str).str.startswith(_STARTS)
            if risky.any():
                safe[column] = values.where(~risky, "'" + values.astype("str"))
    store = io.StringIO()
    safe.to_csv(store, index=False, lineterminator="\n")
    return store.getvalue().encode("utf-8")


def write_table(path: str | Path, frame: pd.DataFrame) -> Path:
    """Write a frame as CSV, whole or not at all, with text made harmless.

    Parameters
    ----------
    path : path
        Ends with ``.csv``.
    frame : DataFrame
        Every digit is written, dates as 2026-01-05.

    Returns
    -------
    Path
    """
    return write_atomically(path, csv_bytes(frame))


def write_caseload(caseload: Caseload, folder: str | Path) -> list[Path]:
    """Write a caseload as a data package: one CSV a table, the ledger, and what describes them.

    Use it to keep checked records in an open format, or to hand them on after `anonymise`.
    `read_caseload` reads the folder back; measures of the clinic's own are declared in
    ``own_measures.toml``, which is then the mapping.

    Parameters
    ----------
    caseload : Caseload
    folder : path
        Made if needed; files of the same names are replaced, each in one step.

    Returns
    -------
    list of Path
        The files written, ``datapackage.json`` last.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> files = write_caseload(Caseload(tables={}), folder)
    >>> [file.name for file in files][-2:]
    ['ledger.csv', 'datapackage.json']
    """
    folder = Path(folder)
    written: list[Path] = []
    resources = []
    for name, table in TABLES.items():
        data = csv_bytes(caseload.tables[name].loc[:, table.names])
        written.append(write_atomically(folder / f"{name}.csv", data))
        resources.append(_resource(name, table.row, data) | {"schema": _schema(table)})
    data = csv_bytes(caseload.ledger)
    written.append(write_atomically(folder / "ledger.csv", data))
    fields = [{"name": name, "type": "string"} for name in caseload.ledger.columns]
    resources.append(_resource("ledger", "one thing done to one row", data) | {
        "schema": {"fields": fields}
    })  # fmt: skip
    if caseload.own_measures:
        text = "".join(_declaration(own) for own in caseload.own_measures.values())
        written.append(write_atomically(folder / "own_measures.toml", text.encode()))
    package = {"profile": "data-package", "name": "caseload", "resources": resources}
    text = json.dumps(package, indent=1, ensure_ascii=False) + "\n"
    written.append(write_atomically(folder / "datapackage.json", text.encode()))
    return written


def _resource(name: str, row: str, data: bytes) -> dict[str, Any]:
    return {
        "name": name,
        "title": f"One row is {row}",
        "path": f"{name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
    }


def _schema(table: Table) -> dict[str, Any]:
    """Describe the columns in Table Schema."""
    fields = []
    for column in table.columns:
        constraints: dict[str, Any] = {}
        if column.required and column.name != "answer":
            constraints["required"] = True
        if column.choices:
            constraints["enum"] = list(column.choices)
        entry = {"name": column.name, "type": _TYPES[column.kind], "description": column.meaning}
        if column.kind == "truth":
            entry |= {"trueValues": ["True"], "falseValues": ["False"]}
        fields.append(entry | ({"constraints": constraints} if constraints else {}))
    return {"fields": fields, "primaryKey": list(table.key)}


def _declaration(own: OwnMeasure) -> str:
    """Declare a measure of the clinic's own as in a mapping."""
    given: dict[str, Any] = {
        "name": own.name,
        "unit": own.unit,
        "min": own.hard_min,
        "max": own.hard_max,
        "better": own.better,
        "sided": own.sided,
        "kind": own.kind,
        "standard_error_of_measurement": own.standard_error_of_measurement,
        "minimal_important_change": own.minimal_important_change,
        "source": own.source or None,
    }
    lines = [f"{key} = {json.dumps(value)}" for key, value in given.items() if value is not None]
    return "\n".join([f"[measures.{json.dumps(own.code)}]", *lines]) + "\n\n"


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
