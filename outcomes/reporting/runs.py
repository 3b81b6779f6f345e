"""What the commands do: run a notebook, write its page, say where everything is."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from outcomes.carried import notebook_path, synthetic_caseload
from outcomes.errors import DataError
from outcomes.records import read_caseload
from outcomes.records.mapping.proposal import propose_mapping
from outcomes.records.write import csv_bytes, write_atomically
from outcomes.reporting.archive import write_crate
from outcomes.reporting.compare import compare_runs, comparison_page
from outcomes.reporting.document import page
from outcomes.reporting.input_rows import INPUT_ROWS, write_input_rows
from outcomes.reporting.ledger_page import ledger_page, ledger_summary_lines
from outcomes.reporting.manifest import (
    MANIFEST,
    Manifest,
    describe_carried,
    describe_files,
    input_files,
    nearest_path,
)
from outcomes.reporting.notebooks import run_notebook
from outcomes.reporting.printing import print_to_pdf
from outcomes.reporting.unattended import locked

__all__ = ["Run", "run_check", "run_map", "run_review"]

_PATHS = ("data", "mapping", "thresholds", "settings")
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Run:
    """Where a run put its results, and what to tell at once (at most 12 lines)."""

    folder: Path
    report: Path
    summary: str


def run_review(
    *,
    data: str,
    mapping: str = "",
    quarter: str = "latest",
    out: str = "",
    thresholds: str = "",
    settings: str = "",
    names: bool = False,
    pdf: bool = False,
    compare: str = "",
    progress: Progress | None = None,
) -> Run:
    """Run the quarter's review notebook and write report, workbook and tables.

    Parameters
    ----------
    data, mapping, thresholds : str
        As `outcomes.records.read_caseload` takes them; empty where not given.
    settings : str
        The clinic's settings file; empty for defaults.
    quarter : str
        As 2026Q2, or latest.
    names : bool
        Show the codes of practitioners.
    out : str
        Folder for the results; ``outcomes_review`` in the current folder when empty.
    pdf : bool
        Also print the report to PDF.
    compare : str
        Folder of an earlier run, to show what moved since.
    progress : callable, optional
        As `outcomes.reporting.notebooks.run_notebook` takes it.

    Returns
    -------
    Run
    """
    folder = Path(out or "outcomes_review").resolve()
    parameters = {
        "data": "" if data == str(synthetic_caseload()) else _whole_path(data),
        "mapping": _whole_path(mapping),
        "thresholds": _whole_path(thresholds),
        "settings": _whole_path(settings),
        "quarter": quarter,
        "names": names,
        "out": str(folder),
    }
    begun = time.monotonic()
    with locked(folder):
        notebook = run_notebook(notebook_path("quarterly_review"), parameters, progress=progress)
        told = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        report = folder / f"review_{told['quarter']}.html"
        write_atomically(report, page(notebook, title=told["title"]).encode())
        lines = [*told["lines"], f"Report:   {report}", f"Workbook: {folder / told['workbook']}"]
        if pdf:
            lines.append(f"PDF:      {print_to_pdf(report, report.with_suffix('.pdf'))}")
        seconds = time.monotonic() - begun
        _write_manifest("review", folder, parameters, told, seconds=seconds)
        if compare:
            lines += _compare(Path(compare), folder)
    return Run(folder=folder, report=report, summary="\n".join(lines))


def _compare(earlier: Path, folder: Path) -> list[str]:
    found = compare_runs(earlier, folder)
    text = comparison_page(found, title=f"What moved since {earlier.resolve().name}")
    target = write_atomically(folder / "compared.html", text.encode())
    return [*found.summary[:2], f"Compared: {target}"]


def _write_manifest(
    command: str, folder: Path, parameters: dict[str, Any], told: dict[str, Any], *, seconds: float
) -> None:
    """Write the manifest over all files of a run, then describe them for archives."""
    paths = [parameters[name] for name in _PATHS if parameters[name]]
    carried = [] if parameters["data"] else input_files(str(synthetic_caseload()))
    inputs = [path for source in paths for path in input_files(source)]
    outputs = [folder / name for name in told["files"]]
    given = {
        name: nearest_path(Path(value), folder) if value in paths and "://" not in value else value
        for name, value in parameters.items()
        if name != "out"
    }
    manifest = Manifest(
        command=command,
        parameters=given,
        inputs=describe_files(inputs, folder=folder) + describe_carried(carried),
        outputs=describe_files(outputs, folder=folder),
        thresholds=told["thresholds"],
        rows=told["rows"],
        seeds=told.get("seeds", {}),
        seconds=round(seconds, 2),
    )
    write_atomically(folder / MANIFEST, manifest.to_json().encode())
    source = parameters["data"] or str(synthetic_caseload())
    write_input_rows(folder / INPUT_ROWS, data=source, mapping=parameters["mapping"])
    write_crate(folder, title=told["title"], description=told["lines"][0], made=manifest.made)


def run_check(*, data: str, mapping: str = "", out: str = "", strict: bool = False) -> Run:
    """Read a caseload, compute nothing, and write its ledger as CSV and as a page.

    Parameters
    ----------
    data, mapping : str
        As `outcomes.records.read_caseload` takes them; empty where not given.
    out : str
        Folder for the ledger; ``outcomes_check`` in the current folder when empty.
    strict : bool
        Stop at the first table with a refusal, listing all of them.

    Returns
    -------
    Run
    """
    caseload = read_caseload(data, mapping=mapping or None, strict=strict)
    folder = Path(out or "outcomes_check").resolve()
    page_path = write_atomically(folder / "ledger.html", ledger_page(caseload).encode())
    csv_path = write_atomically(folder / "ledger.csv", csv_bytes(caseload.ledger))
    lines = [*ledger_summary_lines(caseload), f"Page:  {page_path}", f"Table: {csv_path}"]
    return Run(folder=folder, report=page_path, summary="\n".join(lines))


def run_map(file: str, *, sheet: str = "", out: str = "") -> Run:
    """Propose a mapping for a file and write it beside the current folder's files.

    Parameters
    ----------
    file : str
        The clinic's own file.
    sheet : str
        Sheet of a workbook; the one with most readings when empty.
    out : str
        Mapping file to write; named after the file when empty. An existing one is not replaced.

    Returns
    -------
    Run
    """
    proposal = propose_mapping(file, sheet=sheet or None)
    path = Path(out or f"{Path(file).stem}.toml").resolve()
    if path.exists():
        raise DataError(f"{path.name} must not exist yet. Give another name with --out.")
    write_atomically(path, proposal.toml.encode())
    lines = [f"{row.column!s:<28.28} {row.understood_as}" for row in proposal.columns.itertuples()]
    questions = [f"? {question}" for question in proposal.questions]
    summary = [*lines, *questions, f"Mapping: {path}", "Check every line of it before use."]
    return Run(folder=path.parent, report=path, summary="\n".join(summary))


def _whole_path(path: str) -> str:
    """Make a path whole, so that the notebook finds it from its own folder; addresses stay."""
    return path if not path or "://" in path else str(Path(path).resolve())
