"""Databases: SQLite and DuckDB files, and any database that SQLAlchemy reaches.

Only whole tables are read, nothing is written, and files are opened read-only. An address may
hold a password: it never appears in a message, the ledger or the caseload.
"""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path
from typing import Any

import pyarrow as pa

from outcomes.errors import DataError, MissingExtraError
from outcomes.records.sources.columnar import from_arrow
from outcomes.records.sources.raw import FileSettings, RawTable

__all__ = ["read_database", "read_duckdb", "read_sqlite"]


def read_database(address: str, settings: FileSettings) -> list[RawTable]:
    """Read the tables behind an SQLAlchemy address (``sqlite:///clinic.db``).

    Raises
    ------
    DataError
        If the address or the database cannot be opened.
    MissingExtraError
        If SQLAlchemy or the database's driver is not installed.
    """
    scheme, _, rest = address.partition("://")
    if scheme == "sqlite" and rest.startswith("/"):
        return read_sqlite(Path(rest[1:]), settings)
    if scheme == "duckdb" and rest.startswith("/"):
        return read_duckdb(Path(rest[1:]), settings)
    if scheme in ("http", "https", "ftp", "file", "s3"):
        raise DataError(
            "source must be a file on disk or a database address, not a web address. Save the "
            "file first."
        )
    try:
        import sqlalchemy
        from sqlalchemy.exc import NoSuchModuleError, SQLAlchemyError
    except ImportError:
        raise MissingExtraError("reading a database", "databases") from None
    try:
        engine = sqlalchemy.create_engine(address)
        name = engine.url.database or scheme
        with engine.connect() as connection:
            inspector = sqlalchemy.inspect(connection)
            names = _wanted(inspector.get_table_names() + inspector.get_view_names(), settings)
            tables = [
                (table, *_rows(connection.execute(_select(sqlalchemy, engine, table))))
                for table in names
            ]
    except (ImportError, NoSuchModuleError):
        raise MissingExtraError(f"a database of the kind {scheme!r}", "databases") from None
    except (SQLAlchemyError, ValueError, OSError):
        raise _unreachable(scheme) from None
    label = Path(name).name
    return [_raw(table, label, headers, rows) for table, headers, rows in tables]


def _select(sqlalchemy: Any, engine: Any, table: str) -> Any:
    quoted = engine.dialect.identifier_preparer.quote(table)
    return sqlalchemy.text(f"SELECT * FROM {quoted}")


def _rows(result: Any) -> tuple[list[str], list[tuple[Any, ...]]]:
    return [str(key) for key in result.keys()], [tuple(row) for row in result.fetchall()]


def read_sqlite(path: Path, settings: FileSettings) -> list[RawTable]:
    """Read the tables of an SQLite file, opened read-only."""
    if not path.is_file():
        raise DataError(f"{path.name}: there is no such database file. Check the path.")
    try:
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
        connection.text_factory = lambda data: data.decode("utf-8", errors="replace")
        try:
            query = "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') ORDER BY name"
            found = [row[0] for row in connection.execute(query)]
            tables = []
            for table in _wanted(found, settings):
                quoted = table.replace('"', '""')
                cursor = connection.execute(f'SELECT * FROM "{quoted}"')
                headers = [item[0] for item in cursor.description]
                tables.append((table, headers, cursor.fetchall()))
        finally:
            connection.close()
    except (sqlite3.Error, OSError):
        raise _unreachable(path.name) from None
    return [_raw(table, path.name, headers, rows) for table, headers, rows in tables]


def read_duckdb(path: Path, settings: FileSettings) -> list[RawTable]:
    """Read the tables of a DuckDB file, opened read-only."""
    if not path.is_file():
        raise DataError(f"{path.name}: there is no such database file. Check the path.")
    try:
        import duckdb
    except ImportError:
        raise MissingExtraError("reading a DuckDB file", "databases") from None
    try:
        connection = duckdb.connect(str(path), read_only=True)
        try:
            found = connection.execute(
                "SELECT table_name FROM information_schema.tables ORDER BY table_name"
            ).fetchall()
            tables = []
            for table in _wanted([row[0] for row in found], settings):
                quoted = table.replace('"', '""')
                result = connection.sql(f'SELECT * FROM "{quoted}"').to_arrow_table()
                tables.append((table, result))
        finally:
            connection.close()
    except (duckdb.Error, OSError):
        raise _unreachable(path.name) from None
    return [
        from_arrow(
            result, name=table, file=f"{path.name}, table {table}", sha256=_hash(result.to_pylist())
        )
        for table, result in tables
    ]


def _wanted(found: list[str], settings: FileSettings) -> list[str]:
    absent = [name for name in settings.sheets if name not in found]
    if absent:
        raise DataError(
            f"the database must have the tables {', '.join(absent)} that the mapping names. "
            "Correct [file] sheets."
        )
    wanted = list(settings.sheets) or sorted(dict.fromkeys(found))
    if not wanted:
        raise DataError("the database holds no table. Check the address.")
    return wanted


def _raw(table: str, file: str, headers: list[str], rows: list[tuple[Any, ...]]) -> RawTable:
    columns = [pa.chunked_array([_column([row[i] for row in rows])]) for i in range(len(headers))]
    arrow = pa.table(columns, names=[f"c{i}" for i in range(len(headers))])
    raw = from_arrow(arrow, name=table, file=f"{file}, table {table}", sha256=_hash(rows))
    raw.headers[:] = headers
    return raw


def _column(cells: list[Any]) -> pa.Array:
    """Make an Arrow column; cells of mixed kinds become text one by one."""
    try:
        return pa.array(cells)
    except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError, OverflowError):
        texts = [
            None
            if cell is None
            else cell.decode("utf-8", errors="replace")
            if isinstance(cell, bytes)
            else f"{cell:g}"
            if isinstance(cell, float)
            else str(cell)
            for cell in cells
        ]
        return pa.array(texts, type=pa.string())


def _hash(rows: Any) -> str:
    """Hash the content, since a database file changes when nothing in it does."""
    digest = hashlib.sha256()
    for row in rows:
        digest.update(repr(row).encode("utf-8", errors="replace"))
    return digest.hexdigest()


def _unreachable(name: str) -> DataError:
    return DataError(
        f"{name}: the database cannot be read. Check the address, that the file is whole, and "
        "that you may read it."
    )
