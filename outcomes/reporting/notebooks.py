"""Running a notebook with parameters, as a person would with Run All.

Every notebook has one cell tagged ``parameters`` of plain assignments. A run puts a second cell
behind it with the values given. A name that the cell does not have is refused: a misspelt
parameter that is silently ignored would give the report of the wrong quarter.
"""

from __future__ import annotations

import ast
import difflib
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.errors import ArgumentError, DataError, OutcomesError

if TYPE_CHECKING:
    import nbformat

__all__ = ["NotebookError", "notebook_parameters", "read_notebook", "run_notebook"]

Progress = Callable[[int, int, str], None]


#: The kernel lives for one run: looking for unused objects less often saves a tenth of it.
_COLLECT_LESS = "--IPKernelApp.exec_lines=import gc; gc.freeze(); gc.set_threshold(20_000, 10, 10)"


class NotebookError(OutcomesError):
    """A cell of the notebook stopped with an error that this package did not word."""


def read_notebook(path: Path) -> nbformat.NotebookNode:
    """Read a notebook file.

    Raises
    ------
    DataError
        If there is no such file or it is not a notebook.
    """
    nbformat = _load_nbformat()
    try:
        return nbformat.reads(path.read_text(encoding="utf-8"), as_version=4)
    except FileNotFoundError:
        raise DataError(
            f"notebook must exist, got {path.name!r}. Give the path of a notebook."
        ) from None
    except Exception as error:
        raise DataError(
            f"{path.name} must be a Jupyter notebook; it cannot be read. Save it again in "
            f"JupyterLab, or copy a fresh one with: outcomes start FOLDER."
        ) from error


def notebook_parameters(notebook: nbformat.NotebookNode) -> dict[str, Any]:
    """Read names and defaults from the cell tagged ``parameters``.

    Raises
    ------
    DataError
        If there is not exactly one such cell, or it holds more than plain assignments.
    """
    cell = notebook.cells[_parameters_cell(notebook)]
    found: dict[str, Any] = {}
    for statement in ast.parse(cell.source).body:
        plain = isinstance(statement, ast.Assign) and isinstance(statement.targets[0], ast.Name)
        try:
            value = ast.literal_eval(statement.value) if plain else None  # type: ignore[attr-defined]
        except ValueError:
            plain = False
        if not plain:
            raise DataError(
                f"the parameters cell must hold plain assignments such as quarter = '2026Q2'; "
                f"line {statement.lineno} does not. Move it to a cell below."
            )
        found[statement.targets[0].id] = value  # type: ignore[attr-defined]
    return found


def run_notebook(
    path: Path,
    parameters: Mapping[str, Any],
    *,
    folder: Path | None = None,
    progress: Progress | None = None,
    timeout: int = 3600,
) -> nbformat.NotebookNode:
    """Run a notebook from top to bottom with these parameters.

    Parameters
    ----------
    path : Path
        The notebook. The file is not written to.
    parameters : mapping of str to value
        Values for names of its parameters cell: text, numbers, truth values, lists, None.
    folder : Path, optional
        Folder in which it runs; the current one when left out.
    progress : callable, optional
        Called with (cells done, cells in all, heading of the section at work).
    timeout : int
        Seconds that one cell may take.

    Returns
    -------
    NotebookNode
        The notebook with its outputs.

    Raises
    ------
    ArgumentError
        If a parameter is unknown to the notebook.
    NotebookError
        If a cell fails; the message is the package's own where it raised one.
    """
    notebook = read_notebook(path)

    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, DeadKernelError

    _inject(notebook, parameters)
    code = [i for i, cell in enumerate(notebook.cells) if cell.cell_type == "code"]
    headings = _headings(notebook)

    def started(cell: nbformat.NotebookNode, cell_index: int) -> None:
        if progress and cell_index in code:
            progress(code.index(cell_index), len(code), headings[cell_index])

    class PrivateKernel(AsyncKernelManager):
        """A kernel whose traffic on this machine is encrypted."""

        transport_encryption = "required"  # pyright: ignore[reportAssignmentType]

    client = NotebookClient(
        notebook,
        kernel_name="python3",
        kernel_manager_class=PrivateKernel,
        timeout=timeout,
        extra_arguments=[_COLLECT_LESS],
        resources={"metadata": {"path": str(folder or Path.cwd())}},
        on_cell_execute=started,
    )
    try:
        client.execute()
    except CellExecutionError as error:
        raise NotebookError(_last_line(error)) from error
    except DeadKernelError as error:
        raise NotebookError(
            "the notebook's kernel must stay alive; it was stopped from outside, perhaps for lack "
            "of memory. Close other programs, or give fewer clients at once."
        ) from error
    if progress:
        progress(len(code), len(code), "done")
    return notebook


def _load_nbformat() -> Any:
    """Load nbformat without the grammar of web addresses.

    jsonschema, which checks notebooks, builds that grammar when loaded if it is installed. It
    takes a second, and no notebook needs it.
    """
    grammar = "rfc3987_syntax"
    unused = "jsonschema" not in sys.modules and grammar not in sys.modules
    if unused:
        sys.modules[grammar] = None  # type: ignore[assignment]
    try:
        import nbformat
    finally:
        if unused:
            del sys.modules[grammar]
    return nbformat


def _parameters_cell(notebook: nbformat.NotebookNode) -> int:
    tagged = [
        i
        for i, cell in enumerate(notebook.cells)
        if "parameters" in cell.metadata.get("tags", []) and cell.cell_type == "code"
    ]
    if len(tagged) != 1:
        raise DataError(
            f"a notebook must have one code cell tagged 'parameters', this one has {len(tagged)}. "
            f"Tag the cell in JupyterLab's property inspector."
        )
    return tagged[0]


def _inject(notebook: nbformat.NotebookNode, parameters: Mapping[str, Any]) -> None:
    known = notebook_parameters(notebook)
    unknown = [name for name in parameters if name not in known]
    if unknown:
        close = difflib.get_close_matches(unknown[0], known, n=1)
        hint = f"Did you mean {close[0]!r}" if close else f"Choose from {', '.join(known)}"
        raise ArgumentError(f"parameters must be known to the notebook, got {unknown}. {hint}.")
    for name, value in parameters.items():
        if not _is_literal(value):
            raise ArgumentError(
                f"parameter {name} must be text, a number, true or false, a list or nothing, got "
                f"{type(value).__name__}. Give its text, e.g. '2026-06-30'."
            )
    if not parameters:
        return
    lines = [f"{name} = {value!r}" for name, value in parameters.items()]
    cell = _load_nbformat().v4.new_code_cell(
        "\n".join(lines), metadata={"tags": ["given-parameters"]}
    )
    cell.id = "given-parameters"
    notebook.cells.insert(_parameters_cell(notebook) + 1, cell)


def _is_literal(value: Any) -> bool:
    if value is None or isinstance(value, (str, bool, int, float)):
        return True
    return isinstance(value, (list, tuple)) and all(_is_literal(item) for item in value)


def _headings(notebook: nbformat.NotebookNode) -> list[str]:
    """Give the heading above each cell."""
    current, found = "start", []
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            heads = [x for x in cell.source.splitlines() if x.startswith("#")]
            current = heads[-1].lstrip("# ") if heads else current
        found.append(current)
    return found


def _last_line(error: Any) -> str:
    """Take the message of the cell's exception without its traceback."""
    if error.ename in {"ArgumentError", "DataError", "ModelError", "MissingExtraError"}:
        return str(error.evalue)
    return (
        f"the notebook must run to its end; a cell stopped with {error.ename}. Run it again with "
        f"--debug to see where, and report it with the versions in the provenance table."
    )
