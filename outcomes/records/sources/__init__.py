"""Opening what a clinic has: text files, workbooks, data packages, Parquet, databases.

Everything becomes a list of `RawTable`: text cells with the row numbers of the source. What the
cells mean is not decided here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from outcomes.errors import DataError, Faults, OutcomesError
from outcomes.records.sources.package import read_package
from outcomes.records.sources.raw import FileSettings, RawTable, Remark, plain_name
from outcomes.records.sources.text import read_text
from outcomes.records.sources.workbook import ENDINGS as WORKBOOKS
from outcomes.records.sources.workbook import read_workbook

__all__ = ["FileSettings", "RawTable", "Remark", "open_source", "plain_name"]

_TEXT = (".csv", ".tsv", ".txt", ".tab")
_PARQUET = (".parquet", ".pq")
_SQLITE = (".sqlite", ".sqlite3", ".db")
_DUCKDB = (".duckdb", ".ddb")
_MOST_BYTES = 4 * 2**30


def open_source(source: Any, settings: FileSettings | None = None) -> list[RawTable]:
    """Open a file, a folder, a data package or a database address.

    Raises
    ------
    DataError
        Listing every file that cannot be read.
    """
    settings = settings or FileSettings()
    if isinstance(source, str) and "://" in source:
        from outcomes.records.sources.database import read_database

        return read_database(source, settings)
    path = Path(source)
    if path.name == "datapackage.json" and path.is_file():
        path = path.parent
    try:
        folder, known = path.is_dir(), path.exists()
    except (OSError, ValueError):
        folder, known = False, False
    if not known:
        raise DataError(
            f"{path.name or 'source'}: there is no such file or folder. Check the path."
        )
    if folder:
        return _open_folder(path, settings)
    return _open_file(path, settings)


def _open_folder(path: Path, settings: FileSettings) -> list[RawTable]:
    if (path / "datapackage.json").is_file():
        return read_package(path, settings, _open_file)
    faults = Faults()
    tables: list[RawTable] = []
    files = sorted(
        item
        for item in path.iterdir()
        if item.is_file()
        and item.suffix.lower() in (*_TEXT, *_PARQUET)
        and not item.name.startswith((".", "~"))
    )
    if not files:
        raise DataError(
            f"{path.name}: the folder must hold CSV or Parquet files, one per table; it holds "
            "none. Give the folder with the files, or one workbook."
        )
    for item in files:
        try:
            tables.extend(_open_file(item, settings))
        except OutcomesError as error:
            faults.add(error)
    faults.raise_if_any()
    return tables


def _open_file(path: Path, settings: FileSettings) -> list[RawTable]:
    ending = path.suffix.lower()
    if ending in _SQLITE or ending in _DUCKDB:
        from outcomes.records.sources.database import read_duckdb, read_sqlite

        reader = read_sqlite if ending in _SQLITE else read_duckdb
        return reader(path, settings)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise DataError(
                f"{path.name}: the file is larger than {_MOST_BYTES / 2**30:.0f} GB. Split it by "
                "year, or read it from a database."
            )
        data = path.read_bytes()
    except OSError:
        raise DataError(
            f"{path.name}: the file cannot be opened. Close it elsewhere and check the permissions."
        ) from None
    if ending in _PARQUET:
        from outcomes.records.sources.columnar import read_parquet

        return [read_parquet(data, name=path.stem, file=path.name)]
    if ending in WORKBOOKS or data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        return read_workbook(data, file=path.name, settings=settings)
    if ending in _TEXT:
        return [read_text(data, name=path.stem, file=path.name, settings=settings)]
    if ending == ".json":
        from outcomes.records.fhir.reading import read_bundle

        return read_bundle(data, file=path.name, settings=settings)
    raise DataError(
        f"{path.name}: the file must be CSV, TSV, XLSX, XLS, ODS, Parquet, SQLite, DuckDB or a "
        "FHIR bundle. Save it in one of these."
    )
