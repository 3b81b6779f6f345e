"""A notebook as a plain script: the same cells, top to bottom, that print what they show."""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping
from html import unescape
from pathlib import Path
from typing import Any

from nbformat import NotebookNode

from outcomes.errors import ArgumentError
from outcomes.reporting.notebooks import notebook_parameters, read_notebook
from outcomes.reporting.picture import Gallery, Picture

__all__ = ["notebook_as_script", "show"]


def notebook_as_script(path: str | Path, parameters: Mapping[str, Any] | None = None) -> str:
    """Write a notebook as a Python script with its prose as comments.

    Use to keep an analysis under version control, to run it without Jupyter, or to edit it in
    another editor. What a cell shows, the script prints as text: tables as lines, figures as their
    alternative text.

    Parameters
    ----------
    path : str or Path
        The notebook. It is not run and not changed.
    parameters : mapping of str to value, optional
        Values for names of its parameters cell; its own otherwise.

    Returns
    -------
    str
        Text of a script that runs as it stands.

    Raises
    ------
    DataError
        If there is no such notebook, or it cannot be read.
    ArgumentError
        If a parameter is unknown to it.
    """
    from nbconvert import PythonExporter

    notebook = read_notebook(Path(path))
    _set(notebook, parameters or {})
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    shown = False
    for cell in code:
        cell.source, changed = _shown(cell.source)
        shown |= changed
    if shown:
        line = "from outcomes.reporting.scripting import show"
        code[0].source = f"{code[0].source}\n{line}"
    text, _ = PythonExporter(exclude_input_prompt=True).from_notebook_node(notebook)
    text = re.sub(r"\A(#!.*\n)?(# coding.*\n)?\n*", "", text)
    return re.sub(r"\n{3,}", "\n\n", text).rstrip() + "\n"


def show(value: Any) -> None:
    """Print what a notebook would show: figures by their words, tables and sentences as text."""
    text = _text_of(value)
    if text:
        print(text, end="\n\n")


def _set(notebook: NotebookNode, parameters: Mapping[str, Any]) -> None:
    """Write other values below the defaults of the parameters cell."""
    known = notebook_parameters(notebook) if parameters else {}
    unknown = [name for name in parameters if name not in known]
    if unknown:
        raise ArgumentError(
            f"parameters must be known to the notebook, got {unknown}. Choose from "
            f"{', '.join(known)}."
        )
    lines = [f"{name} = {value!r}" for name, value in parameters.items() if value != known[name]]
    for cell in notebook.cells:
        if lines and "parameters" in cell.metadata.get("tags", []):
            cell.source = "\n".join([cell.source, *lines])


def _shown(source: str) -> tuple[str, bool]:
    """Wrap the last expression of a cell, which a notebook would show, into `show`."""
    body = ast.parse(source).body
    if not body or not isinstance(body[-1], ast.Expr):
        return source, False
    last = body[-1]
    lines = source.splitlines()
    words = "\n".join(lines[last.lineno - 1 : last.end_lineno])
    before = "\n".join(lines[: last.lineno - 1])
    return f"{before}\nshow({words})".lstrip("\n"), True


def _text_of(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, Picture):
        return f"[Figure] {value.alt}"
    if isinstance(value, Gallery):
        return "\n".join(_text_of(picture) for picture in value.pictures)
    page = getattr(value, "_repr_html_", None)
    if page is None or not callable(page) or hasattr(value, "to_string"):
        return value.to_string() if hasattr(value, "to_string") else str(value)
    return _plain(str(page()))


def _plain(page: str) -> str:
    """Turn a piece of page into lines of text: a line a row, a figure by its words."""
    page = re.sub(r'<img alt="([^"]*)"[^>]*>', r"[Figure] \1\n", page)
    page = re.sub(r"</(th|td)>\s*<(th|td)[^>]*>", " | ", page)
    page = re.sub(r"</(tr|p|li|caption|h\d|figcaption|summary|div|section)>", "\n", page)
    text = unescape(re.sub(r"<[^>]+>", "", page))
    return re.sub(r"\n\s*\n+", "\n", text).strip()
