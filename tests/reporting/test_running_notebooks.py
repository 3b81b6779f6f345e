"""Parameters are checked before anything runs, and failures are one sentence."""

import nbformat
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.reporting.notebooks import (
    NotebookError,
    notebook_parameters,
    read_notebook,
    run_notebook,
)


def write(path, *sources, tag_first=True):
    notebook = nbformat.v4.new_notebook()
    notebook.cells = [nbformat.v4.new_code_cell(source) for source in sources]
    if tag_first:
        notebook.cells[0].metadata["tags"] = ["parameters"]
    nbformat.write(notebook, path)
    return path


def test_parameters_are_read_from_the_tagged_cell(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1\nb = 'x'  # a comment\nc = None")
    assert notebook_parameters(read_notebook(path)) == {"a": 1, "b": "x", "c": None}


def test_given_parameters_win_and_progress_is_told(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1", "print(a)")
    told = []
    done = run_notebook(path, {"a": 2}, progress=lambda *x: told.append(x))
    assert done.cells[-1].outputs[0].text == "2\n"
    assert told[-1] == (3, 3, "done")
    assert [t[0] for t in told] == sorted(t[0] for t in told)


def test_an_unknown_parameter_is_refused_with_the_near_match(tmp_path):
    path = write(tmp_path / "a.ipynb", "quarter = 'latest'")
    with pytest.raises(ArgumentError, match=r"got \['quater'\]. Did you mean 'quarter'"):
        run_notebook(path, {"quater": "2026Q1"})


def test_a_parameter_that_is_no_literal_is_refused(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1")
    with pytest.raises(ArgumentError, match="parameter a must be text, a number"):
        run_notebook(path, {"a": object()})


def test_logic_in_the_parameters_cell_is_refused(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1\nimport os")
    with pytest.raises(DataError, match="plain assignments.*line 2 does not"):
        run_notebook(path, {})


def test_exactly_one_parameters_cell(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1", tag_first=False)
    with pytest.raises(DataError, match="one code cell tagged 'parameters', this one has 0"):
        run_notebook(path, {})


def test_our_own_errors_come_through_word_for_word(tmp_path):
    source = "from outcomes.errors import DataError\nraise DataError('date must be a date.')"
    path = write(tmp_path / "a.ipynb", "a = 1", source)
    with pytest.raises(NotebookError, match=r"^date must be a date\.$"):
        run_notebook(path, {})


def test_other_errors_are_one_sentence_without_their_text(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1", "raise KeyError('Ms Example')")
    with pytest.raises(NotebookError, match="stopped with KeyError") as error:
        run_notebook(path, {})
    assert "Example" not in str(error.value)


def test_a_killed_kernel_is_noticed(tmp_path):
    path = write(tmp_path / "a.ipynb", "a = 1", "import os\nos.kill(os.getpid(), 9)")
    with pytest.raises(NotebookError, match="kernel must stay alive"):
        run_notebook(path, {})


def test_files_that_are_no_notebooks(tmp_path):
    (tmp_path / "b.ipynb").write_text("hello")
    with pytest.raises(DataError, match="must be a Jupyter notebook"):
        read_notebook(tmp_path / "b.ipynb")
    with pytest.raises(DataError, match="notebook must exist"):
        read_notebook(tmp_path / "c.ipynb")
