"""Bringing a store of an older version up to date, part by part, in one move at the end.

A step takes the frame of one table as the older version held it and gives it as the next version
holds it. Columns that the tables gained since are added empty without a step of their own.
"""

from __future__ import annotations

import hashlib
import io
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet

from outcomes.errors import DataError
from outcomes.network.store.manifest import (
    MANIFEST,
    SCHEMA_VERSION,
    Part,
    column_types,
    read_manifest,
)
from outcomes.network.store.opening import Store, open_store
from outcomes.network.store.packing import (
    _arrow_schema,
    _disk_says,
    _hidden_folder,
    _locked,
    _remove_leftovers,
)
from outcomes.records.write import write_atomically

__all__ = ["STEPS", "migrate"]

#: For each older version: how a table of it becomes one of the next version.
STEPS: dict[int, Callable[[str, pd.DataFrame], pd.DataFrame]] = {}


def migrate(folder: str | Path) -> Store:
    """Bring a store up to the current version and tables.

    Use after an update of this package, when opening a store says so. The old files stay until the
    new ones are complete: a stopped run leaves the store as it was.

    Parameters
    ----------
    folder : path
        A store of this or an older version.

    Returns
    -------
    Store

    Raises
    ------
    DataError
        If there is no way from its version, a file is damaged, or the disk is full.
    """
    folder = Path(folder)
    with _locked(folder):
        manifest = read_manifest(folder)
        columns = column_types()
        if manifest.schema_version == SCHEMA_VERSION and manifest.columns == columns:
            return open_store(folder)
        missing = [v for v in range(manifest.schema_version, SCHEMA_VERSION) if v not in STEPS]
        if missing or manifest.schema_version > SCHEMA_VERSION:
            raise DataError(
                f"{folder.name} must have a version that can be brought up to date, got "
                f"{manifest.schema_version}. Pack it again from its sources."
            )
        old = Store(folder, manifest)
        old.check()
        target = f"{len(list((folder / 'parts').glob('*'))) + 1:04d}"
        incoming = _hidden_folder(folder, "incoming")
        try:
            batches = []
            for batch in manifest.batches:
                name = f"{batch.folder.split('-')[0]}-v{SCHEMA_VERSION}.{target}-{batch.label}"
                parts = tuple(
                    _rewritten(old, part, columns, incoming, name) for part in batch.parts
                )
                batches.append(replace(batch, folder=name, parts=parts))
            for path in incoming.iterdir():
                os.replace(path, folder / "parts" / path.name)
            new = replace(
                manifest,
                batches=tuple(batches),
                columns=columns,
                schema_version=SCHEMA_VERSION,
            )
            write_atomically(folder / MANIFEST, new.to_json().encode())
        except OSError as error:
            raise _disk_says(folder, error) from error
        finally:
            shutil.rmtree(incoming, ignore_errors=True)
        _remove_leftovers(folder, new)
    return open_store(folder)


def _rewritten(
    old: Store, part: Part, columns: dict[str, dict[str, str]], incoming: Path, batch: str
) -> Part:
    frame = old._read(part, None)
    for version in range(old.manifest.schema_version, SCHEMA_VERSION):
        frame = STEPS[version](part.table, frame)
    types = columns[part.table]
    unknown = [name for name in frame.columns if name not in types]
    if unknown:
        raise DataError(
            f"{part.table} of an older store must have columns that are still known; "
            f"{', '.join(unknown)} {'is' if len(unknown) == 1 else 'are'} not. Pack it again."
        )
    for name, kind in types.items():
        if name not in frame:
            frame[name] = pd.Series(index=frame.index, dtype=kind)  # pyright: ignore
    arrow = pa.Table.from_pandas(
        frame[list(types)].astype(types), schema=_arrow_schema(types), preserve_index=False
    )
    store = io.BytesIO()
    parquet.write_table(arrow, store, compression="zstd", compression_level=1)
    data = store.getvalue()
    inside = Path(*Path(part.path).parts[2:])
    write_atomically(incoming / batch / inside, data)
    return replace(
        part,
        path=f"parts/{batch}/{inside.as_posix()}",
        bytes=len(data),
        sha256=hashlib.sha256(data).hexdigest(),
    )
