"""Faults of the smaller sheets, and of the workbook itself."""

from __future__ import annotations

from data_synthetic.messy_base import (
    CLIENTS,
    DIARY,
    FORMS,
    HEADERS,
    INCIDENTS,
    YEAR1,
    YEAR2,
    Row,
)
from data_synthetic.messy_planter import Planter

__all__ = ["MERGED_FORM", "plant_sheets"]

#: Key of the rows whose client code is merged into one cell.
MERGED_FORM = "_merged"


def plant_sheets(planter: Planter) -> None:
    """Plant all of them; the ones that shift rows of the visit sheets come last."""
    _clients(planter)
    _forms(planter)
    _diary_and_incidents(planter)
    _visit_sheets(planter)


def _clean_client(p: Planter) -> Row:
    rows = [row for row in p.book.sheets[CLIENTS] if id(row) not in p.touched]
    return rows[int(p.rng.integers(len(rows)))]


def _clients(p: Planter) -> None:
    for cell in (2091, "85", "not known"):
        p.cell(_clean_client(p), "Born", cell, "birth year that cannot be", "changed",
               "unreadable birth_year|birth year unlikely")  # fmt: skip
    p.cell(_clean_client(p), "Sore side", "upper", "side that is no side", "changed",
           "unreadable affected_side")  # fmt: skip
    p.cell(_clean_client(p), "Case report ok", "ask again", "consent neither yes nor no", "changed",
           "unreadable consent_case_report")  # fmt: skip
    for word, side in (("L", "left"), ("Rt", "right")):
        row = next(
            row
            for row in p.book.sheets[CLIENTS]
            if row["Sore side"] == side and id(row) not in p.touched
        )
        p.cell(row, "Sore side", word, "side in short", "read", "", expected=side)
    for text in ("=1+1 stiff neck", "+stiff shoulder", "@neck", "-stiff neck"):
        p.cell(_clean_client(p), "Problem", text, "text like a formula", "read",
               "made harmless in every output", expected=text)  # fmt: skip
    row = _clean_client(p)
    again = dict(row)
    p.insert_after(row, again)
    p.note(again, "", "client listed twice", "set aside", "duplicate row", others=[row])


def _forms(p: Planter) -> None:
    forms = p.book.sheets[FORMS]
    used: set[tuple] = set()

    def form() -> list[Row]:
        """Rows of one complete form that has no fault yet, of a client with a clean row."""
        keys = sorted({(row["Pt no"], row["Filled in"]) for row in forms} - used)
        keys = [key for key in keys if key[0] not in p.disturbed]
        key = keys[int(p.rng.integers(len(keys)))]
        used.add(key)
        return [row for row in forms if (row["Pt no"], row["Filled in"]) == key]

    def total_of(rows: list[Row]) -> Row:
        code, day = rows[0]["Pt no"], rows[0]["Filled in"]
        return next(row for row in p.book.visits_of(code) if row["_day"] == day)

    def untouched_form() -> tuple[list[Row], Row]:
        while True:
            rows = form()
            if id(total_of(rows)) not in p.touched:
                return rows, total_of(rows)

    for answer in (7, -1):
        rows, _ = untouched_form()
        p.cell(rows[4], "Answer", answer, "item answer out of range", "set aside",
               "item answer out of range", others=rows)  # fmt: skip
    rows, _ = untouched_form()
    p.cell(rows[9], "Item no", 11, "item that the form does not have", "set aside",
           "item number out of range|unknown item", others=rows)  # fmt: skip
    rows, _ = untouched_form()
    again = dict(rows[3])
    p.insert_after(rows[3], again)
    p.note(again, "", "answer entered twice", "set aside", "duplicate row", others=rows)
    rows, _ = untouched_form()
    again = {**rows[6], "Answer": (rows[6]["Answer"] + 1) % 6}
    p.insert_after(rows[6], again)
    p.note(again, "Answer", "two answers to one item", "set aside", "second row for one key",
           others=rows)  # fmt: skip
    rows, _ = untouched_form()
    for row in rows:
        row["Form"] = "neckform"
    p.note(rows[0], "Form", "form that nobody knows", "set aside", "unknown questionnaire",
           others=rows[1:])  # fmt: skip
    rows, _ = untouched_form()
    for row in rows[2:6]:
        row["Answer"] = None
    p.note(rows[0], "Answer", "too many items blank for a score", "asked",
           "too many items blank|no score", others=rows)  # fmt: skip
    for change, kind in ((10, "typed total differs from its items"),
                         (0, "points typed where percent is meant")):  # fmt: skip
        rows, visit = untouched_form()
        wrong = visit["NDI %"] + change if change else visit["NDI %"] // 2
        p.cell(visit, "NDI %", wrong, kind, "asked", "total differs from items", others=rows)
    rows, _ = untouched_form()
    for row in rows:
        row[MERGED_FORM] = True
        p.touched.add(id(row))
    p.note(None, "Pt no", "one code merged over several rows", "asked", "merged cells", sheet=FORMS)


def _diary_and_incidents(p: Planter) -> None:
    diary = p.book.sheets[DIARY]
    p.cell(diary[3], "Day", "yesterday", "diary day in words", "set aside", "unreadable date")
    p.cell(diary[11], "Done", "didn't", "words for a number of sets", "changed", "unreadable done")
    again = dict(diary[20])
    p.insert_after(diary[20], again)
    p.note(again, "", "diary line entered twice", "set aside", "duplicate row")
    p.cell(p.book.sheets[INCIDENTS][4], "Pt no", "P999", "incident of an unknown client", "asked",
           "client not in the clients table")  # fmt: skip


def _visit_sheets(p: Planter) -> None:
    first, second = p.book.sheets[YEAR1], p.book.sheets[YEAR2]
    header: Row = {name: name for name in HEADERS[YEAR1]}
    second.insert(70, header)
    p.note(header, "", "header repeated within the sheet", "set aside", "unreadable date")
    for rows, name in ((first, "2025"), (second, "2026")):
        total: Row = {"Pt no": f"Total {name}", "Visit": len(rows)}
        rows.append(total)
        p.note(total, "Pt no", "line of totals", "set aside",
               "neither visit nor date|no date|no such visit")  # fmt: skip
    for rows, places in ((first, (40, 41, 120)), (second, (55,))):
        for place in places:
            rows.insert(place, {})
    p.note(None, "", "empty rows", "read", "", sheet=YEAR1)
    first[30]["_stray"] = "ring back"
    p.note(None, "", "cells right of the last header", "asked", "cells outside the header",
           sheet=YEAR1)  # fmt: skip
    p.note(None, "", "hidden sheet", "asked", "hidden sheet", sheet="old list")
    p.note(None, "", "title merged over the columns", "read", "", sheet=YEAR1)
