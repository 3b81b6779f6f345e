"""Reading a caseload: source, raw tables, typed tables, hard checks, links, cleaning, caseload.

The order is fixed. Faults of the source itself (a file that cannot be opened, an absent column, a
date order that nothing settles) are collected and raised together. Faults of single rows go to
the ledger, and the row is set aside.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, Faults
from outcomes.measures.own_thresholds import read_own_thresholds
from outcomes.records.caseload import Caseload, Source, empty_table
from outcomes.records.checking import check_measurements, set_aside_clashes, set_aside_repeats
from outcomes.records.ledger import LedgerBook
from outcomes.records.linking import (
    complete_visits,
    derive_clients,
    derive_visits,
    describe,
    link_rows,
    number_trials,
)
from outcomes.records.mapping import Mapping, load_mapping, shape
from outcomes.records.mapping.shaping import own_zero
from outcomes.records.schema import TABLES
from outcomes.records.sources import RawTable, open_source, plain_name
from outcomes.records.typed import type_table

__all__ = ["read_caseload"]

_MEASURED = ("measurements", "answers")


def read_caseload(
    source: Any, *, mapping: Any = None, strict: bool = False, thresholds: Any = None
) -> Caseload:
    r"""Read a clinic's files into a checked caseload.

    Use it for every source: a folder of CSV or Parquet files named after our tables, with or
    without a ``datapackage.json``; one workbook with a sheet per table; a database file or
    address; or, with a mapping, a clinic's own spreadsheet. The source is never written to.

    Parameters
    ----------
    source : path or str
        File, folder, or database address such as ``sqlite:///clinic.db``.
    mapping : path, dict or Mapping, optional
        What the columns mean: see `outcomes.records.mapping.model`. Needed unless the source has
        our tables and column names.
    strict : bool
        Stop at the first table that has any refused row, with all of them listed.
    thresholds : path, optional
        The clinic's own thresholds; kept as `Caseload.own_thresholds`.

    Returns
    -------
    Caseload
        With all seven tables and the ledger; for every table, rows in = rows used + rows set
        aside. Every reading has client, episode, visit, date, side (missing only on a sided
        measure whose side nobody wrote), moment, trial, and its value in the measure's own unit.

    Raises
    ------
    DataError
        If the source cannot be read, or lacks required columns (all faults listed), or, if
        strict, when rows are refused.
    ArgumentError
        If the mapping is no mapping.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "measurements.csv").write_text(
    ...     "client,date,measure,side,value\n"
    ...     "C1,2026-01-05,shoulder_flexion,left,120\n"
    ...     "C1,2026-01-19,shoulder_flexion,left,1200\n"
    ... )
    >>> caseload = read_caseload(folder)
    >>> caseload.measurements[["client", "visit", "value", "unit"]].values.tolist()
    [['C1', 1, 120.0, 'deg']]
    >>> caseload.ledger[["source_row", "rule"]].values.tolist()
    [[3, 'outside the hard range']]
    """
    plan = Mapping() if mapping is None else load_mapping(mapping)
    raws = open_source(source, plan.file)
    book = LedgerBook()
    drafts, rows_in = _drafts(raws, plan, book)
    tables = _typed(drafts, raws, plan, book)
    sources = _Sources(raws, rows_in, book)
    _assemble(tables, plan, book, sources, strict=strict)
    return Caseload(
        tables=tables,
        ledger=book.frame(),
        sources=sources.listed(),
        own_measures=dict(plan.measures),
        own_thresholds=read_own_thresholds(thresholds) if thresholds else (),
    )


def _drafts(
    raws: list[RawTable], plan: Mapping, book: LedgerBook
) -> tuple[dict[str, pd.DataFrame], Counter[tuple[str, str]]]:
    """Give drafts by table name, and the rows that each file gave to each table."""
    faults = Faults()
    for raw in raws:
        for remark in raw.remarks:
            book.remark("", raw.file, rule=remark.rule, reason=f"{raw.name}: {remark.reason}")
    rows_in: Counter[tuple[str, str]] = Counter()
    if plan.shapes:
        drafts = shape(raws, plan, book=book, faults=faults)
        placed = {raw.name: "measurements" for raw in raws}
    else:
        drafts, placed = _by_name(raws, plan, book, faults)
    faults.raise_if_any()
    for name, draft in drafts.items():
        if name == "measurements" or not plan.shapes:
            _count(rows_in, name, draft)
    for raw in raws:
        if raw.name in placed and len(raw.torn):
            torn = raw.torn.assign(source_file=raw.file, client=None)
            rows_in[placed[raw.name], raw.file] += len(torn)
            book.set_aside(
                placed[raw.name],
                torn,
                np.ones(len(torn), dtype=bool),
                rule="row does not fit the header",
                reason=torn["reason"],
            )
    return drafts, rows_in


def _by_name(
    raws: list[RawTable], plan: Mapping, book: LedgerBook, faults: Faults
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Match raw tables with ours by name, and their columns by header."""
    sheets = {plain_name(str(entry["sheet"])): name for name, entry in plan.tables.items()}
    drafts: dict[str, list[pd.DataFrame]] = {}
    placed: dict[str, str] = {}
    unread = []
    for raw in raws:
        name = sheets.get(plain_name(raw.name)) or _table_name(raw.name)
        if name is None:
            unread.append(raw)
            continue
        placed[raw.name] = name
        draft = _pick_columns(raw, name, plan, book, faults)
        drafts.setdefault(name, []).append(draft)
    if not set(drafts) & set(_MEASURED):
        faults.add(_nothing_measured(raws))
    for raw in unread:
        reason = (
            f"{raw.name}: is none of {', '.join(TABLES)}; its {len(raw.rows):,} rows were not read"
        )
        book.remark("", raw.file, rule="table not read", reason=reason)
    return {name: pd.concat(parts, ignore_index=True) for name, parts in drafts.items()}, placed


def _table_name(name: str) -> str | None:
    plain = plain_name(name)
    return plain if plain in TABLES else None


def _nothing_measured(raws: list[RawTable]) -> DataError:
    return DataError(
        f"{raws[0].file}: the source must have a table called measurements or answers (a file or "
        "sheet of that name); it has none. Rename it, or describe its columns in a mapping: "
        "`outcomes map FILE` proposes one."
    )


def _pick_columns(
    raw: RawTable, name: str, plan: Mapping, book: LedgerBook, faults: Faults
) -> pd.DataFrame:
    table = TABLES[name]
    renamed = plan.tables.get(name, {}).get("columns", {})
    found: dict[str, pd.Series] = {}
    used: set[int] = set()
    for column in table.names:
        places = raw.find(renamed.get(column, column))
        if len(places) > 1:
            faults.add(
                DataError(
                    f"{raw.file}: table {name} must have one column {column}; {len(places)} are "
                    "called so. Rename or remove the others."
                )
            )
        elif places:
            found[column] = raw.frame[places[0]]
            used.add(places[0])
    absent = [column for column in table.required if column not in found]
    if name in _MEASURED and not {"visit", "date"} & set(found):
        absent.append("visit (or date)")
    if absent:
        many = len(absent) > 1
        faults.add(
            DataError(
                f"{raw.file}: table {name} must have the column{'s' if many else ''} "
                f"{', '.join(absent)}. Add {'them' if many else 'it'}, or name the column that "
                f"holds it under [tables.{name}.columns] in the mapping."
            )
        )
    extra = [header for i, header in enumerate(raw.headers) if i not in used and header]
    if extra:
        more = f" and {len(extra) - 10:,} more" if len(extra) > 10 else ""
        listed = ", ".join(header[:30] for header in extra[:10])
        reason = f"columns not read: {listed}{more}"
        book.remark(name, raw.file, rule="columns not read", reason=reason)
    draft = pd.DataFrame(found, index=raw.frame.index)
    draft["source_file"] = pd.Series(raw.file, index=draft.index, dtype="str")
    draft["source_row"] = pd.array(raw.rows, dtype="Int64")
    return draft


def _typed(
    drafts: dict[str, pd.DataFrame], raws: list[RawTable], plan: Mapping, book: LedgerBook
) -> dict[str, pd.DataFrame]:
    faults = Faults()
    missing = tuple(dict.fromkeys((*plan.file.missing, *_declared_missing(raws))))
    tables = {}
    for name in TABLES:
        if name not in drafts or (plan.shapes and name == "clients"):
            continue
        draft = drafts[name]
        if "date_text" in draft and name == "measurements":
            draft = book.set_aside(
                name,
                draft,
                draft["date"].isna() & draft["date_text"].notna(),
                rule="unreadable date",
                column=plan.columns.get("date", "date"),
                old=draft["date_text"],
                reason="no date of the years 1900 to 2100 in the form of its column",
            )
        settings = {
            column.name: _settings(column.name, raws, plan) for column in TABLES[name].columns
        }
        quiet = LedgerBook() if plan.shapes and name == "visits" else book
        tables[name] = type_table(
            draft, name, book=quiet, faults=faults, settings=settings, missing=missing
        )
    if plan.shapes:
        tables["clients"] = _clients_of_rows(drafts, book, faults, plan, raws, missing)
    faults.raise_if_any()
    return tables


def _declared_missing(raws: list[RawTable]) -> list[str]:
    return [word for raw in raws for word in raw.missing]


def _settings(column: str, raws: list[RawTable], plan: Mapping) -> dict[str, Any]:
    """Give what the mapping, or else the data package, says of a column."""
    declared = {key: value for raw in raws for key, value in raw.formats.get(column, {}).items()}
    order = {"%d/%m/%Y": "day-first", "%m/%d/%Y": "month-first"}.get(
        declared.get("format", "").replace("-", "/").replace(".", "/").replace("y", "Y")
    )
    return {
        "date_order": plan.file.date_order or order,
        "decimal": plan.file.decimal or declared.get("decimalChar"),
        "pairs": plan.file.pairs,
    }


def _clients_of_rows(
    drafts: dict[str, pd.DataFrame],
    book: LedgerBook,
    faults: Faults,
    plan: Mapping,
    raws: list[RawTable],
    missing: tuple[str, ...],
) -> pd.DataFrame:
    """One row per client from the rows of a clinic's own layout; later contradictions are asked."""
    draft = drafts["clients"]
    draft = draft[draft["client"].notna()]
    settings = {
        column.name: _settings(column.name, raws, plan) for column in TABLES["clients"].columns
    }
    typed = type_table(
        draft, "clients", book=book, faults=faults, settings=settings, missing=missing
    )
    return describe(typed, "clients", ["client"], book=book)


def _count(rows_in: Counter[tuple[str, str]], table: str, rows: pd.DataFrame) -> None:
    for file, count in rows["source_file"].value_counts().items():
        rows_in[table, str(file)] += int(count)


class _Sources:
    """What was read: rows by file and table."""

    def __init__(
        self, raws: list[RawTable], rows_in: Counter[tuple[str, str]], book: LedgerBook
    ) -> None:
        self.hashes = {raw.file: raw.sha256 for raw in raws}
        self.rows_in = rows_in + book.gained

    def count(self, table: str, rows: pd.DataFrame) -> None:
        """Count rows that were made from other rows, under the file that they come from."""
        _count(self.rows_in, table, rows)

    def listed(self) -> tuple[Source, ...]:
        """Give the sources in the order of files and tables."""
        order = {name: i for i, name in enumerate(TABLES)}
        found = dict.fromkeys(self.hashes, False)
        listed = []
        for (table, file), rows in sorted(
            self.rows_in.items(), key=lambda item: (item[0][1], order[item[0][0]])
        ):
            found[file] = True
            listed.append(Source(file, self.hashes[file], table, rows))
        return tuple(listed)


def _assemble(
    tables: dict[str, pd.DataFrame],
    plan: Mapping,
    book: LedgerBook,
    sources: _Sources,
    *,
    strict: bool,
) -> None:
    """Check, link and complete the typed tables, in place."""
    for name in TABLES:
        tables.setdefault(name, empty_table(name))
    tables["measurements"] = own_zero(tables["measurements"], plan, book=book)
    tables["measurements"] = check_measurements(
        tables["measurements"], book=book, own=plan.measures
    )
    _assemble_visits(tables, plan, book, sources)
    for name in _MEASURED:
        tables[name] = link_rows(
            tables[name], tables["visits"], name, book=book, derived=name == "measurements"
        )
    readings = tables["measurements"]
    readings = readings.assign(moment=readings["moment"].fillna("before"))
    tables["measurements"] = number_trials(readings, book=book)
    tables["treatments"] = tables["treatments"].assign(
        episode=tables["treatments"]["episode"].fillna(1)
    )
    for name in ("measurements", "answers"):
        tables[name] = set_aside_clashes(tables[name], name, book=book)
    for name in ("treatments", "home_exercise", "events"):
        tables[name] = set_aside_repeats(tables[name], name, book=book)
    tables["clients"] = set_aside_clashes(tables["clients"], "clients", book=book)
    if plan.shapes:
        sources.count("clients", tables["clients"])
    before = len(tables["clients"])
    others = [tables[name] for name in TABLES if name != "clients"]
    tables["clients"], added = derive_clients(tables["clients"], others, book=book)
    if added:
        sources.count("clients", tables["clients"].iloc[before:])
    for name, table in TABLES.items():
        kept = [*table.names, "source_file", "source_row"]
        tables[name] = tables[name][kept].reset_index(drop=True)
        if strict:
            book.refuse_if_any(name)


def _assemble_visits(
    tables: dict[str, pd.DataFrame], plan: Mapping, book: LedgerBook, sources: _Sources
) -> None:
    """Complete the table of visits, or make it from the dated rows."""
    visits = tables["visits"]
    if len(visits) and not plan.shapes:
        visits = set_aside_repeats(visits, "visits", book=book)
        visits = complete_visits(visits, book=book)
        tables["visits"] = set_aside_clashes(visits, "visits", book=book)
        return
    kept = ["client", "episode", "visit", "date", "source_file", "source_row"]
    rows = pd.concat([tables[name][kept] for name in _MEASURED], ignore_index=True)
    made = derive_visits(rows, book=book)
    if plan.shapes and len(visits):
        made = _describe_visits(made, visits, book)
    tables["visits"] = made
    sources.count("visits", made)


def _describe_visits(made: pd.DataFrame, rows: pd.DataFrame, book: LedgerBook) -> pd.DataFrame:
    """Add what the rows of the clinic's layout say about their visits."""
    rows = rows.assign(episode=rows["episode"].fillna(1))
    about = [name for name in ("practitioner", "attended", "end_reason", "phase")]
    told = describe(rows, "visits", ["client", "episode", "date"], book=book)
    merged = made[["client", "episode", "date"]].merge(
        told[["client", "episode", "date", *about]], on=["client", "episode", "date"], how="left"
    )
    return made.assign(**{name: merged[name].array for name in about})
