"""Workbooks (XLSX, XLSM, XLSB, XLS, ODS): every sheet as a raw table of text.

Numbers and dates that the workbook stores as such become text that can be read one way only:
dates as ISO, numbers with a decimal point and never with exactly three decimals, which could be
taken for thousands.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from typing import Any

import numpy as np
import pandas as pd
import python_calamine as calamine

from outcomes.errors import DataError
from outcomes.records.sources.inspection import (
    largest_sheet,
    rows_of_formulas_without_result,
)
from outcomes.records.sources.raw import FileSettings, RawTable, Remark, build_raw, digest

__all__ = ["ENDINGS", "read_workbook"]

ENDINGS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")

#: An unpacked workbook may be this large at most (bytes), or this many times its packed size.
_MOST_BYTES = 3 * 2**30
_MOST_RATIO = 150
_RATIO_COUNTS_FROM = 50 * 2**20
#: And a sheet may take so many cells when laid out.
_MOST_CELLS = 30_000_000


def read_workbook(data: bytes, *, file: str, settings: FileSettings) -> list[RawTable]:
    """Read the visible sheets that hold anything (or the sheets that the settings name).

    Raises
    ------
    DataError
        If the file is damaged, locked with a password, unreasonably large when unpacked, or lacks
        a sheet that was asked for.
    """
    _refuse_bomb(data, file)
    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [
            (sheet.name, sheet.visible == calamine.SheetVisibleEnum.Visible)
            for sheet in book.sheets_metadata
            if sheet.typ == calamine.SheetTypeEnum.WorkSheet
        ]
    except calamine.PasswordError:
        raise DataError(
            f"{file}: the workbook is locked with a password. Save a copy without it."
        ) from None
    except Exception as error:  # the reader raises several kinds, and Rust panics
        raise _damaged(file) from error
    absent = [name for name in settings.sheets if name not in dict(sheets)]
    if absent:
        raise DataError(
            f"{file}: the workbook must have the sheet{'s' if len(absent) > 1 else ''} "
            f"{', '.join(absent)} that the mapping names. Correct [file] sheets."
        )
    sha256 = digest(data)
    empty = rows_of_formulas_without_result(data)
    tables: list[RawTable] = []
    unread: list[Remark] = []
    for name, visible in sheets:
        wanted = name in settings.sheets if settings.sheets else visible
        cells, merged = _cells(book, name, file)
        if not wanted:
            if any(any(cell != "" for cell in row) for row in cells):
                unread.append(_unread(name, visible, file, len(cells)))
            continue
        table = _read_sheet(cells, merged, name, file, sha256, settings)
        if table is not None:
            table.remarks.extend(
                Remark(
                    "formula without result",
                    "a formula without a stored result was read as a blank cell; open and save "
                    "the workbook in a spreadsheet program first",
                    row=row,
                )
                for row in empty.get(name, ())
            )
            tables.append(table)
    if not tables:
        raise DataError(f"{file}: the workbook holds no sheet with a header. Check the file.")
    tables[0].remarks.extend(unread)
    return tables


def _cells(
    book: calamine.CalamineWorkbook, name: str, file: str
) -> tuple[list[list[Any]], list[tuple[tuple[int, int], tuple[int, int]]]]:
    try:
        sheet = book.get_sheet_by_name(name)
        return sheet.to_python(skip_empty_area=False), list(sheet.merged_cell_ranges or [])
    except BaseException as error:  # a Rust panic is no Exception
        if isinstance(error, (KeyboardInterrupt, SystemExit, MemoryError)):
            raise
        raise _damaged(file) from error


def _unread(name: str, visible: bool, file: str, rows: int) -> Remark:
    if visible:
        rule, remedy = "sheet not read", "the mapping does not name it"
    else:
        rule, remedy = "hidden sheet", "unhide it, or name it in the mapping, if it counts"
    reason = f"the sheet with {rows:,} rows was not read; {remedy}"
    return Remark(rule, reason, file=f"{file}, sheet {name}")


def _damaged(file: str) -> DataError:
    return DataError(
        f"{file}: the workbook cannot be read; it is damaged, or not what its ending says. Open "
        "it in a spreadsheet program and save it again."
    )


def _refuse_bomb(data: bytes, file: str) -> None:
    if not data.startswith(b"PK"):
        return
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
    except (zipfile.BadZipFile, ValueError, EOFError, OSError, NotImplementedError) as error:
        raise _damaged(file) from error
    huge = unpacked > _RATIO_COUNTS_FROM and unpacked > _MOST_RATIO * len(data)
    if unpacked > _MOST_BYTES or huge:
        raise DataError(
            f"{file}: the workbook unpacks to {unpacked / 2**20:,.0f} MB, which no clinic's "
            "records need. Save the sheets that count as a new workbook."
        )
    cells = largest_sheet(data, enough=_MOST_CELLS)
    if cells > _MOST_CELLS:
        raise DataError(
            f"{file}: a sheet reaches over {cells:,} cells, most of them empty. Delete the filled "
            "cells far below or beside the table, or save the table as CSV."
        )


def _read_sheet(
    cells: list[list[Any]],
    merged: list[tuple[tuple[int, int], tuple[int, int]]],
    name: str,
    file: str,
    sha256: str,
    settings: FileSettings,
) -> RawTable | None:
    remarks: list[Remark] = []
    top = settings.header_rows.get(name, settings.header_row) - 1
    while top < len(cells) and not any(cell != "" for cell in cells[top]):
        top += 1
    if top >= len(cells):
        return None
    header = [_text(cell) or "" for cell in cells[top]]
    width = max((i + 1 for i, cell in enumerate(header) if cell.strip()), default=0)
    body = cells[top + 1 :]
    filled = _fill_merged(body, merged, top + 1)
    if filled:
        reason = (
            f"{filled:,} cells below the first of a merged block were given the block's value; "
            "check that it belongs to every row"
        )
        remarks.append(Remark("merged cells", reason))
    stray = sum(1 for row in body if any(cell != "" for cell in row[width:]))
    if stray:
        reason = f"{stray:,} rows have cells right of the last column name; these were not read"
        remarks.append(Remark("cells outside the header", reason))
    columns = [pd.Series([_text(row[i]) for row in body], dtype="str") for i in range(width)]
    rows = np.arange(top + 2, top + 2 + len(body))
    return build_raw(
        columns,
        header[:width],
        rows,
        name=name,
        file=f"{file}, sheet {name}",
        sha256=sha256,
        remarks=remarks,
    )


def _fill_merged(
    body: list[list[Any]], merged: list[tuple[tuple[int, int], tuple[int, int]]], first: int
) -> int:
    """Give each row of a block merged over several rows the block's value (first column only)."""
    count = 0
    for (top, left), (bottom, _) in merged:
        start, end = top - first, min(bottom - first, len(body) - 1)
        if start < 0 or end <= start or left >= len(body[start]) or body[start][left] == "":
            continue
        for i in range(start + 1, end + 1):
            body[i][left] = body[start][left]
            count += 1
    return count


def _text(cell: Any) -> str | None:
    """Write a cell as text that can be read one way only; None where it is empty."""
    if isinstance(cell, str):
        return cell or None
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        text = repr(cell)
        return text + "0" if re.fullmatch(r"-?\d{1,3}\.\d{3}", text) else text
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, (dt.date, dt.time)):
        return cell.isoformat()
    if isinstance(cell, dt.timedelta):
        return f"{cell.total_seconds():g} s"
    return None if cell is None else str(cell)
