"""Writing files so that a stopped run leaves the earlier ones whole, and text stays text.

A file is written under a temporary name in its own folder, flushed to the disk, and then takes its
name in one step. Text that a spreadsheet would run as a formula is written so that it does not.
"""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path

import pandas as pd

from outcomes.errors import DataError

__all__ = ["csv_bytes", "write_atomically"]

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
            text = values.map(lambda v: v.lstrip() if isinstance(v, str) else "")
            risky = text.astype(str).str.startswith(_STARTS)
            if risky.any():
                safe[column] = values.where(~risky, "'" + values.astype("str"))
    store = io.StringIO()
    safe.to_csv(store, index=False, lineterminator="\n")
    return store.getvalue().encode("utf-8")


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
