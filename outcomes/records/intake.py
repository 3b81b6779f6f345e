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

from outcomes.errors import Faults
from outcomes.measures.own_thresholds import read_own_thresholds
from outcomes.records.assembly import Sources, assemble, count_rows
from outcomes.records.caseload import Caseload
from outcomes.records.cleaning import clean
from outcomes.records.ledger import LedgerBook, refuse_set_aside
from outcomes.records.mapping import Mapping, load_mapping, shape
from outcomes.records.naming import match_tables
from outcomes.records.schema import TABLES
from outcomes.records.sources import RawTable, open_source
from outcomes.records.typed import type_table

__all__ = ["read_caseload"]


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
    own_thresholds = read_own_thresholds(thresholds) if thresholds else ()
    raws = open_source(source, plan.opening)
    book = LedgerBook()
    drafts, rows_in = _drafts(raws, plan, book)
    tables, told = _typed(drafts, raws, plan, book)
    sources = Sources(raws, rows_in, book)
    assemble(tables, told, plan, book, sources)
    caseload = clean(
        Caseload(
            tables=tables,
            ledger=book.frame(),
            sources=sources.listed(),
            own_measures=dict(plan.measures),
            own_thresholds=own_thresholds,
        )
    )
    if strict:
        refuse_set_aside(caseload.ledger)
    return caseload


def _drafts(
    raws: list[RawTable], plan: Mapping, book: LedgerBook
) -> tuple[dict[str, pd.DataFrame], Counter[tuple[str, str]]]:
    """Give drafts by table name, and the rows that each file gave to each table.

    What the rows of a clinic's own layout tell about visits and clients is kept under the names
    ``told visits`` and ``told clients``: tables are made from it later.
    """
    faults = Faults()
    for raw in raws:
        for remark in raw.remarks:
            file = remark.file or raw.file
            book.remark("", file, rule=remark.rule, reason=remark.reason, row=remark.row)
    ours = [raw for raw in raws if not plan.shapes or plan.table_of(raw.name)]
    drafts, placed = match_tables(ours, plan, book, faults)
    rows_in: Counter[tuple[str, str]] = Counter()
    if plan.shapes:
        own = [raw for raw in raws if raw not in ours]
        shaped = shape(own, plan, book=book, faults=faults)
        readings = [part for part in (shaped, drafts) if "measurements" in part]
        if readings:
            parts = [part["measurements"] for part in readings]
            drafts["measurements"] = pd.concat(parts, ignore_index=True)
        drafts |= {f"told {name}": shaped[name] for name in ("visits", "clients") if shaped}
        placed |= {raw.file: "measurements" for raw in own}
    faults.raise_if_any()
    for name in TABLES:
        if name in drafts:
            count_rows(rows_in, name, drafts[name])
    for raw in raws:
        if raw.file in placed and len(raw.torn):
            torn = raw.torn.assign(source_file=raw.file, client=None)
            count_rows(rows_in, placed[raw.file], torn)
            book.set_aside(
                placed[raw.file],
                torn,
                np.ones(len(torn), dtype=bool),
                rule="row does not fit the header",
                reason=torn["reason"],
            )
    return drafts, rows_in


def _typed(
    drafts: dict[str, pd.DataFrame], raws: list[RawTable], plan: Mapping, book: LedgerBook
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Type the drafts: the tables, and what the rows tell about visits and clients."""
    faults = Faults()
    missing = tuple(dict.fromkeys([*plan.file.missing, *(w for raw in raws for w in raw.missing)]))
    tables: dict[str, pd.DataFrame] = {}
    told: dict[str, pd.DataFrame] = {}
    for key, draft in drafts.items():
        name = key.removeprefix("told ")
        if key != name:
            # Rows without these are refused as readings; here they say nothing.
            known = ["client", "date"] if name == "visits" else ["client"]
            draft = draft.dropna(subset=known)
        elif "lost" in draft:
            draft = book.set_aside(
                name,
                draft,
                draft["lost"].fillna(False).astype(bool),
                rule="neither visit nor date",
                reason="the row holds no reading, and no client with a visit or date",
            )
        if key == name and "date_text" in draft:
            draft = book.set_aside(
                name,
                draft,
                draft["date"].isna() & draft["date_text"].notna(),
                rule="unreadable date",
                column=plan.columns.get("date", "date"),
                old=lambda rows: rows["date_text"],
                reason="no date of the years 1900 to 2100 in the form of its column",
            )
        settings = {
            column.name: _settings(column.name, raws, plan) for column in TABLES[name].columns
        }
        typed = type_table(
            draft, name, book=book, faults=faults, settings=settings, missing=missing
        )
        (tables if key == name else told)[name] = typed
    faults.raise_if_any()
    return tables, told


def _settings(column: str, raws: list[RawTable], plan: Mapping) -> dict[str, Any]:
    """Give what the mapping, or else the data package, says of a column."""
    declared = {key: value for raw in raws for key, value in raw.formats.get(column, {}).items()}
    form = declared.get("format", "").replace("-", "/").replace(".", "/").casefold()
    order = {"%d/%m/%y": "day-first", "%m/%d/%y": "month-first"}.get(form)
    return {
        "date_order": plan.file.date_order or order,
        "decimal": plan.file.decimal or declared.get("decimalChar"),
        "pairs": plan.file.pairs,
    }
