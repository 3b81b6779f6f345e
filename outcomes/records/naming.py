"""Tables of a source that are ours already: matched by name, their columns by header."""

from __future__ import annotations

import pandas as pd

from outcomes.errors import DataError, Faults
from outcomes.records.ledger import LedgerBook
from outcomes.records.mapping import Mapping
from outcomes.records.schema import TABLES
from outcomes.records.sources import RawTable

__all__ = ["MEASURED", "match_tables"]

#: The tables whose rows must say when they were taken.
MEASURED = ("measurements", "answers")


def match_tables(
    raws: list[RawTable], plan: Mapping, book: LedgerBook, faults: Faults
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Match raw tables with ours by name, and their columns by header.

    Returns
    -------
    drafts : dict of str to DataFrame
        By table name, in text.
    placed : dict of str to str
        File (with sheet) to name of our table.
    """
    drafts: dict[str, list[pd.DataFrame]] = {}
    placed: dict[str, str] = {}
    unread = []
    for raw in raws:
        name = plan.table_of(raw.name)
        if name is None:
            if raw.name != "ledger":  # that of an earlier reading, written beside the tables
                unread.append(raw)
            continue
        placed[raw.file] = name
        draft = _pick_columns(raw, name, plan, book, faults)
        drafts.setdefault(name, []).append(draft)
    if not plan.shapes and not set(drafts) & set(MEASURED):
        faults.add(_nothing_measured(raws))
    for raw in unread:
        reason = (
            f"{raw.name} is none of {', '.join(TABLES)}; its {len(raw.rows):,} rows were not read"
        )
        book.remark("", raw.file, rule="table not read", reason=reason)
    return {name: pd.concat(parts, ignore_index=True) for name, parts in drafts.items()}, placed


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
        places = raw.find(renamed[column]) if column in renamed else raw.find_plain(column)
        if len(places) > 1:
            faults.add(
                DataError(
                    f"{raw.file}: table {name} must have one column {column}; {len(places)} are "
                    "called so. Rename or remove the others."
                )
            )
        elif places:
            found[column] = raw.cells[places[0]]
            used.add(places[0])
    absent = [column for column in table.required if column not in found]
    if name in MEASURED and not {"visit", "date"} & set(found):
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
    draft = pd.DataFrame(found, index=raw.cells.index)
    draft["source_file"] = pd.Series(raw.file, index=draft.index, dtype="str")
    draft["source_row"] = pd.array(raw.rows, dtype="Int64")
    return draft
