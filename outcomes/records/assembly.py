"""From typed tables to linked and checked ones: measures, visits, links, trials, duplicates."""

from __future__ import annotations

from collections import Counter

import pandas as pd

from outcomes.records.caseload import Source, empty_table
from outcomes.records.checking import (
    ask_about_zero,
    check_measurements,
    set_aside_clashes,
    set_aside_repeats,
)
from outcomes.records.known import known_measures
from outcomes.records.ledger import LedgerBook
from outcomes.records.linking import (
    complete_visits,
    derive_clients,
    derive_visits,
    describe,
    link_rows,
    number_trials,
)
from outcomes.records.mapping import Mapping
from outcomes.records.mapping.shaping import own_zero
from outcomes.records.naming import MEASURED
from outcomes.records.schema import TABLES
from outcomes.records.sources import RawTable

__all__ = ["Sources", "assemble", "count_rows"]


def count_rows(rows_in: Counter[tuple[str, str]], table: str, rows: pd.DataFrame) -> None:
    """Add the rows of each file to the count of a table."""
    for file, count in rows["source_file"].value_counts().items():
        rows_in[table, str(file)] += int(count)


class Sources:
    """What was read: rows by file and table."""

    def __init__(
        self, raws: list[RawTable], rows_in: Counter[tuple[str, str]], book: LedgerBook
    ) -> None:
        self.hashes = {raw.file: raw.sha256 for raw in raws}
        self.rows_in = rows_in + book.gained

    def count(self, table: str, rows: pd.DataFrame) -> None:
        """Count rows that were made from other rows, under the file that they come from."""
        count_rows(self.rows_in, table, rows)

    def listed(self) -> tuple[Source, ...]:
        """Give the sources in the order of files and tables."""
        order = {name: i for i, name in enumerate(TABLES)}
        keys = sorted(self.rows_in, key=lambda key: (key[1], order[key[0]]))
        return tuple(
            Source(file, self.hashes[file], table, self.rows_in[table, file])
            for table, file in keys
        )


def assemble(
    tables: dict[str, pd.DataFrame],
    told: dict[str, pd.DataFrame],
    plan: Mapping,
    book: LedgerBook,
    sources: Sources,
) -> None:
    """Check, link and complete the typed tables, in place.

    `told` holds what the rows of a clinic's own layout say about visits and clients.
    """
    for name in TABLES:
        tables.setdefault(name, empty_table(name))
    readings = own_zero(tables["measurements"], plan, book=book)
    tables["measurements"] = check_measurements(readings, book=book, own=plan.measures)
    ask_about_zero(tables["measurements"], book=book)
    given = len(tables["visits"]) > 0
    tables["visits"] = _visits(tables, told, book, sources)
    for name in MEASURED:
        tables[name] = link_rows(tables[name], tables["visits"], name, book=book, derived=not given)
    readings = tables["measurements"]
    readings = readings.assign(moment=readings["moment"].fillna("before"))
    known = known_measures(plan.measures)
    once = frozenset(known.index[known["self_report"].to_numpy(dtype=bool)])
    tables["measurements"] = number_trials(readings, book=book, once=once)
    episode = tables["treatments"]["episode"].fillna(1)
    tables["treatments"] = tables["treatments"].assign(episode=episode)
    for name in (*MEASURED, "clients"):
        tables[name] = set_aside_clashes(tables[name], name, book=book)
    for name in ("treatments", "home_exercise", "events"):
        tables[name] = set_aside_repeats(tables[name], name, book=book)
    tables["clients"] = _clients(tables, told, book, sources)
    for name, table in TABLES.items():
        kept = [*table.names, "source_file", "source_row"]
        tables[name] = tables[name].loc[:, kept].reset_index(drop=True)


def _visits(
    tables: dict[str, pd.DataFrame],
    told: dict[str, pd.DataFrame],
    book: LedgerBook,
    sources: Sources,
) -> pd.DataFrame:
    """Complete the table of visits, or make it from the dated rows."""
    visits = tables["visits"]
    if len(visits):
        visits = set_aside_repeats(visits, "visits", book=book)
        visits = complete_visits(visits, book=book)
        return set_aside_clashes(visits, "visits", book=book)
    kept = ["client", "episode", "visit", "date", "source_file", "source_row"]
    dated = [tables[name].loc[:, kept] for name in MEASURED]
    rows = told.get("visits", visits)
    made = derive_visits(pd.concat([*dated, rows.loc[:, kept]], ignore_index=True))
    sources.count("visits", made)
    if rows.empty:
        return made
    rows = rows.assign(episode=rows["episode"].fillna(1))
    key = ["client", "episode", "date"]
    about = ["practitioner", "attended", "end_reason", "phase"]
    once = describe(rows.drop(columns="visit"), "visits", key, book=book)
    merged = made[key].merge(once[[*key, *about]], on=key, how="left")
    return made.assign(**{name: merged[name].array for name in about})


def _clients(
    tables: dict[str, pd.DataFrame],
    told: dict[str, pd.DataFrame],
    book: LedgerBook,
    sources: Sources,
) -> pd.DataFrame:
    """Complete the table of clients by what the rows tell, and by the codes that they use."""
    clients = tables["clients"]
    if clients.empty and "clients" in told:
        clients = describe(told["clients"], "clients", ["client"], book=book)
        sources.count("clients", clients)
    others = [tables[name] for name in TABLES if name != "clients"]
    complete, added = derive_clients(clients, others, book=book)
    if added:
        sources.count("clients", complete.iloc[len(clients) :])
    return complete
