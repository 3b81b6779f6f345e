"""Where a number came from: files and their hashes, versions, parameters, rows, time."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.records.caseload import Caseload

__all__ = ["LIBRARIES", "code_hash", "file_hash", "provenance", "versions"]

#: What a number may depend on.
LIBRARIES = (
    "outcomes",
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "formulaic",
    "matplotlib",
    "seaborn",
    "pyarrow",
    "python-calamine",
    "xlsxwriter",
    "nbclient",
    "nbconvert",
    "ipykernel",
)


def file_hash(path: Path) -> str:
    """Compute the SHA-256 of a file, as hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def code_hash() -> str:
    """Compute one SHA-256 over every source file of the package, in the order of their names."""
    import outcomes

    root = Path(outcomes.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.suffix in {".py", ".toml"} and "_carried" not in path.parts:
            digest.update(path.relative_to(root).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """Collect the versions of Python and of each library in `LIBRARIES`."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "absent"
    return found


def provenance(caseload: Caseload, parameters: Mapping[str, Any]) -> dict[str, pd.DataFrame]:
    """Tell where a report's numbers come from.

    Returns
    -------
    dict of str to DataFrame
        ``files`` (file, table, rows_in, sha256), ``rows`` (the caseload's balance), ``settings``
        (name, value) and ``versions`` (library, version).
    """
    files = pd.DataFrame(
        [
            {"file": s.file, "table": s.table, "rows_in": s.rows_in, "sha256": s.sha256}
            for s in caseload.sources
        ],
        columns=["file", "table", "rows_in", "sha256"],
    )
    settings = {**parameters, "made": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")}
    return {
        "files": files,
        "rows": caseload.balance,
        "settings": pd.DataFrame(
            [{"name": name, "value": str(value)} for name, value in settings.items()]
        ),
        "versions": pd.DataFrame(
            [{"library": name, "version": version} for name, version in versions().items()]
        ),
    }
