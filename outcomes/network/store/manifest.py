"""The manifest: which files make the store, how many rows and which hash each has."""

from __future__ import annotations

import dataclasses
import json
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

import pandas as pd

from outcomes.errors import DataError
from outcomes.measures.own_thresholds import OwnThreshold
from outcomes.records.caseload import DTYPES, LEDGER_COLUMNS, Source
from outcomes.records.known import OwnMeasure
from outcomes.records.schema import TABLES

__all__ = [
    "FORMAT",
    "MANIFEST",
    "SCHEMA_VERSION",
    "STORED",
    "Batch",
    "Manifest",
    "Part",
    "Partition",
    "bucket_of",
    "column_types",
]

MANIFEST = "manifest.json"
FORMAT = "outcomes network store"
#: Version of the layout and of the tables; `outcomes.network.store.migration` knows older ones.
SCHEMA_VERSION = 1
#: Tables that a store holds: those of a caseload, and its ledger.
STORED = (*TABLES, "ledger")


class Partition(NamedTuple):
    """One clinic and one bucket of its clients."""

    clinic: str
    bucket: int

    def __str__(self) -> str:
        return f"clinic={quote(self.clinic, safe=' ') or '(none)'}, bucket={self.bucket:02d}"

    @property
    def folder(self) -> str:
        """Folder name of the clinic: text that any file system takes."""
        return f"clinic={quote(self.clinic, safe='') or '_'}"


@dataclass(frozen=True, kw_only=True)
class Part:
    """One file: rows of one table, one partition and one batch."""

    path: str
    table: str
    clinic: str
    bucket: int
    rows: int
    bytes: int
    sha256: str

    @property
    def partition(self) -> Partition:
        """Whose rows these are."""
        return Partition(self.clinic, self.bucket)


@dataclass(frozen=True, kw_only=True)
class Batch:
    """What one `pack` added: a label (a quarter, or ``"all"``), its sources and its files."""

    folder: str
    label: str
    sources: tuple[Source, ...] = ()
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """Everything that a store is, but the rows."""

    buckets: int
    columns: dict[str, dict[str, str]]
    batches: tuple[Batch, ...] = ()
    own_measures: dict[str, OwnMeasure] = field(default_factory=dict)
    own_thresholds: tuple[OwnThreshold, ...] = ()
    schema_version: int = SCHEMA_VERSION

    @property
    def parts(self) -> list[Part]:
        """All files, in the order of the batches."""
        return [part for batch in self.batches for part in batch.parts]

    @property
    def partitions(self) -> list[Partition]:
        """All partitions that have a client, a visit or a reading, in order."""
        return sorted({part.partition for part in self.parts if part.table != "ledger"})

    def to_json(self) -> str:
        """Write it as JSON."""
        content = {"format": FORMAT, **dataclasses.asdict(self)}
        return json.dumps(content, indent=1, default=str) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Manifest:
        """Read it from JSON; the version is not checked here."""
        content = json.loads(text)
        if content.pop("format", None) != FORMAT:
            raise ValueError("not a store")
        batches = tuple(_batch(item) for item in content.pop("batches"))
        own = {code: OwnMeasure(**item) for code, item in content.pop("own_measures").items()}
        thresholds = tuple(_threshold(item) for item in content.pop("own_thresholds"))
        return cls(batches=batches, own_measures=own, own_thresholds=thresholds, **content)


def _batch(item: dict[str, Any]) -> Batch:
    sources = tuple(Source(**source) for source in item["sources"])
    parts = tuple(Part(**part) for part in item["parts"])
    return Batch(folder=item["folder"], label=item["label"], sources=sources, parts=parts)


def _threshold(item: dict[str, Any]) -> OwnThreshold:
    date = item.get("date")
    return OwnThreshold(**{**item, "date": pd.Timestamp(date).date() if date else None})


def column_types() -> dict[str, dict[str, str]]:
    """Give the columns of every table of a store, and how pandas holds them."""
    tables = {
        name: {column.name: DTYPES[column.kind] for column in table.columns}
        | {"source_file": "str", "source_row": "Int64"}
        for name, table in TABLES.items()
    }
    return {**tables, "ledger": dict(LEDGER_COLUMNS)}


def bucket_of(clients: Iterable[str], buckets: int) -> list[int]:
    """Give the bucket of each client code: CRC-32 of its UTF-8 bytes, modulo the buckets.

    Examples
    --------
    >>> bucket_of(["C0001", "C0002", "C0001"], 8)
    [4, 6, 4]
    """
    return [zlib.crc32(str(code).encode()) % buckets for code in clients]


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a store of any version."""
    try:
        text = (folder / MANIFEST).read_text(encoding="utf-8")
        return Manifest.from_json(text)
    except FileNotFoundError:
        raise DataError(
            f"{folder.name} must be a store; it has no {MANIFEST}. Make one with outcomes pack."
        ) from None
    except (OSError, ValueError, TypeError, KeyError, UnicodeDecodeError):
        raise DataError(
            f"{folder.name}/{MANIFEST} must describe a store; it cannot be read. Pack the store "
            f"again, or restore the file from a copy."
        ) from None
