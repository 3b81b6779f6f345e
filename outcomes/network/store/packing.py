"""Writing a store: parts first, the manifest last, each step in one move.

A new store grows in a hidden folder beside its place and takes its name at the end. A batch that
is added grows in a hidden folder inside the store; it counts from the moment that the manifest
lists it. What a stopped run left behind is never read, and the next run removes it.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet

from outcomes.errors import ArgumentError, DataError, OutcomesError, check_count
from outcomes.network.store.manifest import (
    MANIFEST,
    STORED,
    Batch,
    Manifest,
    Part,
    Partition,
    bucket_of,
    column_types,
)
from outcomes.network.store.opening import Store, is_store, open_store
from outcomes.records import Caseload, read_caseload
from outcomes.records.schema import TABLES
from outcomes.records.write import write_atomically
from outcomes.statistics.service import quarter_dates
from outcomes.statistics.service.quarters import ALL

__all__ = ["Packing", "pack"]

_PARTS = "parts"


def pack(
    sources: Any,
    out: str | Path,
    *,
    mapping: Any = None,
    thresholds: Any = None,
    quarter: str = ALL,
    buckets: int | None = None,
    replace_quarter: bool = False,
) -> Store:
    """Write caseloads into a store, or add a quarter to one.

    Use for caseloads that do not fit one table, and for a network's clinics in one place. Client
    codes must tell clients apart over all sources.

    Parameters
    ----------
    sources : source or list of sources
        Each as `read_caseload` takes it.
    out : path
        Folder of the store: new, or a store to add to.
    mapping, thresholds
        As `read_caseload`; the same for all sources.
    quarter : str
        Keep rows of this quarter only, as ``"2026Q2"``; ``"all"`` packs everything.
    buckets : int, optional
        Parts that each clinic's clients are spread over; 1 when left out. Fixed for a store.
    replace_quarter : bool
        Replace what the store holds under this label.

    Returns
    -------
    Store

    Raises
    ------
    DataError
        If a source cannot be read, rows would be in the store twice, or the disk is full; the
        store is then as it was before.
    """
    listed = sources if isinstance(sources, (list, tuple)) else [sources]
    with Packing(out, label=quarter, buckets=buckets, replace_label=replace_quarter) as packing:
        for source in listed:
            caseload = read_caseload(source, mapping=mapping, thresholds=thresholds)
            packing.add(caseload)
    return open_store(out)


class Packing:
    """One batch on its way into a store; leaving the ``with`` block without error makes it count.

    Examples
    --------
    >>> place = Path(tempfile.mkdtemp()) / "store"
    >>> with Packing(place) as packing:
    ...     packing.add(Caseload(tables={}))
    >>> len(open_store(place).partitions)
    0
    """

    def __init__(
        self,
        out: str | Path,
        *,
        label: str = ALL,
        buckets: int | None = None,
        replace_label: bool = False,
    ) -> None:
        self.out, self.label = Path(out), label
        quarter_dates(label)
        if buckets is not None:
            check_count("buckets", buckets)
        self._held = contextlib.ExitStack()
        self._new = not is_store(self.out)
        if self._new:
            _need_free_place(self.out)
            self._root = _hidden_folder(self.out.absolute().parent, self.out.name)
            self._manifest = Manifest(buckets=buckets or 1, columns=column_types())
        else:
            self._root = self.out
            self._held.enter_context(_locked(self.out))
            self._manifest = open_store(self.out).manifest
            if buckets not in (None, self._manifest.buckets):
                self._held.close()
                raise ArgumentError(
                    f"buckets must stay as the store has them ({self._manifest.buckets}), got "
                    f"{buckets!r}. Leave it out."
                )
            _remove_leftovers(self.out, self._manifest)
        self._replaced = [b for b in self._manifest.batches if b.label == label]
        if self._replaced and not replace_label:
            self._held.close()
            raise DataError(
                f"{self.out.name} must not hold {label} yet; it does. Replace it with "
                f"--replace, or pack another quarter."
            )
        self._incoming = _hidden_folder(self._root, "incoming")
        self._parts: list[Part] = []
        self._sources: list[Any] = []
        self._added = 0

    def add(self, caseload: Caseload) -> None:
        """Write the rows of one caseload (of the packing's quarter)."""
        tables = _of_quarter({**caseload.tables, "ledger": caseload.ledger}, self.label)
        clinic = tables["clients"].drop_duplicates("client").set_index("client")["clinic"]
        self._added += 1
        for name in STORED:
            frame = tables[name]
            if frame.empty:
                continue
            where = frame["client"].map(clinic).fillna("").astype("str")
            codes, levels = pd.factorize(frame["client"])
            bucket = np.array([*bucket_of(levels, self._manifest.buckets), 0])[codes]
            groups = pd.DataFrame({"clinic": where.to_numpy(), "bucket": bucket})
            for key, rows in groups.groupby(["clinic", "bucket"], sort=True).indices.items():
                partition = Partition(str(key[0]), int(key[1]))
                self._write(name, partition, frame.iloc[np.sort(rows)])
        self._sources += caseload.sources
        self._manifest = replace(
            self._manifest,
            own_measures={**self._manifest.own_measures, **caseload.own_measures},
            own_thresholds=tuple(
                dict.fromkeys((*self._manifest.own_thresholds, *caseload.own_thresholds))
            ),
        )

    def _write(self, table: str, partition: Partition, frame: pd.DataFrame) -> None:
        types = self._manifest.columns[table]
        arrow = pa.Table.from_pandas(
            frame[list(types)].astype(types), schema=_arrow_schema(types), preserve_index=False
        )
        store = io.BytesIO()
        parquet.write_table(arrow, store, compression="zstd", compression_level=1)
        data = store.getvalue()
        several = f"-{self._added}" if self._added > 1 else ""
        name = f"{table}/{partition.folder}/bucket={partition.bucket:02d}{several}.parquet"
        write_atomically(self._incoming / name, data)
        self._parts.append(
            Part(
                path=name,
                table=table,
                clinic=partition.clinic,
                bucket=partition.bucket,
                rows=len(frame),
                bytes=len(data),
                sha256=hashlib.sha256(data).hexdigest(),
            )
        )

    def __enter__(self) -> Packing:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._finish()
            elif isinstance(error, OSError):
                raise _disk_says(self.out, error) from error
        except OSError as failed:
            raise _disk_says(self.out, failed) from failed
        finally:
            shutil.rmtree(self._incoming, ignore_errors=True)
            if self._new:
                shutil.rmtree(self._root, ignore_errors=True)
            self._held.close()

    def _finish(self) -> None:
        kept = [b for b in self._manifest.batches if b not in self._replaced]
        number = max((int(b.folder.split("-")[0]) for b in self._manifest.batches), default=0) + 1
        folder = f"{number:04d}-{self.label}"
        parts = tuple(replace(part, path=f"{_PARTS}/{folder}/{part.path}") for part in self._parts)
        batch = Batch(folder=folder, label=self.label, sources=tuple(self._sources), parts=parts)
        manifest = replace(self._manifest, batches=(*kept, batch))
        (self._root / _PARTS).mkdir(exist_ok=True)
        os.replace(self._incoming, self._root / _PARTS / folder)
        try:
            _refuse_repeats(Store(self._root, manifest))
            write_atomically(self._root / MANIFEST, manifest.to_json().encode())
        except OutcomesError:
            shutil.rmtree(self._root / _PARTS / folder, ignore_errors=True)
            raise
        if self._new:
            os.replace(self._root, self.out)
        _remove_leftovers(self.out, manifest)


def _refuse_repeats(store: Store) -> None:
    """Refuse rows that stand in two parts, and clients who stand under two clinics.

    Clients are told apart by 64-bit hashes of their codes: twelve bytes a client.
    """
    clients, clinics = [np.zeros(0, np.uint64)], [np.zeros(0, np.int32)]
    for number, partition in enumerate(store.partitions):
        own = store.read("clients", partition, ["client"])["client"].to_numpy(dtype=object)
        clients.append(pd.util.hash_array(own, categorize=False))
        clinics.append(np.full(own.size, number, np.int32))
    seen = pd.DataFrame({"client": np.concatenate(clients), "at": np.concatenate(clinics)})
    moved = int(seen.drop_duplicates()["client"].duplicated().sum())
    if moved:
        raise DataError(
            f"a client must stay with one clinic of a store; {moved:,} stand under two. Give "
            f"clients codes that differ between clinics, or correct the clinic."
        )
    several = Counter((part.partition, part.table) for part in store.manifest.parts)
    for (partition, table), count in several.items():
        if count < 2 or table not in ("visits", "measurements", "events"):
            continue
        again = int(store.read(table, partition, list(TABLES[table].key)).duplicated().sum())
        if again:
            raise DataError(
                f"a batch must not repeat rows that the store holds; partition {partition} "
                f"({table}) has {again:,} twice. Pack one quarter with --quarter, or replace it "
                f"with --replace."
            )


def _of_quarter(tables: dict[str, pd.DataFrame], quarter: str) -> dict[str, pd.DataFrame]:
    """Keep the rows of a quarter: by their date, or by the visit that they belong to."""
    if quarter == ALL:
        return tables
    first, last = quarter_dates(quarter)
    end = last + pd.Timedelta(days=1)
    key = ["client", "episode", "visit"]
    kept = {
        name: frame[frame["date"].between(first, end, inclusive="left")]
        for name, frame in tables.items()
        if "date" in frame
    }
    visits = pd.MultiIndex.from_frame(kept["visits"][key])
    treatments = tables["treatments"]
    mine = pd.MultiIndex.from_frame(treatments[key]).isin(visits)
    seen = set().union(*(frame["client"].dropna() for frame in kept.values()))
    clients = tables["clients"]
    return {
        **kept,
        "treatments": treatments[mine],
        "clients": clients[clients["client"].isin(seen)],
        "ledger": tables["ledger"],
    }


def _arrow_schema(types: dict[str, str]) -> pa.Schema:
    kinds = {
        "str": pa.string(),
        "datetime64[us]": pa.timestamp("us"),
        "Int64": pa.int64(),
        "float64": pa.float64(),
        "boolean": pa.bool_(),
    }
    return pa.schema([(name, kinds[kind]) for name, kind in types.items()])


def _need_free_place(out: Path) -> None:
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise DataError(
            f"{out.name} must be new, empty, or a store; it holds other files. Give another name."
        )


def _hidden_folder(parent: Path, name: str) -> Path:
    try:
        parent.mkdir(parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(dir=parent, prefix=f".{name}-"))
        folder.chmod(0o777 & ~_umask())
        return folder
    except OSError as error:
        raise _disk_says(parent, error) from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _remove_leftovers(folder: Path, manifest: Manifest) -> None:
    """Remove what the manifest does not list: leftovers of stopped runs, replaced batches."""
    listed = {batch.folder for batch in manifest.batches}
    leftovers: Sequence[Path] = [
        *folder.glob(".incoming-*"),
        *(p for p in (folder / _PARTS).glob("*") if p.name not in listed),
    ]
    for path in leftovers:
        shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Keep a second packing out; the lock ends with the process that holds it."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system
        yield
        return
    with (folder / ".lock").open("w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise DataError(
                f"{folder.name} must not be packed twice at a time; another run is at it. Wait "
                f"until it is done."
            ) from None
        yield


def _disk_says(out: Path, error: OSError) -> DataError:
    return DataError(
        f"{out.name} must be writable; the system says: {error.strerror or error}. Nothing was "
        f"added. Free some space, or choose another folder."
    )
