"""Doing a run again from its manifest, and comparing every number in every table.

A review and a case series can be run again. Where an input has changed, its cells are named by
file, row and column (`input_rows`), never by value.
"""

from __future__ import annotations

import inspect
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.carried import synthetic_caseload
from outcomes.errors import DataError
from outcomes.reporting.input_rows import INPUT_ROWS, changed_inputs
from outcomes.reporting.manifest import Manifest, read_manifest
from outcomes.reporting.provenance import code_hash, file_hash

__all__ = ["Reproduction", "compare_tables", "reproduce", "what_differs"]

Progress = Callable[[int, int, str], None]

#: Largest relative difference that passes between platforms; on one platform nothing may differ.
TOLERANCE = 1e-8


@dataclass(frozen=True, eq=False, kw_only=True)
class Reproduction:
    """What a repeated run showed.

    Attributes
    ----------
    same : bool
        True if every cell of every table agrees.
    cells : int
        Cells compared.
    differences : DataFrame
        table, row, column, before, after, relative_difference; one row per differing cell.
    worst : float
        Largest relative difference of two numbers.
    causes : tuple of str
        Inputs, versions or code that are not what they were, one sentence each.
    """

    same: bool
    cells: int
    differences: pd.DataFrame
    worst: float
    causes: tuple[str, ...]

    @property
    def summary(self) -> str:
        """At most 12 lines of text."""
        if self.same:
            head = f"Reproduced: {self.cells:,} cells compared, none differs."
        else:
            head = (
                f"Not reproduced: {len(self.differences):,} of {self.cells:,} cells differ "
                f"(largest relative difference {self.worst:.2g})."
            )
        first = [
            f"  {d.table}, row {d.row}, column {d.column}"
            for d in self.differences.head(4).itertuples()
        ]
        causes = list(self.causes[:6]) or (
            ["Inputs, versions and code are what they were."] if self.same else []
        )
        return "\n".join([head, *first, *causes])


def reproduce(
    folder: Path,
    *,
    data: str = "",
    tolerance: float | None = None,
    progress: Progress | None = None,
) -> Reproduction:
    """Run again what a run folder's manifest says, and compare all tables.

    Parameters
    ----------
    folder : Path
        Folder that a run wrote. It is not written to.
    data : str
        Where the data are now, if they have moved; the manifest's path otherwise.
    tolerance : float, optional
        Largest relative difference that counts as equal. When left out: none on the platform of
        the first run, 1e-8 on another.
    progress : callable, optional
        As for notebooks.

    Returns
    -------
    Reproduction

    Raises
    ------
    DataError
        If the folder has no manifest of a command that can be run again, or its inputs are not to
        be found.
    """
    manifest = read_manifest(folder)
    again = _COMMANDS.get(manifest.command)
    if again is None:
        raise DataError(
            f"{folder.name} must be a run of {' or '.join(_COMMANDS)} to be reproduced; it is one "
            f"of {manifest.command}. Run that command again by hand."
        )
    given = {**manifest.parameters, **({"data": data} if data else {})}
    given = {k: _found(v, folder) if k in _PATHS else v for k, v in given.items()}
    source = given.get("data") or str(synthetic_caseload())
    causes = what_differs(manifest, folder, data=given.get("data", ""))
    if tolerance is None:
        same_platform = not any(cause.startswith("Platform") for cause in causes)
        tolerance = 0.0 if same_platform else TOLERANCE
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "again"
        again({**given, "data": source, "out": str(out)}, folder, progress)
        cells, differences, worst = compare_tables(
            folder / "tables", out / "tables", tolerance=tolerance
        )
    return Reproduction(
        same=differences.empty,
        cells=cells,
        differences=differences,
        worst=worst,
        causes=tuple(causes),
    )


_PATHS = ("data", "mapping", "thresholds", "settings", "clients", "design")


def _review(given: dict[str, Any], folder: Path, progress: Progress | None) -> None:
    from outcomes.reporting.runs import run_review

    run_review(**given, progress=progress)


def _case_series(given: dict[str, Any], folder: Path, progress: Progress | None) -> None:
    """Make the paper again under its own labels, which only the key beside it knows."""
    from outcomes.reporting.case_series import run_case_series
    from outcomes.reporting.case_series.key_folder import CLIENT_KEY, keys_of

    key = keys_of(folder) / CLIENT_KEY
    if not key.is_file():
        raise DataError(
            f"{keys_of(folder).name} must stand beside {folder.name} with its {CLIENT_KEY}, so "
            f"that clients keep their labels; it does not. Put it back."
        )
    keys = keys_of(Path(given["out"]))
    keys.mkdir(parents=True)
    shutil.copy(key, keys / CLIENT_KEY)
    known = inspect.signature(run_case_series).parameters
    run_case_series(**{k: v for k, v in given.items() if k in known}, progress=progress)


_COMMANDS: dict[str, Callable[[dict[str, Any], Path, Progress | None], None]] = {
    "review": _review,
    "case-series": _case_series,
}


def _row_records(folder: Path) -> tuple[Path, Path]:
    """Where a run may have kept the digests of its input's rows."""
    from outcomes.reporting.case_series.key_folder import keys_of

    return folder / INPUT_ROWS, keys_of(folder) / INPUT_ROWS


def what_differs(manifest: Manifest, folder: Path, *, data: str = "") -> list[str]:
    """Name inputs and their cells, versions, code and platform that are not the manifest's."""
    from outcomes.reporting.manifest import _all_versions, _platform

    found = []
    root = Path(data) if data else None
    for entry in manifest.inputs:
        path = _input_path(entry["path"], folder)
        if root is not None and not path.exists():
            path = root / path.name if root.is_dir() else root
        if not path.exists():
            found.append(f"Input {path.name} is missing.")
        elif file_hash(path) != entry["sha256"]:
            found.append(f"Input {path.name} is not the same file as before.")
    if found:
        given = {k: _found(str(manifest.parameters.get(k, "")), folder) for k in _PATHS}
        source = data or given["data"] or str(synthetic_caseload())
        record = next((p for p in _row_records(folder) if p.is_file()), folder / INPUT_ROWS)
        found += changed_inputs(record, data=source, mapping=given["mapping"])
    now = _all_versions()
    for name, version in manifest.versions.items():
        if name in _WATCHED and now.get(name) != version:
            found.append(f"Version of {name}: {version} before, {now.get(name, 'absent')} now.")
    if code_hash() != manifest.package.get("sha256"):
        found.append("The code of outcomes itself is not the same.")
    if _platform() != manifest.platform:
        found.append("Platform: another system, processor or linear algebra library.")
    return found


_WATCHED = {"python", "numpy", "pandas", "scipy", "statsmodels", "formulaic"}


def _input_path(path: str, folder: Path) -> Path:
    if path.startswith("carried:"):
        return synthetic_caseload() / path.removeprefix("carried:")
    return (folder / path).resolve()


def compare_tables(
    before: Path, after: Path, *, tolerance: float = 0.0
) -> tuple[int, pd.DataFrame, float]:
    """Compare all CSV tables of two folders cell by cell.

    Returns
    -------
    int
        Cells compared.
    DataFrame
        table, row, column, before, after, relative_difference of the cells that differ.
    float
        Largest relative difference between two numbers, also below the tolerance.
    """
    names = sorted({p.name for p in before.glob("*.csv")} | {p.name for p in after.glob("*.csv")})
    if not names:
        raise DataError("a run must hold tables to compare; this one has none. Run it again.")
    cells, worst, rows = 0, 0.0, []
    for name in names:
        if not (before / name).exists() or not (after / name).exists():
            rows.append(_row(name, 0, "", "table" if (before / name).exists() else "none", ""))
            continue
        old, new = (_cells(folder / name) for folder in (before, after))
        cells += old.size
        if list(old.columns) != list(new.columns) or len(old) != len(new):
            rows.append(_row(name, 0, "", f"{old.shape}", f"{new.shape}"))
            continue
        for column in old.columns:
            different, size = _column_difference(old[column], new[column], tolerance)
            worst = max(worst, float(size.max(initial=0.0)))
            for i in np.flatnonzero(different):
                rows.append(
                    _row(name, int(i) + 2, column, old[column][i], new[column][i], float(size[i]))
                )
    columns = ["table", "row", "column", "before", "after", "relative_difference"]
    return cells, pd.DataFrame(rows, columns=columns), worst


def _cells(path: Path) -> pd.DataFrame:
    """Read a table as text; one without any column is no table to compare."""
    try:
        return pd.read_csv(path, dtype=str, na_filter=False)
    except pd.errors.EmptyDataError:
        return pd.DataFrame()


def _row(
    table: str, row: int, column: str, before: str, after: str, size: float = np.nan
) -> dict[str, Any]:
    return {
        "table": table,
        "row": row,
        "column": column,
        "before": before,
        "after": after,
        "relative_difference": size,
    }


def _column_difference(
    old: pd.Series, new: pd.Series, tolerance: float
) -> tuple[np.ndarray, np.ndarray]:
    """Mark cells that differ; numbers by their relative difference, other text letter by letter."""
    unequal = (old != new).to_numpy(copy=True)
    size = np.zeros(len(old))
    if unequal.any():
        a = pd.to_numeric(old[unequal], errors="coerce").to_numpy(float)
        b = pd.to_numeric(new[unequal], errors="coerce").to_numpy(float)
        scale = np.maximum(np.abs(a), np.abs(b))
        gap = np.divide(np.abs(a - b), scale, out=np.zeros_like(scale), where=scale > 0)
        both = np.isfinite(a) & np.isfinite(b)
        size[unequal] = np.where(both, gap, np.inf)
        unequal[unequal] = ~both | (gap > tolerance)
    return unequal, size


def _found(path: str, folder: Path) -> str:
    """Turn a manifest's path into one that works from here."""
    return path if not path or "://" in path else str((folder / path).resolve())
