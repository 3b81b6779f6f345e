"""What stood in each row of a run's inputs, as digests: to name the cell that has changed since.

A hash of a file says only that it changed. Here each row of each table has a digest over its whole
line, and each column one digest per block of 256 rows; a changed row crossed with the changed
columns of its block names the cell, and no value is stored.

A cell's digest is SipHash under a key drawn for this run; a row's and a block's are sums of them,
each times an odd number of its place, modulo 2^64, so that cells that change places are seen too.

Digests can be guessed: whoever holds key and row but one small number can try them all, and a
table of few rows is soon tried. So the sums are cut to 4 bytes (a row) and 6 bytes (a column of a
block), and kept in a file that only its owner can read,
beside the clinic's own results: never in the manifest, the archive's metadata or a paper's folder.
Without the file a run is reproduced all the same; then changed files are named, and cells are not.
"""

from __future__ import annotations

import base64
import json
import secrets
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from pandas.util import hash_array

from outcomes.errors import OutcomesError
from outcomes.records.mapping import load_mapping
from outcomes.records.safe_text import write_owner_only
from outcomes.records.sources import open_source
from outcomes.records.sources.raw import RawTable
from outcomes.reporting.wording import join_words, plural

__all__ = ["INPUT_ROWS", "changed_inputs", "write_input_rows"]

INPUT_ROWS = "input_rows.json"

#: Rows that share one digest of a column.
BLOCK = 256
#: Rows beyond which nothing is recorded: the file would grow past 15 MB.
MOST_ROWS = 2_000_000
_ROW_BYTES, _COLUMN_BYTES = 4, 6


def write_input_rows(path: Path, *, data: str, mapping: str = "") -> Path | None:
    """Record the rows of a source, replacing an earlier record.

    Returns
    -------
    Path or None
        None where the source is a database address or too large.
    """
    tables = _tables(data, mapping)
    if not tables or sum(len(one.rows) for one in tables) > MOST_ROWS:
        return None
    key = secrets.token_urlsafe(12)  # 16 characters, as SipHash wants
    record = {
        "about": "Keyed digests of the input's rows, to name changed cells. For the clinic alone.",
        "block": BLOCK,
        "key": key,
        "tables": [_digests(one, key) for one in tables],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    return write_owner_only(path, json.dumps(record) + "\n")


def changed_inputs(path: Path, *, data: str, mapping: str = "", most: int = 20) -> list[str]:
    """Name the cells that are not what they were: file, row, column; never what stands there.

    Parameters
    ----------
    path : Path
        What `write_input_rows` wrote; nothing is named where it is absent.
    data, mapping : str
        The source as it is now.
    most : int
        Sentences at most.

    Returns
    -------
    list of str
    """
    if not path.is_file():
        return []
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        before = {table["file"]: table for table in record["tables"]}
        key = str(record["key"])
    except (OSError, ValueError, KeyError, TypeError):
        return [f"{path.name} cannot be read: changed cells are not named."]
    now = {one.file: one for one in _tables(data, mapping)}
    said = [f"Input {name} is gone." for name in sorted(set(before) - set(now))]
    said += [f"Input {name} is new." for name in sorted(set(now) - set(before))]
    for name in sorted(set(before) & set(now)):
        said += _changed(before[name], _digests(now[name], key))
    return said[:most]


def _tables(data: str, mapping: str) -> list[RawTable]:
    if not data or "://" in data:
        return []
    try:
        settings = load_mapping(mapping).opening if mapping else None
        return open_source(data, settings)
    except OutcomesError:
        return []


def _digests(table: RawTable, key: str) -> dict[str, Any]:
    """Digest every row, and every column block by block."""
    rows = np.asarray(table.rows, dtype=np.int64)
    lines = np.zeros(len(rows), dtype=np.uint64)
    places, starts = _odd(len(rows)), _starts(len(rows))
    columns = []
    for i, odd in enumerate(_odd(len(table.cells))):
        cells = table.cells[i].fillna("").astype(str).to_numpy(dtype=object)
        found = hash_array(cells, hash_key=key)
        lines += found * odd
        blocks = np.add.reduceat(found * places, starts) if len(rows) else found
        columns.append(_packed(blocks, _COLUMN_BYTES))
    return {
        "file": table.file,
        "headers": table.headers,
        "numbers": [int(rows[0])] if len(rows) and np.all(np.diff(rows) == 1) else rows.tolist(),
        "rows": _packed(lines, _ROW_BYTES),
        "columns": columns,
    }


def _odd(n: int) -> np.ndarray:
    """Give a large odd number for each place."""
    return (2 * np.arange(n, dtype=np.uint64) + 1) * np.uint64(0x9E3779B97F4A7C15)


def _starts(rows: int) -> list[int]:
    """Where blocks begin; the last one takes what is left, so that none is short."""
    return [BLOCK * i for i in range(max(1, rows // BLOCK))]


def _changed(before: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Say what differs between two records of one table."""
    name = before["file"]
    if before["headers"] != now["headers"]:
        return [f"Input {name} has other columns than before, or in another order."]
    old, new = (_unpacked(one["rows"], _ROW_BYTES) for one in (before, now))
    if len(old) != len(new):
        return _added_and_gone(name, old, new, _numbers(before, len(old)), _numbers(now, len(new)))
    places = [i for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
    numbers = _numbers(now, len(new))
    columns = [
        [a != b for a, b in zip(*(_unpacked(c, _COLUMN_BYTES) for c in both), strict=True)]
        for both in zip(before["columns"], now["columns"], strict=True)
    ]
    last = len(_starts(len(old))) - 1
    blocks = [min(place // BLOCK, last) for place in places]
    alone = Counter(blocks)
    said = []
    for place, block in zip(places, blocks, strict=True):
        touched = [h for h, changed in zip(now["headers"], columns, strict=True) if changed[block]]
        sure = alone[block] == 1
        words = join_words(touched) if sure else " or ".join(touched)
        several = "columns" if sure and len(touched) > 1 else "column"
        said.append(f"Input {name}, row {numbers[place]}, {several} {words}: not what it was.")
    return said


def _added_and_gone(
    name: str, old: list[bytes], new: list[bytes], were: list[int], are: list[int]
) -> list[str]:
    said = [f"Input {name} has {plural(len(new), 'row')}, {len(old):,} before."]
    for here, there, numbers, words in ((new, old, are, "new"), (old, new, were, "gone")):
        spare = Counter(there)
        places = []
        for place, digest in enumerate(here):
            if spare[digest]:
                spare[digest] -= 1
            else:
                places.append(place)
        if places:
            first = join_words([str(numbers[p]) for p in places[:5]])
            more = f" and {len(places) - 5:,} more" if len(places) > 5 else ""
            when = " (as numbered before)" if words == "gone" else ""
            said.append(f"Input {name}, rows changed or {words}: {first}{more}{when}.")
    return said


def _packed(digests: np.ndarray, size: int) -> str:
    """Keep the leading bytes of each digest."""
    leading = digests.astype(">u8").view(np.uint8).reshape(-1, 8)[:, :size]
    return base64.b64encode(leading.tobytes()).decode()


def _unpacked(packed: str, size: int) -> list[bytes]:
    whole = base64.b64decode(packed)
    return [whole[i : i + size] for i in range(0, len(whole), size)]


def _numbers(table: dict[str, Any], rows: int) -> list[int]:
    """Row numbers in the source; the first alone stands for a run without a gap."""
    numbers = table["numbers"]
    return list(range(numbers[0], numbers[0] + rows)) if len(numbers) == 1 else numbers
