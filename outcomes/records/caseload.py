"""The checked caseload: seven plain tables, the ledger of what was done to them, their sources.

A `Caseload` is only ever made by reading (`outcomes.records.read_caseload`) or by a step that
takes one and gives a new one. Its tables have the columns of `outcomes.records.schema`, whole
(absent ones are there, empty), plus `source_file` and `source_row`, which lead back to the
clinic's own file: the row number is the one that a spreadsheet shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import pandas as pd

from outcomes.measures.own_thresholds import OwnThreshold
from outcomes.records.schema import TABLES

__all__ = ["DTYPES", "LEDGER_COLUMNS", "Caseload", "Source", "empty_ledger", "empty_table"]

#: How each kind of column is stored.
DTYPES = {
    "code": "str",
    "word": "str",
    "date": "datetime64[us]",
    "whole": "Int64",
    "number": "float64",
    "truth": "boolean",
}

#: One row of the ledger is one thing done to one row of a source.
#: `action` is ``set aside`` (row not used), ``changed`` (row used, cell altered) or ``asked``
#: (row used as it stands, a person should look).
LEDGER_COLUMNS = {
    "table": "str",
    "source_file": "str",
    "source_row": "Int64",
    "client": "str",
    "rule": "str",
    "action": "str",
    "column": "str",
    "old_value": "str",
    "new_value": "str",
    "reason": "str",
}


@dataclass(frozen=True)
class Source:
    """One file that was read: its name (no folder), hash, and the rows it gave to one table."""

    file: str
    sha256: str
    table: str
    rows_in: int


def empty_table(name: str) -> pd.DataFrame:
    """Build an empty table with all of its columns and the two that lead back to the source."""
    return _empty_table(name).copy()


@lru_cache
def _empty_table(name: str) -> pd.DataFrame:
    columns = {column.name: DTYPES[column.kind] for column in TABLES[name].columns}
    columns |= {"source_file": "str", "source_row": "Int64"}
    return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in columns.items()})


def empty_ledger() -> pd.DataFrame:
    """Build a ledger without entries."""
    return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in LEDGER_COLUMNS.items()})


@dataclass(frozen=True, eq=False, kw_only=True)
class Caseload:
    """A clinic's checked records.

    Attributes
    ----------
    tables : dict of str to DataFrame
        The seven tables of `outcomes.records.schema.TABLES`, each present even if empty.
    ledger : DataFrame
        What was set aside, changed or asked about; columns of `LEDGER_COLUMNS`.
    sources : tuple of Source
        The files read. A table made from another one (visits from dated readings) counts its
        rows as read from the same file.
    own_measures : dict of str to OwnMeasure
        Measures that the mapping declares beside the catalogue, by code.
    own_thresholds : tuple of OwnThreshold
        The clinic's own thresholds, which come before published ones.
    """

    tables: dict[str, pd.DataFrame]
    ledger: pd.DataFrame = field(default_factory=empty_ledger)
    sources: tuple[Source, ...] = ()
    own_measures: Mapping[str, Any] = field(default_factory=dict)
    own_thresholds: tuple[OwnThreshold, ...] = ()

    def __post_init__(self) -> None:
        for name in TABLES:
            if name not in self.tables:
                self.tables[name] = empty_table(name)

    @property
    def clients(self) -> pd.DataFrame:
        """One row per client."""
        return self.tables["clients"]

    @property
    def visits(self) -> pd.DataFrame:
        """One row per visit."""
        return self.tables["visits"]

    @property
    def measurements(self) -> pd.DataFrame:
        """One row per reading or questionnaire total."""
        return self.tables["measurements"]

    @property
    def answers(self) -> pd.DataFrame:
        """One row per questionnaire item."""
        return self.tables["answers"]

    @property
    def treatments(self) -> pd.DataFrame:
        """One row per procedure."""
        return self.tables["treatments"]

    @property
    def home_exercise(self) -> pd.DataFrame:
        """One row per diary line."""
        return self.tables["home_exercise"]

    @property
    def events(self) -> pd.DataFrame:
        """One row per unwanted event."""
        return self.tables["events"]

    @property
    def balance(self) -> pd.DataFrame:
        """Rows in, used and set aside per table; in = used + set aside, always."""
        rows = []
        for name in TABLES:
            aside = (self.ledger["table"] == name) & (self.ledger["action"] == "set aside")
            rows.append(
                {
                    "table": name,
                    "rows_in": sum(s.rows_in for s in self.sources if s.table == name),
                    "rows_used": len(self.tables[name]),
                    "rows_set_aside": int(aside.to_numpy().sum()),
                    "rows_changed": self._touched(name, "changed"),
                    "rows_asked": self._touched(name, "asked"),
                }
            )
        return pd.DataFrame(rows)

    def _touched(self, table: str, action: str) -> int:
        entries = self.ledger.loc[
            (self.ledger["table"] == table) & (self.ledger["action"] == action)
        ]
        rows = entries.loc[entries["source_row"].notna(), ["source_file", "source_row"]]
        return len(rows.drop_duplicates())

    def with_tables(self, ledger: pd.DataFrame | None = None, **tables: pd.DataFrame) -> Caseload:
        """Give a new caseload with some tables (and perhaps the ledger) replaced."""
        return replace(
            self,
            tables={**self.tables, **tables},
            ledger=self.ledger if ledger is None else ledger,
        )

    def _repr_html_(self) -> str:
        return self.balance.to_html(index=False)
