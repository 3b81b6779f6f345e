"""A first mapping for a clinic's own file, to be edited by the person who knows the file."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from outcomes.errors import OutcomesError
from outcomes.records.mapping.guessing import Guess, guess_column
from outcomes.records.sources import FileSettings, RawTable, open_source

__all__ = ["Proposal", "propose_mapping"]

_TIMES = ("date", "visit", "week", "month", "day")


@dataclass(frozen=True, eq=False, kw_only=True)
class Proposal:
    """A proposed mapping.

    Attributes
    ----------
    toml : str
        Text of the mapping file; what could not be told stands in it as comments.
    columns : DataFrame
        One row per column: sheet, column, understood_as, details, why, open_questions, filled.
    questions : tuple of str
        What must be settled before the mapping can be used, most important first.
    sheet : str
        The sheet or table that the mapping is for.
    """

    toml: str
    columns: pd.DataFrame
    questions: tuple[str, ...]
    sheet: str

    def _repr_html_(self) -> str:
        return self.columns.to_html(index=False)


def propose_mapping(source: Any, *, sheet: str | None = None) -> Proposal:
    r"""Propose a mapping from the headers and values of a file.

    Use it once for a new kind of file, then edit the text: it is a guess, and says where. No
    cell of the file is shown.

    Parameters
    ----------
    source : path
        CSV, workbook, Parquet or database; of several sheets the one with most readings is taken.
    sheet : str, optional
        The sheet to look at.

    Returns
    -------
    Proposal

    Raises
    ------
    DataError
        If the file cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> file = Path(tempfile.mkdtemp()) / "neck.csv"
    >>> _ = file.write_text("Pt no,Seen on,Neck rot L\nA,2026-01-05,60\nB,2026-01-06,55\n")
    >>> print(propose_mapping(file).toml)  # doctest: +NORMALIZE_WHITESPACE
    # Proposed from the headers and values of neck.csv. Check every line.
    [columns]
    client = "Pt no"
    date = "Seen on"
    [readings."Neck rot L"]
    measure = "cervical_rotation"
    side = "left"
    """
    settings = FileSettings(sheets=(sheet,) if sheet else ())
    looked = []
    for raw in open_source(source, settings):
        raw, row = _find_header(source, raw, settings)
        guesses = [
            guess_column(header, raw.cells[i]) for i, header in enumerate(raw.headers) if header
        ]
        _settle(guesses, raw)
        looked.append((raw, row, guesses))
    raw, row, guesses = max(
        looked, key=lambda item: sum(g.part == "readings" or g.role == "value" for g in item[2])
    )
    several = len(looked) > 1
    questions = _questions(raw, guesses)
    return Proposal(
        toml=_write(raw, row, guesses, questions, several),
        columns=pd.DataFrame([_row(raw, guess) for guess in guesses]),
        questions=tuple(questions),
        sheet=raw.name,
    )


def _find_header(source: Any, raw: RawTable, settings: FileSettings) -> tuple[RawTable, int]:
    """Look further down where the first row has few names (titles stand above many tables)."""
    best, best_row = raw, 1
    if not _doubtful(raw):
        return best, best_row
    for row in range(2, 9):
        try:
            tables = open_source(source, replace(settings, header_row=row))
        except OutcomesError:  # too few rows: keep what there is
            break
        found = next((table for table in tables if table.name == raw.name), None)
        if found is None:
            break
        if _names(found) > _names(best) or found.headers == best.headers:
            best, best_row = found, row
        elif not _doubtful(best):
            break
    return best, best_row


def _names(raw: RawTable) -> int:
    plain = [header for header in raw.headers if header and not header[0].isdigit()]
    return len(set(plain))


def _doubtful(raw: RawTable) -> bool:
    stray = any(remark.rule == "cells outside the header" for remark in raw.remarks)
    return stray or len(raw.torn) > len(raw.rows) // 2 or _names(raw) < 0.7 * len(raw.headers)


def _settle(guesses: list[Guess], raw: RawTable) -> None:
    """One column for each role; a client column there must be, if any column can be it."""
    taken: dict[str, Guess] = {}
    for guess in guesses:
        if guess.part not in ("columns", "clients", "long"):
            continue
        earlier = taken.get(guess.role)
        if earlier is None:
            taken[guess.role] = guess
        else:
            guess.part, guess.why = "", f"{earlier.header} was taken as {guess.role}"
    if "client" not in taken:
        likely = [g for g in guesses if not g.part and g.filled > 0.95 and g.distinct > 1]
        if likely:
            first = max(likely, key=lambda g: (g.distinct, -guesses.index(g)))
            first.part, first.role, first.why = "columns", "client", "most distinct cells"
            first.given, taken["client"] = {}, first
            first.questions.append("is it the code of the client?")
    weeks = {g.given["week"] for g in guesses if g.part == "readings" and "week" in g.given}
    dated = bool(set(_TIMES) & set(taken))
    for guess in guesses:
        # "pre" is a time only among columns of other times; elsewhere it is the moment.
        if guess.part == "readings" and "week" in guess.given and dated and weeks <= {0.0}:
            del guess.given["week"]
        if guess.part == "readings" and weeks - {0.0} and "moment" in guess.given:
            del guess.given["moment"]
            guess.given.setdefault("week", 0.0)
    long = {"measure", "value"} <= set(taken)
    for guess in guesses:
        if guess.part == "long" and not long:
            guess.part, guess.why = "", "no second column of a long layout"


def _questions(raw: RawTable, guesses: list[Guess]) -> list[str]:
    found = []
    roles = {guess.role for guess in guesses if guess.part in ("columns", "long")}
    readings = [guess for guess in guesses if guess.part == "readings"]
    if "client" not in roles:
        found.append("no column of client codes was found: name it under [columns]")
    if not readings and "value" not in roles:
        found.append(
            'no column was understood as readings: add [readings."..."] parts, and declare '
            "measures that the catalogue lacks under [measures]"
        )
    if not set(_TIMES) & roles and not all("week" in g.given for g in readings):
        found.append("no column of dates or visits was found: name it under [columns]")
    for guess in guesses:
        found += [f"{guess.header}: {question}" for question in guess.questions]
    return found


def _row(raw: RawTable, guess: Guess) -> dict[str, Any]:
    kind = {"readings": "reading: ", "clients": "client: ", "columns": "", "long": "long: "}
    return {
        "sheet": raw.name,
        "column": guess.header,
        "understood_as": kind[guess.part] + guess.role if guess.part else "not understood",
        "details": ", ".join(f"{key} {value}" for key, value in guess.given.items()),
        "why": guess.why,
        "open_questions": "; ".join(guess.questions),
        "filled": guess.filled,
    }


def _write(
    raw: RawTable, row: int, guesses: list[Guess], questions: list[str], several: bool
) -> str:
    name = raw.file
    lines = [f"# Proposed from the headers and values of {_comment(name)}. Check every line."]
    lines += [f"# To settle: {_comment(question)}" for question in questions]
    file = []
    if several:
        file.append(f"sheets = [{_text(raw.name)}]")
    if row > 1:
        file.append(f"header_row = {row}")
    order = next((g.date_order for g in guesses if g.role == "date" and g.date_order), "")
    if order in ("day-first", "month-first"):
        file.append(f"date_order = {_text(order)}")
    elif order:
        file.append('# date_order = "day-first"')
    if any(g.decimal == "," for g in guesses if g.part):
        file.append('decimal = ","')
    lines += _section("file", file)
    for part in ("columns", "clients"):
        chosen = [g for g in guesses if g.part == part]
        lines += _section(part, [f"{g.role} = {_text(g.header)}" for g in chosen])
    chosen = [g for g in guesses if g.part == "long"]
    lines += _section("long", [f"{g.role} = {_text(g.header)}" for g in chosen])
    for guess in guesses:
        if guess.part != "readings":
            continue
        body = [f"# {_comment(question)}" for question in guess.questions]
        body.append(f"measure = {_text(guess.role)}")
        body += [
            f"{key} = {_text(value) if isinstance(value, str) else value}"
            for key, value in guess.given.items()
        ]
        lines += _section(f"readings.{_text(guess.header)}", body)
    rest = [guess for guess in guesses if not guess.part]
    if rest:
        lines.append("\n# Not understood, and not read:")
        lines += [f"# {_comment(guess.header)}: {_comment(guess.why)}" for guess in rest[:200]]
    return "\n".join([*lines, *_measure_to_declare(rest)]) + "\n"


def _measure_to_declare(rest: list[Guess]) -> list[str]:
    """Give the lines that would declare a measure that the catalogue lacks, as comments."""
    numbers = [guess for guess in rest if guess.numeric > 0.9]
    if not numbers:
        return []
    timed = [guess for guess in numbers if "week" in guess.given] or numbers[:1]
    lines = ["\n# If one of them is a measure that the catalogue lacks, declare it:"]
    for guess in timed:
        lines += [f"# [readings.{_comment(_text(guess.header))}]", '# measure = "my_measure"']
        if "week" in guess.given:
            lines.append(f"# week = {guess.given['week']}")
    return [*lines, "# [measures.my_measure]", '# name = "..."', '# unit = "points"', "# min = 0",
            "# max = 10", '# better = "lower"']  # fmt: skip


def _section(name: str, lines: list[str]) -> list[str]:
    return [f"\n[{name}]", *lines] if lines else []


def _text(value: object) -> str:
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)
