"""A raw table: text cells as the source has them, each row with its number in the source."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["Cells", "FileSettings", "RawTable", "Remark", "build_raw", "digest", "plain_name"]


@dataclass(frozen=True)
class FileSettings:
    """How to open a file, where it does not say so itself (the ``[file]`` part of a mapping)."""

    sheets: tuple[str, ...] = ()
    header_row: int = 1
    header_rows: Mapping[str, int] = field(default_factory=dict)
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    date_order: str | None = None
    pairs: str | None = None
    missing: tuple[str, ...] = ()
    hidden_sheets: bool = False
    codes: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Remark:
    """Something about a file, or one row of it, that a person should know: goes to the ledger."""

    rule: str
    reason: str
    row: int | None = None
    file: str = ""


class Cells:
    """Columns of text, trimmed when first asked for: blank cells are missing.

    Examples
    --------
    >>> Cells([["a ", " "], ["1", "2"]], 2)[0].tolist()
    ['a', nan]
    """

    def __init__(self, columns: list[Any], n_rows: int, kept: np.ndarray | None = None) -> None:
        self._columns = columns
        self._kept = kept
        self._trimmed: dict[int, pd.Series] = {}
        self.index = pd.RangeIndex(n_rows if kept is None else int(kept.sum()))

    def __len__(self) -> int:
        return len(self._columns)

    def __getitem__(self, place: int) -> pd.Series:
        if place not in self._trimmed:
            column = pd.Series(self._columns[place], dtype="str")
            if self._kept is not None:
                column = column.loc[self._kept].reset_index(drop=True)
            self._trimmed[place] = _trimmed(column)
        return self._trimmed[place]

    def keep(self, kept: np.ndarray) -> Cells:
        """Give the same cells without some rows."""
        return Cells(self._columns, len(kept), kept)


@dataclass(frozen=True, eq=False)
class RawTable:
    """One sheet, file or database table as text.

    Attributes
    ----------
    name : str
        Sheet name, file name without ending, or name of the database table.
    file : str
        File name for the ledger, without folder, and with the sheet or table where there are
        several: ``"clinic.xlsx, sheet ROM"``.
    sha256 : str
        Hash of the file's bytes.
    cells : Cells
        Text cells by position of the column.
    headers : list of str
        The header cells, in order, as the source has them (trimmed).
    rows : array of int
        Row number in the source of each row of `cells`.
    torn : DataFrame
        Rows that do not fit the header: columns `source_row` and `reason`.
    formats : dict
        What a data package declares by column (header to format), such as the order of dates.
    missing : tuple of str
        Words for "no value" that a data package declares.
    remarks : list of Remark
        What a person should know about the file.
    """

    name: str
    file: str
    sha256: str
    cells: Cells
    headers: list[str]
    rows: np.ndarray
    torn: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            {"source_row": pd.Series(dtype="Int64"), "reason": pd.Series(dtype="str")}
        )
    )
    formats: dict[str, dict[str, Any]] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    remarks: list[Remark] = field(default_factory=list)

    def find(self, header: str) -> list[int]:
        """Give the positions of the columns with this header: exact, else by its plain name."""
        exact = [i for i, name in enumerate(self.headers) if name == header]
        if exact:
            return exact
        return self.find_plain(header)

    def find_plain(self, header: str) -> list[int]:
        """Give the positions of the columns with this plain name."""
        wanted = plain_name(header)
        return [i for i, name in enumerate(self._plain) if name == wanted]

    @cached_property
    def _plain(self) -> list[str]:
        return [plain_name(name) for name in self.headers]


def plain_name(header: str) -> str:
    """Reduce a header to small letters, digits and single underscores.

    Examples
    --------
    >>> plain_name(" Birth Year ")
    'birth_year'
    """
    text = unicodedata.normalize("NFKC", header).casefold()
    return re.sub(r"[^\w]+", "_", text).strip("_")


def digest(data: bytes) -> str:
    """Hash the bytes of a file."""
    return hashlib.sha256(data).hexdigest()


def build_raw(
    columns: list[Any],
    headers: list[str],
    rows: np.ndarray,
    *,
    name: str,
    file: str,
    sha256: str,
    **more: Any,
) -> RawTable:
    """Trim cells and headers, turn blanks into missing, and leave out rows without any cell."""
    cells = Cells(columns, len(rows))
    filled = np.zeros(len(rows), dtype=bool)
    for i in range(len(columns)):
        if filled.all():
            break
        filled |= cells[i].notna().to_numpy()
    if not filled.all():
        cells, rows = cells.keep(filled), rows[filled]
    return RawTable(
        name=name,
        file=file,
        sha256=sha256,
        cells=cells,
        headers=[" ".join(header.split()) for header in headers],
        rows=rows,
        **more,
    )


def _trimmed(series: pd.Series) -> pd.Series:
    """Strip white space (of any script) around each cell; blank becomes missing."""
    stripped = series.str.strip(" \t\r\n\x0b\x0c\u00a0\u2007\u202f\u3000\ufeff\u200b\u200e\u200f")
    marked = stripped.str.startswith("'").fillna(False).to_numpy(dtype=bool)
    if marked.any():
        # Spreadsheets, and our own writer, put ' before text that must not run as a formula.
        bare = stripped[marked].str.replace(
            r"^'(?=[ '\u00a0]*[=+\-@\t\r\n＝＋－＠])", "", regex=True
        )
        stripped = stripped.copy()
        stripped[marked] = bare
    return stripped.where(stripped != "", None)
