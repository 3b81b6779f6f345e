"""The ledger: one entry for every row that is set aside, changed or asked about.

A `LedgerBook` is filled while a source is read. Its rule is conservation: a row leaves a table
only through `set_aside`, which writes exactly one entry for it. Entries come out in the order of
table, file, row and time of entry, so that one input gives one ledger, byte for byte.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.records.caseload import LEDGER_COLUMNS, empty_ledger
from outcomes.records.schema import TABLES

__all__ = ["LedgerBook", "balance_faults", "refuse_set_aside", "shown", "written_in"]

_TABLE_ORDER = {name: i for i, name in enumerate(TABLES)}
_LONGEST_SHOWN = 40


def shown(text: pd.Series, *, figures: bool = False) -> pd.Series:
    """Give cell texts as a ledger may show them; of what may be prose only the length.

    A code or a word is shown if it is short and has three words at most. Where `figures` (dates,
    numbers) are expected, a word of four letters or more is prose.

    Examples
    --------
    >>> shown(pd.Series(["31/02/2026", "rang to cancel"]), figures=True).tolist()
    ['31/02/2026', 'text of 14 letters']
    """
    text = text.astype("str")
    prose = (text.str.len() > _LONGEST_SHOWN) | (text.str.count(r"\s+") > 2)
    if figures:
        prose |= text.str.contains(r"[^\W\d_]{4}", regex=True)
    prose = prose.fillna(False).astype(bool)
    if not prose.any():
        return text
    lengths = text.str.len().astype("Int64").astype("str")
    return text.where(~prose, "text of " + lengths + " letters")


def written_in(column: str) -> Callable[[pd.DataFrame], Any]:
    """Name the clinic's own column of each row where it is known, else the column given."""
    return lambda rows: rows["source_column"].fillna(column) if "source_column" in rows else column


@dataclass
class LedgerBook:
    """Collects entries while a source is read."""

    _parts: list[pd.DataFrame] = field(default_factory=list)
    #: Rows that a table gained because one cell held several readings, by table and file.
    gained: Counter[tuple[str, str]] = field(default_factory=Counter)

    def write(
        self,
        table: str,
        rows: pd.DataFrame,
        *,
        rule: Any,
        action: str,
        reason: Any,
        column: Any = "",
        old: Any = None,
        new: Any = None,
    ) -> None:
        """Write one entry per row of `rows` (which has source_file, source_row and client)."""
        if len(rows) == 0:
            return
        entry = pd.DataFrame(index=rows.index)
        entry["table"] = table
        entry["source_file"] = rows["source_file"]
        entry["source_row"] = rows["source_row"]
        entry["client"] = rows["client"] if "client" in rows else None
        entry["rule"] = rule
        entry["action"] = action
        entry["column"] = column
        entry["old_value"] = old
        entry["new_value"] = new
        entry["reason"] = reason
        self._parts.append(entry.astype(LEDGER_COLUMNS))

    def set_aside(
        self, table: str, frame: pd.DataFrame, broken: Any, *, rule: Any, reason: Any, **more: Any
    ) -> pd.DataFrame:
        """Take the broken rows out of `frame`, with one entry each; give back the others.

        `rule`, `reason`, `column`, `old` and `new` are one text, or one per row of the frame, or
        a function of the broken rows.
        """
        mask = np.asarray(broken, dtype=bool)
        if not mask.any():
            return frame
        rows = frame.loc[mask]
        picked = _pick(mask, rows, {**more, "rule": rule, "reason": reason})
        self.write(table, rows, action="set aside", **picked)
        return frame.loc[~mask]

    def note(
        self, table: str, frame: pd.DataFrame, where: Any, *, rule: str, reason: Any, **more: Any
    ) -> None:
        """Write an entry for the rows `where`, which stay in use.

        The action is ``changed`` if `new` is given, otherwise ``asked``.
        """
        mask = np.asarray(where, dtype=bool)
        if not mask.any():
            return
        rows = frame.loc[mask]
        picked = _pick(mask, rows, {**more, "rule": rule, "reason": reason})
        action = "asked" if more.get("new") is None else "changed"
        self.write(table, rows, action=action, **picked)

    def remark(
        self,
        table: str,
        file: str,
        *,
        rule: str,
        reason: str,
        column: str = "",
        row: int | None = None,
    ) -> None:
        """Write one entry about a whole file or column, or one row of it: action ``asked``."""
        entry = pd.DataFrame(
            {"source_file": [file], "source_row": pd.array([row], dtype="Int64"), "client": [None]}
        )
        self.write(table, entry, rule=rule, action="asked", reason=reason, column=column)

    def frame(self) -> pd.DataFrame:
        """Give the ledger in its fixed order."""
        if not self._parts:
            return empty_ledger()
        ledger = pd.concat(self._parts, ignore_index=True)
        order = np.array([_TABLE_ORDER.get(name, -1) for name in ledger["table"].tolist()])
        rows = ledger["source_row"].fillna(0).to_numpy(dtype=np.int64)
        files = pd.factorize(ledger["source_file"], sort=True)[0]
        return ledger.iloc[np.lexsort((rows, files, order))].reset_index(drop=True)


def refuse_set_aside(ledger: pd.DataFrame) -> None:
    """Raise at the first table that had any row set aside: all of them listed, by rule."""
    for table in TABLES:
        aside = ledger.loc[(ledger["table"] == table) & (ledger["action"] == "set aside")]
        if len(aside):
            break
    else:
        return
    lines = []
    for key, part in aside.groupby(["source_file", "rule"], sort=True):
        file, rule = key if isinstance(key, tuple) else (key, "")
        rows = ", ".join(str(row) for row in part["source_row"].head(200))
        more = f" and {len(part) - 200:,} more" if len(part) > 200 else ""
        lines.append(f"{file}: {rule}: row{'s' if len(part) > 1 else ''} {rows}{more}")
    raise DataError(
        f"table {table} must have no refused row when read strictly; {len(aside):,} "
        f"{'is' if len(aside) == 1 else 'are'} refused:\n"
        + "\n".join(lines)
        + "\nCorrect them in the source, or read with strict=False and work through the ledger.",
        rows=[int(row) for row in aside["source_row"].dropna()],
    )


def _pick(mask: np.ndarray, rows: pd.DataFrame, values: dict[str, Any]) -> dict[str, Any]:
    """Give the values for the masked rows: texts as they are, functions applied to the rows."""
    picked = {}
    for name, value in values.items():
        if callable(value):
            picked[name] = value(rows)
        elif isinstance(value, (pd.Series, np.ndarray)):
            picked[name] = value[mask]
        else:
            picked[name] = value
    return picked


def balance_faults(balance: pd.DataFrame) -> list[str]:
    """Name the tables whose rows in differ from rows used + rows set aside (none, if right)."""
    off = balance["rows_in"] != balance["rows_used"] + balance["rows_set_aside"]
    return balance.loc[off, "table"].tolist()
