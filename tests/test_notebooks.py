"""Every notebook is short, holds no outputs, and runs from top to bottom on synthetic data."""

import ast
from pathlib import Path

import nbformat
import pytest

from outcomes.reporting.notebooks import notebook_parameters, run_notebook

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
FORBIDDEN = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.AsyncFunctionDef)


def code_cells(path):
    return [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]


@pytest.fixture(params=NOTEBOOKS, ids=lambda p: p.stem)
def path(request):
    return request.param


def test_there_are_notebooks():
    assert any(p.stem == "quarterly_review" for p in NOTEBOOKS)


def test_no_outputs_are_stored(path):
    assert all(not c.outputs and c.execution_count is None for c in code_cells(path))


def test_cells_are_short_and_hold_no_logic(path):
    for cell in code_cells(path):
        parameters = "parameters" in cell.metadata.get("tags", [])
        assert len(cell.source.splitlines()) <= (16 if parameters else 9), cell.source
        logic = [n for n in ast.walk(ast.parse(cell.source)) if isinstance(n, FORBIDDEN)]
        assert not logic, cell.source


def test_prose_comes_first_and_often(path):
    cells = nbformat.read(path, as_version=4).cells
    prose = [c for c in cells if c.cell_type == "markdown"]
    assert cells[0].cell_type == "markdown" and cells[0].source.startswith("# ")
    assert len(prose) >= len(cells) / 4


def test_parameters_are_one_tagged_cell_of_plain_assignments(path):
    assert notebook_parameters(nbformat.read(path, as_version=4))


def test_it_runs_as_it_stands(path, tmp_path):
    notebook = run_notebook(path, {}, folder=tmp_path)
    cells = [c for c in notebook.cells if c.cell_type == "code"]
    assert all(c.execution_count for c in cells)
    assert not [o for c in cells for o in c.outputs if o.output_type == "error"]
    loud = [o.text for c in cells for o in c.outputs if o.get("name") == "stderr"]
    assert not loud
