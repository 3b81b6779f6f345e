"""Text that is safe to open in a spreadsheet, and files that only their owner can read."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from outcomes.errors import DataError

__all__ = ["harmless", "harmless_text", "write_owner_only"]

#: What makes a spreadsheet take text for a formula: = + - @, plain or full width, also after
#: blanks and invisible letters; or a tab or line break in front.
_RISKY = re.compile("^(?:[\\s\u200b\u2060\ufeff\x00-\x1f]*[=+\\-@＝＋－＠]|[\t\r\n])")

_Table = TypeVar("_Table", pd.DataFrame, pd.Series)


def harmless(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would run as a formula.

    Carriage returns become line feeds: a CSV writer leaves a bare one unquoted, and what follows
    it would start a row of its own.

    Examples
    --------
    >>> harmless("=1+1"), harmless("  @cmd"), harmless("neck"), harmless("'=1+1")
    ("'=1+1", "'  @cmd", 'neck', "'=1+1")
    """
    safe = "'" + text if _RISKY.match(text) else text
    return safe.replace("\r\n", "\n").replace("\r", "\n") if "\r" in safe else safe


def harmless_text(table: _Table) -> _Table:
    """Make every text of a table harmless: cells, categories, column names and row labels.

    Use before a table is written as CSV or into a workbook. Numbers and dates stay as they are;
    doing it twice changes nothing.

    Parameters
    ----------
    table : DataFrame or Series
        Any table.

    Returns
    -------
    DataFrame or Series
        A copy.

    Notes
    -----
    In CSV the apostrophe is seen as part of the text; that is the price of the protection.

    Examples
    --------
    >>> harmless_text(pd.DataFrame({"note": ["=2*3", "fine"], "value": [-1, 2]})).values.tolist()
    [["'=2*3", -1], ['fine', 2]]
    """
    if isinstance(table, pd.Series):
        return _series(table)
    columns = [_series(table.iloc[:, i]) for i in range(table.shape[1])]
    safe = pd.concat(columns, axis=1) if columns else table.copy()
    safe.columns = _labels(table.columns)
    safe.index = _labels(table.index)
    return safe


def _series(series: pd.Series) -> pd.Series:
    safe = series.copy()
    if isinstance(safe.dtype, pd.CategoricalDtype):
        safe = safe.astype(object)
    if safe.dtype == object or isinstance(safe.dtype, pd.StringDtype):
        safe = safe.map(_cell, na_action="ignore").astype(safe.dtype)
    safe.index = _labels(safe.index)
    safe.name = _cell(safe.name)
    return safe


def _labels(index: pd.Index) -> pd.Index:
    if isinstance(index, pd.MultiIndex):
        tuples = [tuple(_cell(part) for part in label) for label in index]
        names = [_cell(name) for name in index.names]
        return pd.MultiIndex.from_tuples(tuples, names=names) if tuples else index
    if index.dtype == object or isinstance(index.dtype, pd.StringDtype):
        return pd.Index(
            [_cell(label) for label in index], name=_cell(index.name), dtype=index.dtype
        )
    return index.rename(_cell(index.name))


def _cell(value: Any) -> Any:
    return harmless(value) if isinstance(value, str) else value


def write_owner_only(path: str | Path, text: str) -> Path:
    """Write a new file that only its owner can read and write (mode 0600), whole or not at all.

    Parameters
    ----------
    path : path
        Must not exist yet: a key that is overwritten is lost.
    text : str
        The content, written as UTF-8.

    Returns
    -------
    Path

    Raises
    ------
    DataError
        If the file exists, or cannot be written.

    Notes
    -----
    The mode is set when the file is made, so that at no moment others can read it. On systems
    without such modes the folder's own protection holds.
    """
    path = Path(path)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise DataError(
            f"key file must not exist yet; {path.name} does. Give another name, or move it away."
        ) from None
    except OSError:
        raise DataError(
            f"key file must be in a folder that can be written to; {path.name} is not. "
            "Check its place."
        ) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        path.unlink(missing_ok=True)
        raise DataError(f"key file {path.name} must fit on the disk. Make room.") from None
    return path
