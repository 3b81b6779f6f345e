"""Make ``messy_clinic.xlsx``: a receptionist's workbook with faults at known places.

Run as a script it writes, beside itself, the workbook and ``messy_clinic_faults.csv``, the answer
key: one line per planted fault with

- ``sheet`` and ``source_row`` (as a spreadsheet shows it; empty where a whole sheet, rater or
  instrument is meant), ``other_rows`` that belong to the same fault (a flag there is as good, or
  at least no false alarm), ``client`` and ``column``;
- ``kind``: what is wrong; ``action``: what a good cleaning does (``read``: understand it without
  a question, as ``expected``; ``set aside``, ``changed``, ``asked``: as in the ledger);
- ``rule``: a name for the rule, several where more than one would do (separated by ``|``).

``messy_clinic.toml`` beside it is the mapping under which the workbook is read. Rows that the key
does not name are clean: apart from the rater who rounds and the instrument that drifts, no rule
has a reason to flag them.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from data_synthetic.messy_base import HEADERS, SHEETS, Book, Formula, make_book
from data_synthetic.messy_cells import plant_cells
from data_synthetic.messy_planter import Fault, Planter
from data_synthetic.messy_series import plant_series
from data_synthetic.messy_sheets import MERGED_FORM, plant_sheets

__all__ = ["FIRST_ROW", "make_messy_clinic", "write_messy_clinic"]

SEED = 1908
#: Title and group line stand above the header; the first row of data as a spreadsheet shows it.
HEADER_ROW = 3
FIRST_ROW = HEADER_ROW + 1


def make_messy_clinic(rng: np.random.Generator) -> tuple[Book, pd.DataFrame]:
    """Draw the clean clinic, plant every fault, and give the sheets with the answer key."""
    book = make_book(rng)
    planter = Planter(book, rng)
    plant_series(planter)
    plant_cells(planter)
    plant_sheets(planter)
    return book, _answer_key(book, planter.faults)


def _answer_key(book: Book, faults: list[Fault]) -> pd.DataFrame:
    place = {
        id(row): (name, FIRST_ROW + i)
        for name, rows in book.sheets.items()
        for i, row in enumerate(rows)
    }
    lines = []
    for number, fault in enumerate(faults, start=1):
        row, others = fault.row, sorted({place[id(o)] for o in fault.others if o is not fault.row})
        lines.append(
            {
                "fault": number,
                "sheet": fault.sheet,
                "source_row": "" if row is None else place[id(row)][1],
                "other_rows": ";".join(f"{name}!{line}" for name, line in others),
                "client": "" if row is None else row.get("_who", row.get("Pt no") or ""),
                "column": fault.column,
                "kind": fault.kind,
                "action": fault.action,
                "rule": fault.rule,
                "expected": fault.expected,
            }
        )
    return pd.DataFrame(lines)


def write_messy_clinic(book: Book, path: Path) -> None:
    """Write the workbook; the same sheets give the same bytes."""
    with xlsxwriter.Workbook(path) as workbook:
        workbook.set_properties({"created": dt.datetime(2026, 7, 1), "title": "clinic"})
        formats = {
            "date": workbook.add_format({"num_format": "dd/mm/yyyy"}),
            "title": workbook.add_format({"bold": True, "align": "center"}),
            "header": workbook.add_format({"bold": True}),
        }
        for name in SHEETS:
            _write_sheet(workbook.add_worksheet(name), name, book.sheets[name], formats)
        hidden = workbook.add_worksheet("old list")
        for line, code in enumerate(("Pt no", "P001", "P002", "P003")):
            hidden.write_string(line, 0, code)
        hidden.hide()


def _write_sheet(sheet: Any, name: str, rows: list[dict[str, Any]], formats: dict) -> None:
    headers = HEADERS[name]
    sheet.merge_range(0, 0, 0, len(headers) - 1, f"{name} - please do not sort", formats["title"])
    if "Flexion before" in headers:
        first = headers.index("Flexion before")
        sheet.merge_range(1, first, 1, first + 7, "what we measured", formats["title"])
    for column, header in enumerate(headers):
        sheet.write_string(HEADER_ROW - 1, column, header, formats["header"])
    merged = [i for i, row in enumerate(rows) if row.get(MERGED_FORM)]
    for i, row in enumerate(rows):
        for column, header in enumerate(headers):
            if not (i in merged and header == "Pt no"):
                _write_cell(sheet, HEADER_ROW + i, column, row.get(header), formats["date"])
        if "_stray" in row:
            sheet.write_string(HEADER_ROW + i, len(headers) + 1, row["_stray"])
    if merged:
        sheet.merge_range(HEADER_ROW + merged[0], 0, HEADER_ROW + merged[-1], 0,
                          rows[merged[0]]["Pt no"])  # fmt: skip


def _write_cell(sheet: Any, row: int, column: int, cell: Any, date_format: Any) -> None:
    if cell is None:
        return
    if isinstance(cell, Formula):
        result = "" if cell.result is None else cell.result
        sheet.write_formula(row, column, cell.text, None, result)
    elif isinstance(cell, dt.date):
        sheet.write_datetime(row, column, dt.datetime.combine(cell, dt.time()), date_format)
    elif isinstance(cell, str):
        sheet.write_string(row, column, cell)
    else:
        sheet.write_number(row, column, cell)


def main() -> None:
    """Write the workbook and its answer key."""
    parser = argparse.ArgumentParser(description="Make the messy workbook.")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    folder = parser.parse_args().out
    book, key = make_messy_clinic(np.random.default_rng(SEED))
    write_messy_clinic(book, folder / "messy_clinic.xlsx")
    key.to_csv(folder / "messy_clinic_faults.csv", index=False, lineterminator="\n")
    print(f"{len(key)} faults of {key['kind'].nunique()} kinds")


if __name__ == "__main__":
    main()
