"""The folder beside the paper that leads back to the clients: for the clinic alone.

It holds the key of labels, the key of the masked figures and the number that ordered them. A later
draft reads them, so that labels and masked figures stay what they were.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path

import pandas as pd

from outcomes.errors import DataError
from outcomes.records.safe_text import write_owner_only
from outcomes.records.write import csv_bytes

__all__ = ["CLIENT_KEY", "keys_of", "masked_seed", "read_key", "write_keys"]

CLIENT_KEY = "client_key.csv"
_ORDER = "masked_order.txt"


def keys_of(paper: Path) -> Path:
    """Name the folder of keys of a paper's folder: beside it, never inside."""
    paper = paper.resolve()
    return paper.with_name(f"{paper.name}_keys")


def read_key(folder: Path) -> pd.DataFrame | None:
    """Read the key of labels of an earlier draft: label, client; None where there is none."""
    path = folder / CLIENT_KEY
    if not path.is_file():
        return None
    try:
        key = pd.read_csv(path, dtype=str, keep_default_na=False)[["label", "client"]]
    except (OSError, ValueError, KeyError):
        raise DataError(
            f"{CLIENT_KEY} in {folder.name} must hold the columns label and client; it cannot be "
            f"read. Restore it from a copy, or move it away for new labels."
        ) from None
    return key.drop_duplicates("client").drop_duplicates("label")


def masked_seed(folder: Path) -> int:
    """Give the number that orders the masked figures; drawn by the system the first time."""
    path = folder / _ORDER
    try:
        return int(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        _make(folder)
        path.unlink(missing_ok=True)
        number = secrets.randbits(64)
        write_owner_only(path, f"{number}\n")
        return number


def write_keys(folder: Path, *, client_key: pd.DataFrame, masked_key: pd.DataFrame) -> None:
    """Write both keys so that only their owner can read them; a run again replaces them."""
    _make(folder)
    for name, frame in ((CLIENT_KEY, client_key), ("masked_key.csv", masked_key)):
        (folder / name).unlink(missing_ok=True)
        write_owner_only(folder / name, csv_bytes(frame).decode())


def _make(folder: Path) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.chmod(folder, 0o700)
