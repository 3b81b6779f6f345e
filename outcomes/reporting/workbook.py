"""The workbook beside the report: one sheet an idea, frozen headings, every column defined.

Text is written as text: nothing that stands in a clinic's file can become a formula here.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_rowcol_to_cell

from outcomes.glossary import COLUMNS

__all__ = ["Sheet", "workbook"]

_SHARES = ("share", "ci_low_share", "ci_high_share")
_LINE = 15.0  # height of a line of text, in points
_ONE_PAGE = 18  # columns that still read well on the width of one page
_WRAPPED = ("meaning", "text", "reason")
_WIDE = {"verdict": 46, "reason": 42, "meaning": 80, "notes": 60, "source": 60, "text": 100}
_WHOLE = ("days", "visits_to_line_50", "visits_to_line_80")  # numbers that may be empty


@dataclass(frozen=True)
class Sheet:
    """One sheet: a title, a table, and a sentence above it.

    Attributes
    ----------
    name : str
        Tab name, at most 31 characters.
    frame : DataFrame
        Its rows.
    note : str
        What one row is.
    hidden : bool
        True to hide the tab until the reader asks for it.
    headings : dict of str to str
        Headings in words for some columns; the glossary's name otherwise.
    printed : tuple of str
        Columns that print and stand first; all in their order where empty. The others stand to
        their right, for the screen.
    formulas : dict of str to list of str
        Column -> per row, how a reader would check the number, with columns in braces:
        ``{latest_value} - {start_value}``. An empty text leaves the plain number.
    """

    name: str
    frame: pd.DataFrame
    note: str = ""
    hidden: bool = False
    headings: dict[str, str] = field(default_factory=dict)
    printed: tuple[str, ...] = ()
    formulas: dict[str, list[str]] = field(default_factory=dict)


def workbook(sheets: list[Sheet]) -> bytes:
    """Write sheets, and a last one that defines their columns, as an .xlsx file.

    Returns
    -------
    bytes
        The file.
    """
    store = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    with xlsxwriter.Workbook(store, options) as book:
        looks = _looks(book)
        for sheet in [*sheets, _definitions(sheets)]:
            _write(book, _printed_first(sheet), looks)
    return store.getvalue()


def _looks(book: xlsxwriter.Workbook) -> dict[str, Any]:
    base = {"font_name": "Calibri", "font_size": 10, "valign": "top"}
    head = {"bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"}
    return {
        "title": book.add_format({**base, "bold": True, "font_size": 14}),
        "note": book.add_format({**base, "font_color": "#5b6975", "italic": True}),
        "head": book.add_format({**base, **head, "align": "left", "indent": 1}),
        "head of numbers": book.add_format({**base, **head, "align": "right"}),
        "text": book.add_format({**base, "text_wrap": False, "align": "left", "indent": 1}),
        "wrap": book.add_format({**base, "text_wrap": True, "align": "left", "indent": 1}),
        "number": book.add_format({**base, "num_format": "#,##0.0;-#,##0.0;0.0"}),
        "fine": book.add_format({**base, "num_format": "0.00"}),
        "whole": book.add_format({**base, "num_format": "#,##0"}),
        "share": book.add_format({**base, "num_format": "0%"}),
        "date": book.add_format({**base, "num_format": "yyyy-mm-dd"}),
    }


def _definitions(sheets: list[Sheet]) -> Sheet:
    used = dict.fromkeys(str(c) for sheet in sheets for c in sheet.frame.columns)
    frame = pd.DataFrame(
        [{"column": c, "meaning": COLUMNS[c]} for c in used if c in COLUMNS],
        columns=["column", "meaning"],
    )
    return Sheet("Definitions", frame, "What each column means.")


def _printed_first(sheet: Sheet) -> Sheet:
    """Put the columns that print before those that do not, leaving out what the frame lacks."""
    if not sheet.printed or sheet.frame.empty:
        return replace(sheet, printed=())
    first = [c for c in sheet.printed if c in sheet.frame]
    rest = [c for c in sheet.frame.columns if c not in first]
    note = f"{sheet.note} Columns to the right of {_heading(sheet, first[-1])} do not print."
    return replace(
        sheet,
        frame=sheet.frame[[*first, *rest]],
        printed=tuple(first),
        note=note if rest else sheet.note,
    )


def _heading(sheet: Sheet, column: str) -> str:
    return sheet.headings.get(column, column.replace("_", " "))


def _write(book: xlsxwriter.Workbook, sheet: Sheet, looks: dict[str, Any]) -> None:
    page = book.add_worksheet(sheet.name)
    page.write_string(0, 0, sheet.name, looks["title"])
    page.write_string(1, 0, sheet.note, looks["note"])
    top = 3
    for j, column in enumerate(sheet.frame.columns):
        heading = _heading(sheet, str(column))
        look = _look_of(str(column), sheet.frame[column])
        words = look in ("text", "wrap")
        page.write_string(top, j, heading, looks["head" if words else "head of numbers"])
        _write_column(page, top + 1, j, sheet.frame[column], looks[look])
        if column in sheet.formulas:
            _write_formulas(page, top + 1, sheet, str(column), looks[look])
        page.set_column(j, j, _width(str(column), heading, sheet.frame[column], look))
    page.set_row(top, 3 * _LINE)
    _set_heights(page, top + 1, sheet.frame)
    last_row, last_column = top + max(len(sheet.frame), 1), max(len(sheet.frame.columns) - 1, 0)
    page.freeze_panes(top + 1, 1)
    if len(sheet.frame):
        page.autofilter(top, 0, last_row, last_column)
    page.repeat_rows(top)
    printed = (len(sheet.printed) or len(sheet.frame.columns)) or 1
    page.print_area(0, 0, last_row, printed - 1)
    page.set_landscape()
    page.set_paper(9)
    page.repeat_columns(0)
    page.fit_to_pages(1 if printed <= _ONE_PAGE else 2, 0)
    page.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    page.set_footer("&L&A&RPage &P of &N")
    if sheet.hidden:
        page.hide()


def _set_heights(page: Any, top: int, frame: pd.DataFrame) -> None:
    """Give rows of wrapped text the height of their lines; not every program does so itself."""
    wrapped = [column for column in frame.columns if column in _WRAPPED]
    for i, row in enumerate(frame[wrapped].itertuples(index=False), start=top):
        lines = [-(-len(str(v)) // _WIDE[c]) for v, c in zip(row, wrapped, strict=True)]
        if max(lines, default=1) > 1:
            page.set_row(i, max(lines) * _LINE)


def _write_column(page: Any, top: int, j: int, values: pd.Series, look: Any) -> None:
    for i, value in enumerate(values.tolist(), start=top):
        if value is None or value is pd.NA or value is pd.NaT or value != value:
            page.write_blank(i, j, None, look)
        elif isinstance(value, pd.Timestamp):
            page.write_datetime(i, j, value.to_pydatetime(), look)
        elif isinstance(value, bool):
            page.write_string(i, j, "yes" if value else "no", look)
        elif isinstance(value, (int, float)):
            page.write_number(i, j, value, look)
        else:
            page.write_string(i, j, str(value), look)


def _write_formulas(page: Any, top: int, sheet: Sheet, column: str, look: Any) -> None:
    """Write formulas over the numbers of a column, with the numbers as their stored results."""
    columns = [str(c) for c in sheet.frame.columns]
    j = columns.index(column)
    for i, (template, value) in enumerate(
        zip(sheet.formulas[column], sheet.frame[column].tolist(), strict=True)
    ):
        if not template or value is None or value is pd.NA or value != value:
            continue
        cells = {c: xl_rowcol_to_cell(top + i, k) for k, c in enumerate(columns)}
        page.write_formula(top + i, j, "=" + template.format(**cells), look, value)


def _look_of(column: str, values: pd.Series) -> str:
    if pd.api.types.is_datetime64_any_dtype(values):
        return "date"
    if pd.api.types.is_bool_dtype(values):
        return "text"
    if pd.api.types.is_integer_dtype(values):
        return "whole"
    if pd.api.types.is_numeric_dtype(values):
        if column.startswith(("share", "chance", "follow")) or column in _SHARES:
            return "share"
        if column in _WHOLE:
            return "whole"
        return "fine" if column in {"standardised", "p_value", "ci_level", "df"} else "number"
    return "wrap" if column in _WRAPPED else "text"


def _width(column: str, heading: str, values: pd.Series, look: str) -> float:
    if column in _WIDE:
        return _WIDE[column]
    longest = max((len(str(v)) for v in values.head(200)), default=0) + 3 if look == "text" else 9
    words = [len(w) for w in heading.split()] or [0]
    return min(max(longest, max(words) + 2, 8), 48)
