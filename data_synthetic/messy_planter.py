"""Planting faults: where each went, what it is, and what a good cleaning does with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from data_synthetic.messy_base import YEAR1, YEAR2, Book, Row

__all__ = ["ACTIONS", "Fault", "Planter"]

#: What a good cleaning does: understand the cell without a question (`expected` says as what);
#: take the row out; use the row with a cell altered; use it and ask; or ask about a whole sheet,
#: rater or instrument.
ACTIONS = ("read", "set aside", "changed", "asked")


@dataclass
class Fault:
    """One planted fault; the row numbers are found when the sheets are final."""

    sheet: str
    row: Row | None
    column: str
    kind: str
    action: str
    rule: str
    expected: str = ""
    others: list[Row] = field(default_factory=list)


@dataclass
class Planter:
    """Finds clean places, and keeps every row and client from getting two faults."""

    book: Book
    rng: np.random.Generator
    faults: list[Fault] = field(default_factory=list)
    touched: set[int] = field(default_factory=set)
    disturbed: set[str] = field(default_factory=set)

    def visit(
        self,
        column: str,
        *,
        where: Callable[[Row], bool] = lambda row: True,
        quiet_client: bool = False,
    ) -> Row:
        """Pick a clean visit row that is neither the first nor the last of its client.

        `quiet_client`: no other fault of the client's series may be near.
        """
        rows = [
            row
            for name in (YEAR1, YEAR2)
            for row in self.book.sheets[name]
            if column in row
            and row.get("_place", 0) < -1
            and id(row) not in self.touched
            and not (quiet_client and row["_who"] in self.disturbed)
            and where(row)
        ]
        if not rows:
            raise LookupError(f"no clean row is left for a fault in {column}")
        return rows[int(self.rng.integers(len(rows)))]

    def client(self, kind: str = "", *, where: Callable[[str], bool] = lambda code: True) -> str:
        """Pick a client whose series has no fault yet."""
        codes = [
            code
            for code, what in self.book.kinds.items()
            if what.startswith(kind)
            and code not in self.disturbed
            and not any(id(row) in self.touched for row in self.book.visits_of(code))
            and where(code)
        ]
        if not codes:
            raise LookupError(f"no clean client is left ({kind or 'any'})")
        return codes[int(self.rng.integers(len(codes)))]

    def next_visit(self, row: Row) -> Row:
        """Give the same client's following visit."""
        rows = self.book.visits_of(row["_who"])
        return rows[next(i for i, other in enumerate(rows) if other is row) + 1]

    def note(
        self,
        row: Row | None,
        column: str,
        kind: str,
        action: str,
        rule: str,
        *,
        sheet: str = "",
        expected: Any = "",
        others: Iterable[Row] = (),
        series: bool = False,
    ) -> None:
        """Write the fault into the answer key and protect its rows (and its client's series)."""
        if action not in ACTIONS:
            raise ValueError(f"action must be one of {ACTIONS}")
        others = list(others)
        sheet = sheet or (self.book.sheet_of(row) if row is not None else "")
        self.faults.append(Fault(sheet, row, column, kind, action, rule, str(expected), others))
        for each in [row, *others]:
            if each is not None:
                self.touched.add(id(each))
                if series and "_who" in each:
                    self.disturbed.add(each["_who"])

    def cell(
        self, row: Row, column: str, value: Any, kind: str, action: str, rule: str, **more: Any
    ) -> None:
        """Put a faulty value into one cell and note it."""
        row[column] = value
        self.note(row, column, kind, action, rule, **more)

    def insert_after(self, row: Row, new: Row) -> None:
        """Put a new row below `row` on its sheet."""
        rows = self.book.sheets[self.book.sheet_of(row)]
        place = next(i for i, other in enumerate(rows) if other is row)
        rows.insert(place + 1, new)
