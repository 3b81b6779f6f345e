"""The manifest of a run: everything needed to do it again and to see what differs.

`manifest.json` stands in the folder of every run. Paths of inputs are kept relative to that folder
where they lie beside or below it, so that a folder can be moved together with its data.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import outcomes
from outcomes.errors import DataError
from outcomes.reporting.provenance import code_hash, file_hash

__all__ = [
    "MANIFEST",
    "Manifest",
    "describe_carried",
    "describe_files",
    "input_files",
    "read_manifest",
]

MANIFEST = "manifest.json"


@dataclass(frozen=True)
class Manifest:
    """What a run was.

    Attributes
    ----------
    command : str
        ``"review"`` or another command of this package.
    parameters : dict
        Its arguments, with paths as `input_files` writes them.
    inputs, outputs : list of dict
        ``path``, ``sha256``, ``bytes`` of every file read and written.
    thresholds : list of dict
        Every threshold that the results rest on, with its source.
    rows : list of dict
        Rows in, used and set aside per table.
    seeds : dict of str to int
        Seeds of whatever was drawn.
    """

    command: str
    parameters: dict[str, Any]
    inputs: list[dict[str, Any]]
    outputs: list[dict[str, Any]]
    thresholds: list[dict[str, Any]] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    seeds: dict[str, int] = field(default_factory=dict)
    made: str = field(default_factory=lambda: datetime.now(UTC).isoformat(timespec="seconds"))
    seconds: float = 0.0
    package: dict[str, str] = field(
        default_factory=lambda: {"version": outcomes.__version__, "sha256": code_hash()}
    )
    versions: dict[str, str] = field(default_factory=lambda: _all_versions())
    platform: dict[str, str] = field(default_factory=lambda: _platform())

    def to_json(self) -> str:
        """Write it as text."""
        return json.dumps(asdict(self), indent=1, sort_keys=False, default=str) + "\n"


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a run.

    Raises
    ------
    DataError
        If the folder has none or it cannot be read.
    """
    path = folder / MANIFEST
    try:
        return Manifest(**json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise DataError(
            f"{folder.name} must hold a {MANIFEST}, and does not. Give the folder that a run wrote."
        ) from None
    except (json.JSONDecodeError, UnicodeDecodeError, TypeError) as error:
        raise DataError(
            f"{MANIFEST} must be whole; it cannot be read. Restore it from a copy."
        ) from error


def input_files(source: str) -> list[Path]:
    """List the files of a source: itself, or all files of a folder in order of name.

    Databases reached over an address are not files and give none.
    """
    if not source or "://" in source:
        return []
    path = Path(source)
    if path.is_dir():
        return sorted(p for p in path.rglob("*") if p.is_file() and not p.name.startswith("."))
    return [path] if path.is_file() else []


def describe_files(paths: Iterable[Path], *, folder: Path) -> list[dict[str, Any]]:
    """Give path (relative to `folder` where that is shorter), hash and size of each file."""
    found = []
    for path in paths:
        found.append(
            {
                "path": nearest_path(path, folder),
                "sha256": file_hash(path),
                "bytes": path.stat().st_size,
            }
        )
    return found


def describe_carried(paths: Iterable[Path]) -> list[dict[str, Any]]:
    """Describe files that the package itself carries, wherever it is installed."""
    return [
        {"path": f"carried:{path.name}", "sha256": file_hash(path), "bytes": path.stat().st_size}
        for path in paths
    ]


def nearest_path(path: Path, folder: Path) -> str:
    """Write a path relative to a folder where both share more than the root; else in full."""
    path, folder = path.resolve(), folder.resolve()
    try:
        shared = Path(os.path.commonpath([path, folder]))
    except ValueError:  # different drives
        return path.as_posix()
    if len(shared.parts) <= 1:
        return path.as_posix()
    return Path(os.path.relpath(path, folder)).as_posix()


def _all_versions() -> dict[str, str]:
    """Versions of Python and of every installed distribution."""
    found: Mapping[str, str] = {
        (d.metadata["Name"] or "").lower(): d.version for d in importlib.metadata.distributions()
    }
    return {"python": platform.python_version(), **dict(sorted(found.items()))}


def _platform() -> dict[str, str]:
    import numpy as np

    blas = np.show_config(mode="dicts").get("Build Dependencies", {}).get("blas", {})  # type: ignore[union-attr]
    return {
        "system": platform.system(),
        "machine": platform.machine(),
        "blas": f"{blas.get('name', '')} {blas.get('version', '')}".strip(),
    }
