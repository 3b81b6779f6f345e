"""Faults that sit in one cell of a visit: dates, numbers, units, words, sides."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

from data_synthetic.messy_base import Formula, Row
from data_synthetic.messy_planter import Planter

__all__ = ["plant_cells"]

_SERIAL_START = dt.date(1899, 12, 30)


def plant_cells(planter: Planter) -> None:
    """Plant all of them."""
    _dates(planter)
    _numbers(planter)
    _units(planter)
    _not_numbers(planter)
    _sides(planter)
    _out_of_range(planter)


def _late_in_month(row: Row) -> bool:
    return row["_day"].day > 12


def _early_in_month(row: Row) -> bool:
    return row["_day"].day <= 12 and row["_day"].day != row["_day"].month


def _without_form(row: Row) -> bool:
    """No form was filled in that day, which would show the visit's true date elsewhere."""
    return "NDI %" not in row


def _dates(p: Planter) -> None:
    column = "Seen on"
    for form, kind, where in (
        ("%d/%m/%Y", "date as text, day first", _late_in_month),
        ("%d/%m/%Y", "date as text, day or month first", _early_in_month),
        ("%d.%m.%y", "date with points and a short year", _late_in_month),
        ("%d %B %Y", "date with the month in words", _late_in_month),
        ("%Y-%m-%d", "ISO date as text", _late_in_month),
        ("%a %d/%m/%Y 10:30", "date with weekday and time", _late_in_month),
    ):
        for _ in range(2):
            row = p.visit(column, where=where)
            p.cell(row, column, row["_day"].strftime(form), kind, "read", "", expected=row["_day"])
    for _ in range(2):
        row = p.visit(column)
        serial = (row["_day"] - _SERIAL_START).days
        p.cell(row, column, serial, "date as a serial number", "read", "", expected=row["_day"])

    for text, kind in (
        ("31/02/2025", "date that does not exist"),
        ("30/02/2026", "date that does not exist"),
        ("next Tue?", "words instead of a date"),
        ("see letter", "words instead of a date"),
    ):
        row = p.visit(column, quiet_client=True, where=_without_form)
        p.cell(row, column, text, kind, "set aside", "unreadable date", series=True)  # fmt: skip
    row = p.visit(
        column, where=lambda row: _late_in_month(row) and _without_form(row), quiet_client=True
    )
    p.cell(row, column, row["_day"].strftime("%m/%d/%Y"), "date month first among day first",
           "set aside", "unreadable date", series=True)  # fmt: skip
    row = p.visit(column, quiet_client=True, where=_without_form)
    p.cell(row, column, None, "no date", "set aside",
           "neither visit nor date|no date|no such visit", series=True)  # fmt: skip
    for years in (10, -10):
        row = p.visit(column, quiet_client=True, where=_without_form)
        wrong = row["_day"].replace(day=min(row["_day"].day, 28))
        wrong = wrong.replace(year=wrong.year + years)
        p.cell(row, column, wrong, "date in a wrong year", "asked",
               "visit out of order|date in the future|visit after discharge",
               series=True)  # fmt: skip


def _numbers(p: Planter) -> None:
    column = "Tragus R cm"
    for make, kind in (
        (lambda x: f"{x}".replace(".", ","), "comma decimal"),
        (lambda x: f"{x}", "number stored as text"),
        (lambda x: f"\u00a0{x} \u00a0", "white space around a number"),
        (lambda x: "".join(chr(ord(c) + 0xFEE0) if c.isdigit() else c for c in f"{x}"),
         "full-width digits"),
    ):  # fmt: skip
        for _ in range(2):
            row = p.visit(column)
            p.cell(row, column, make(row[column]), kind, "read", "", expected=row[column])
    row = p.visit("Pain 0-10")
    value = row["Pain 0-10"]
    p.cell(row, "Pain 0-10", Formula(f"=ROUND(AVERAGE({value},{value}),0)", value),
           "formula with a result", "read", "", expected=value)  # fmt: skip
    row = p.visit("Pain 0-10")
    row["Pain 0-10"] = Formula("=ROUND(AVERAGE(4,6),0)", None)
    p.note(None, "Pain 0-10", "formula without a stored result", "asked", "formula without result",
           sheet=p.book.sheet_of(row), others=[row])  # fmt: skip


def _units(p: Planter) -> None:
    column = "Tragus R cm"
    for make, kind, action, rule in (
        (lambda x: f"{x} cm", "own unit in the cell", "read", ""),
        (lambda x: f"{round(10 * x)} mm", "another unit in the cell", "changed", "unit converted"),
        (lambda x: f"{round(x / 2.54, 2)} in", "inches in the cell", "changed", "unit converted"),
    ):
        for _ in range(2):
            row = p.visit(column)
            value = round(round(row[column] / 2.54, 2) * 2.54, 4) if "inch" in kind else row[column]
            p.cell(row, column, make(row[column]), kind, action, rule, expected=value)
    for _ in range(2):
        row = p.visit("Abduction")
        number, side = row["Abduction"].split()
        p.cell(row, "Abduction", f"{number}\u00b0 {side}", "degree sign in the cell", "read", "",
               expected=f"{_word(side)}={number}")  # fmt: skip
    row = p.visit(column)
    p.cell(row, column, f"{row[column]} kg", "unit that does not fit", "set aside",
           "unit does not fit")  # fmt: skip
    row = p.visit("NDI %", where=lambda row: True)
    p.cell(row, "NDI %", f"{row['NDI %']} %", "percent sign in the cell", "read", "",
           expected=row["NDI %"])  # fmt: skip


def _not_numbers(p: Planter) -> None:
    word, text = "word instead of a number", "text instead of a number"
    for column, cell, kind, rule in (
        ("Abduction", "unable", "the word unable", word),
        ("Flexion before", "unable", "the word unable", word),
        ("Neck turn L/R", "n/t", "the words not tested", word),
        ("Ext rot L", "too painful", "a finding instead of a number", word),
        ("Tragus R cm", "refused", "a finding instead of a number", word),
        ("Abduction", "<90", "inequality sign", "inequality sign"),
        ("Pain 0-10", ">5", "inequality sign", "inequality sign"),
        ("Tragus R cm", "?", "question mark for a value", "blank value"),
        ("Neck turn L/R", "-", "dash for a value", "blank value"),
        ("Pain 0-10", "5-6", "a range instead of a number", text),
        ("Tragus R cm", "~13", "about a number", text),
        ("Abduction", "13O L", "letter O for zero", text),
        ("Flexion before", "14O L / 15O R", "letter O for zero", text),
        ("Abduction", "130 L pain at end", "remark beside the number", text),
        ("Pain 0-10", "12/03/2025", "date instead of a number", "date instead of a number"),
        ("Neck turn L/R", "#N/A", "error word in a cell", "blank value|text instead of a number"),
    ):
        p.cell(p.visit(column), column, cell, kind, "set aside", rule)
    for _ in range(2):
        row = p.visit("Pain 0-10")
        p.cell(row, "Pain 0-10", f"{row['Pain 0-10']}/10", "score written out of ten", "set aside",
               "several readings without sides|date instead of a number")  # fmt: skip


def _sides(p: Planter) -> None:
    for _ in range(2):
        row = p.visit("Abduction")
        p.cell(row, "Abduction", int(row["Abduction"].split()[0]), "side missing", "asked",
               "side missing")  # fmt: skip
    for _ in range(2):
        row = p.visit("Flexion before")
        left, right = re.findall(r"\d+", row["Flexion before"])
        p.cell(row, "Flexion before", f"{left}/{right}", "two readings without sides", "set aside",
               "several readings without sides")  # fmt: skip
    row = p.visit("Flexion before")
    left, right = re.findall(r"\d+", row["Flexion before"])
    p.cell(row, "Flexion before", f"{left} L / {right} L", "one side named twice", "set aside",
           "text instead of a number")  # fmt: skip
    for form in ("L{} R{}", "left {}, right {}", "{}L {}R"):
        row = p.visit("Flexion before")
        left, right = re.findall(r"\d+", row["Flexion before"])
        p.cell(row, "Flexion before", form.format(left, right), "sides written another way", "read",
               "", expected=f"left={left};right={right}")  # fmt: skip
    for _ in range(2):
        row = p.visit("Ext rot L", where=lambda row: row["_side"] == "left")
        wrong = f"{row['Ext rot L']} R"
        p.cell(row, "Ext rot L", wrong, "cell names the other side", "set aside",
               "two sides for one reading")  # fmt: skip


def _out_of_range(p: Planter) -> None:
    hard = "outside the hard range"
    for column, cell, kind in (
        ("Pain 0-10", 11, "value above the scale"),
        ("Pain 0-10", -2, "value below the scale"),
        ("NDI %", 120, "value above the scale"),
        ("Ext rot R", 810, "a digit too many"),
        ("Tragus R cm", 139, "millimetres typed as centimetres"),
        ("Abduction", "245 L", "angle that no shoulder reaches"),
    ):
        p.cell(p.visit(column), column, cell, kind, "set aside", hard)
    soft: tuple[tuple[str, Any, str], ...] = (
        ("Tragus R cm", 27.5, ""),
        ("Tragus R cm", 6.1, ""),
        ("Ext rot L", 131, "right"),
        ("Ext rot R", 132, "left"),
    )
    for column, cell, side in soft:
        row = p.visit(column, quiet_client=True, where=lambda r, s=side: s in ("", r["_side"]))
        p.cell(row, column, cell, "unusual value", "asked", "outside the soft range|jump",
               others=[p.next_visit(row)], series=True)  # fmt: skip


def _word(letter: str) -> str:
    return {"L": "left", "R": "right"}[letter]
