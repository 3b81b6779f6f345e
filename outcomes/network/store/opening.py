"""Reading a store: only files that the manifest lists, each held to its hash and its columns."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet

from outcomes.errors import DataError, Faults
from outcomes.network.store.manifest import (
    FORMAT,
    MANIFEST,
    SCHEMA_VERSION,
    Manifest,
    Part,
    Partition,
    read_manifest,
)
from outcomes.records.caseload import Caseload, empty_ledger, empty_table
from outcomes.records.schema import TABLES

__all__ = ["Store", "is_store", "open_store"]

_ARROW_TO_PANDAS = {
    pa.int64(): pd.Int64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
    pa.string(): pd.StringDtype(na_value=float("nan")),
    pa.large_string(): pd.StringDtype(na_value=float("nan")),
}


def is_store(path: str | Path) -> bool:
    """Tell whether a path is a packed store, of whatever version and however damaged."""
    text = str(path)
    if not text or "://" in text:
        return False
    try:
        with (Path(text) / MANIFEST).open("rb") as file:
            return FORMAT.encode() in file.read(200)
    except OSError:
        return False


def open_store(folder: str | Path) -> Store:
    """Open a packed store of the current version.

    Parameters
    ----------
    folder : path
        What `pack` wrote.

    Returns
    -------
    Store

    Raises
    ------
    DataError
        If it is no store, of another version, or files are absent or of another size.
    """
    folder = Path(folder)
    manifest = read_manifest(folder)
    if manifest.schema_version != SCHEMA_VERSION:
        older = manifest.schema_version < SCHEMA_VERSION
        remedy = "Bring it up to date with migrate" if older else "Install a newer version"
        raise DataError(
            f"{folder.name} must have schema version {SCHEMA_VERSION}, got "
            f"{manifest.schema_version}. {remedy}."
        )
    store = Store(folder, manifest)
    store.check(hashes=False)
    return store


@dataclass(frozen=True, eq=False)
class Store:
    """A packed network of caseloads.

    Attributes
    ----------
    folder : Path
        Where it is; every worker must see it under this path.
    manifest : Manifest
        What belongs to it.
    """

    folder: Path
    manifest: Manifest

    @property
    def partitions(self) -> list[Partition]:
        """One per clinic and bucket, in order."""
        return self.manifest.partitions

    @property
    def fingerprint(self) -> str:
        """Hash of the manifest: changes with every row."""
        return hashlib.sha256(self.manifest.to_json().encode()).hexdigest()

    @cached_property
    def _parts(self) -> dict[tuple[Partition, str], list[Part]]:
        found: dict[tuple[Partition, str], list[Part]] = {}
        for part in self.manifest.parts:
            found.setdefault((part.partition, part.table), []).append(part)
        return found

    def rows(self, table: str, partition: Partition | None = None) -> int:
        """Count the rows of a table, without reading them."""
        return sum(
            part.rows
            for part in self.manifest.parts
            if part.table == table and partition in (None, part.partition)
        )

    def read(
        self, table: str, partition: Partition, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Read one table of one partition, batches in order.

        Raises
        ------
        DataError
            Naming the partition, if a file is damaged or its columns are not those of the store.
        """
        parts = self._parts.get((partition, table), [])
        frames = [self._read(part, columns) for part in parts]
        frames = [frame for frame in frames if len(frame)]
        if not frames:
            frame = empty_table(table) if table in TABLES else empty_ledger()
            return frame if columns is None else frame[list(columns)]
        frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
        if table == "clients" and len(frames) > 1:  # what a later batch says about a client holds
            frame = frame.drop_duplicates("client", keep="last").reset_index(drop=True)
        return frame

    def caseload(
        self,
        partitions: Iterable[Partition] | None = None,
        *,
        tables: Sequence[str] | None = None,
        columns: Mapping[str, Sequence[str]] | None = None,
    ) -> Caseload:
        """Give some partitions (all when left out) as one caseload.

        `tables` and `columns` keep what is not needed on the disk; such tables are empty. Whole
        tables come in the order of the source files.
        """
        whole = partitions is None
        chosen = self.partitions if partitions is None else list(partitions)
        found: dict[str, pd.DataFrame] = {}
        for name in TABLES if tables is None else tables:
            wanted = (columns or {}).get(name)
            frames = [self.read(name, partition, wanted) for partition in chosen]
            frames = [frame for frame in frames if len(frame)]
            if not frames:
                continue
            frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
            found[name] = _source_order(frame) if whole and wanted is None else frame
        own = self.manifest.own_measures, self.manifest.own_thresholds
        return Caseload(
            tables=found,
            ledger=self._ledger() if whole else empty_ledger(),
            sources=tuple(s for batch in self.manifest.batches for s in batch.sources),
            own_measures=own[0],
            own_thresholds=own[1],
        )

    def _ledger(self) -> pd.DataFrame:
        parts = [part for part in self.manifest.parts if part.table == "ledger"]
        frames = [self._read(part, None) for part in parts]
        frames = [frame for frame in frames if len(frame)]
        return pd.concat(frames, ignore_index=True) if frames else empty_ledger()

    def check(self, *, hashes: bool = True) -> None:
        """Hold every file to its size, and to its hash; name every partition that is damaged.

        Raises
        ------
        DataError
            Listing all damaged partitions.
        """
        faults = Faults()
        for part in self.manifest.parts:
            path = self.folder / part.path
            size = path.stat().st_size if path.is_file() else None
            if size is None:
                faults.add(_damaged(part, "its file is missing"))
            elif size != part.bytes:
                faults.add(_damaged(part, f"its file has {size:,} bytes, not {part.bytes:,}"))
            elif hashes and _sha256(path.read_bytes()) != part.sha256:
                faults.add(_damaged(part, "its file has been changed"))
        faults.raise_if_any()

    def arrow(
        self, table: str, partitions: Iterable[Partition], columns: Sequence[str]
    ) -> pa.Table:
        """Give one table of some partitions with its words as dictionaries: no text is made.

        Raises
        ------
        DataError
            As `read`.
        """
        found = []
        for partition in partitions:
            parts = self._parts.get((partition, table), [])
            if table == "clients" and len(parts) > 1:
                found.append(pa.Table.from_pandas(self.read(table, partition, columns)))
            else:
                found += [self._table(part, columns, words="dictionary") for part in parts]
        if not found:
            return pa.Table.from_pandas(empty_table(table)[list(columns)], preserve_index=False)
        return pa.concat_tables([one.replace_schema_metadata() for one in found])

    def _read(self, part: Part, columns: Sequence[str] | None) -> pd.DataFrame:
        return self._table(part, columns).to_pandas(types_mapper=_ARROW_TO_PANDAS.get)

    def _table(self, part: Part, columns: Sequence[str] | None, *, words: str = "text") -> pa.Table:
        text = [name for name, kind in self.manifest.columns[part.table].items() if kind == "str"]
        try:
            data = (self.folder / part.path).read_bytes()
        except OSError as error:
            raise _damaged(part, f"the system says: {error.strerror or error}") from None
        if len(data) != part.bytes or _sha256(data) != part.sha256:
            raise _damaged(part, "its file is cut short or has been changed")
        try:
            table = parquet.read_table(
                io.BytesIO(data),
                columns=None if columns is None else list(columns),
                read_dictionary=text if words == "dictionary" else None,
                use_threads=False,
            )
        except (pa.ArrowException, OSError, ValueError, KeyError):
            raise _damaged(part, "its file is no Parquet file") from None
        _check_columns(table, part, self.manifest, columns)
        return table


def _check_columns(
    table: pa.Table, part: Part, manifest: Manifest, columns: Sequence[str] | None
) -> None:
    expected = manifest.columns[part.table]
    if columns is not None:
        expected = {name: expected[name] for name in columns}
    if list(table.column_names) != list(expected):
        raise _damaged(part, "its columns are not those of the store")
    for name, kind in expected.items():
        stored = table.schema.field(name).type
        stored = stored.value_type if pa.types.is_dictionary(stored) else stored
        if str(stored) not in _STORED_AS[kind]:
            raise _damaged(part, f"its column {name} holds another kind of value")


_STORED_AS = {
    "str": ("string", "large_string"),
    "datetime64[us]": ("timestamp[us]",),
    "Int64": ("int64",),
    "float64": ("double",),
    "boolean": ("bool",),
}


def _damaged(part: Part, why: str) -> DataError:
    return DataError(
        f"partition {part.partition} ({part.table}) must be whole; {why}. Restore "
        f"{part.path} from a copy, or pack that batch again."
    )


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _source_order(frame: pd.DataFrame) -> pd.DataFrame:
    order = frame.sort_values(["source_file", "source_row"], kind="stable")
    return order.reset_index(drop=True)
