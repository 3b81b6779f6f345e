"""Runs that nobody watches: one at a time in a folder, with a log that names no one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from outcomes.errors import DataError, OutcomesError

__all__ = ["locked", "log_line"]

_LOCK = ".outcomes.lock"
_LOG = "run.log"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder for one run; a lock left by a run that died is taken over.

    Raises
    ------
    DataError
        If another run is writing to the folder, or the folder cannot be written to.
    """
    path = folder / _LOCK
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _take(path)
    except OSError as error:
        raise DataError(
            f"{folder.name} must be a folder that can be written to; the system says: "
            f"{error.strerror or error}. Choose another with --out."
        ) from error
    log_line(folder, "started")
    try:
        yield
    except OutcomesError as error:
        log_line(folder, f"stopped: {type(error).__name__}")
        raise
    except BaseException as error:
        log_line(folder, f"failed: {type(error).__name__}")
        raise
    else:
        log_line(folder, "finished")
    finally:
        path.unlink(missing_ok=True)


def log_line(folder: Path, event: str) -> None:
    """Add one line to the folder's log: time and event, nothing about clients."""
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    with (folder / _LOG).open("a", encoding="utf-8") as stream:
        stream.write(f"{now} {event}\n")


def _take(path: Path) -> None:
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        if _alive(path):
            raise DataError(
                f"only one run at a time can write to {path.parent.name}; another one is at work. "
                f"Wait for it, or choose another folder with --out."
            ) from None
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    with os.fdopen(handle, "w") as stream:
        stream.write(str(os.getpid()))


def _alive(path: Path) -> bool:
    try:
        process = int(path.read_text())
        os.kill(process, 0)
    except (ValueError, ProcessLookupError, FileNotFoundError):
        return False
    except OSError:  # it lives, and belongs to somebody else
        return True
    return True
