"""What the commands do: run a notebook, write its page, say where everything is."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from outcomes.carried import notebook_path
from outcomes.reporting.document import page
from outcomes.reporting.notebooks import run_notebook

__all__ = ["Run", "run_check", "run_review"]

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
    progress: Progress | None = None,
) -> Run:
    """Run the quarter's review notebook and write report, workbook and tables.

    Parameters
    ----------
    data, mapping, thresholds : str
        As `outcomes.records.read_caseload` takes them; empty where not given.
    quarter : str
        As 2026Q2, or latest.
    out : str
        Folder for the results; ``outcomes_review`` in the current folder when empty.
    progress : callable, optional
        As `outcomes.reporting.notebooks.run_notebook` takes it.

    Returns
    -------
    Run
    """
    from outcomes.records.write import write_atomically

    folder = Path(out or "outcomes_review").resolve()
    folder.mkdir(parents=True, exist_ok=True)
    parameters = {
        "data": _whole_path(data),
        "mapping": _whole_path(mapping),
        "thresholds": _whole_path(thresholds),
        "quarter": quarter,
        "out": str(folder),
    }
    notebook = run_notebook(notebook_path("quarterly_review"), parameters, progress=progress)
    told = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    report = folder / f"review_{told['quarter']}.html"
    write_atomically(report, page(notebook, title=told["title"]).encode())
    lines = [*told["lines"], f"Report:   {report}", f"Workbook: {folder / told['workbook']}"]
    return Run(folder=folder, report=report, summary="\n".join(lines))


def run_check(*, data: str, mapping: str = "", out: str = "", strict: bool = False) -> str:
    """Read a caseload and sum up its ledger, as text of at most 12 lines a table."""
    from outcomes.records import read_caseload

    caseload = read_caseload(data, mapping=mapping or None, strict=strict)
    balance = caseload.balance.set_index("table")
    lines = ["table            rows in      used  set aside   changed     asked"]
    for name, row in balance.iterrows():
        numbers = "".join(f"{value:>10,}" for value in row)
        lines.append(f"{name!s:<14}{numbers}")
    rules = caseload.ledger.groupby(["rule", "action"]).size().sort_values(ascending=False)
    lines += [f"{count:>8,}  {rule} ({action})" for (rule, action), count in rules.items()]
    return "\n".join(lines)


def _whole_path(path: str) -> str:
    """Make a path whole, so that the notebook finds it from its own folder; addresses stay."""
    return path if not path or "://" in path else str(Path(path).resolve())
