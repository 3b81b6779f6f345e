"""Linking: every reading gets its episode, visit and date; visits and clients are completed.

Where a table of visits exists, it decides: a reading that names a visit takes the visit's date,
and a reading that names a date takes the visit of that date. Where there is none, the visits are
made from the dates of the readings. Nothing else is inferred.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.records.caseload import empty_table
from outcomes.records.checking import row_codes
from outcomes.records.ledger import LedgerBook, written_in
from outcomes.records.schema import TABLES

__all__ = [
    "complete_visits",
    "derive_clients",
    "derive_visits",
    "describe",
    "link_rows",
    "number_trials",
]


def complete_visits(visits: pd.DataFrame, *, book: LedgerBook) -> pd.DataFrame:
    """Fill episode (1) and visit numbers (order of dates) where they are blank."""
    visits = visits.assign(episode=visits["episode"].fillna(1))
    blank = visits["visit"].isna().to_numpy()
    if not blank.any():
        return visits
    group = row_codes(visits, ["client", "episode"])
    taken = visits["visit"].fillna(0).groupby(group).transform("max").to_numpy(dtype=np.int64)
    date = visits["date"].to_numpy()
    order = np.lexsort((np.arange(len(visits)), date, ~blank, group))
    rank = np.empty(len(visits), dtype=np.int64)
    ordered = group[order]
    starts = np.r_[True, ordered[1:] != ordered[:-1]]
    first = np.maximum.accumulate(np.where(starts, np.arange(len(order)), 0))
    rank[order] = np.arange(len(order)) - first + 1
    number = np.where(blank, taken + rank, visits["visit"].fillna(0).to_numpy(dtype=np.int64))
    visits = visits.assign(visit=pd.array(number, dtype="Int64"))
    book.note(
        "visits",
        visits,
        blank & (taken > 0),
        rule="visit number missing",
        column="visit",
        new=lambda rows: rows["visit"].astype("str"),
        reason="other visits of the episode are numbered; this one was given the next free number",
    )
    return visits


def derive_visits(rows: pd.DataFrame) -> pd.DataFrame:
    """Make the table of visits from the dated rows of measurements and answers."""
    dated = rows.loc[rows["date"].notna()]
    if dated.empty:
        return empty_table("visits")
    dated = dated.assign(episode=dated["episode"].fillna(1))
    numbered = dated["visit"].notna().to_numpy()
    parts = []
    if numbered.any():
        given = dated.loc[numbered].sort_values(
            ["date", "source_file", "source_row"], kind="stable"
        )
        key = row_codes(given, ["client", "episode", "visit"])
        parts.append(given.loc[~pd.Series(key).duplicated().to_numpy()])
    if not numbered.all():
        plain = dated.loc[~numbered]
        key = row_codes(plain, ["client", "episode", "date"])
        plain = plain.loc[~pd.Series(key).duplicated().to_numpy()]
        if parts:
            known = pd.concat([parts[0], plain], ignore_index=True)
            again = pd.Series(row_codes(known, ["client", "episode", "date"])).duplicated()
            plain = plain.loc[~again.to_numpy()[len(parts[0]) :]]
        parts.append(plain)
    found = pd.concat(parts, ignore_index=True)
    visits = empty_table("visits").reindex(range(len(found)))
    for name in ("client", "episode", "visit", "date", "source_file", "source_row"):
        visits[name] = found[name].astype(visits[name].dtype)
    visits = complete_visits(visits, book=LedgerBook())
    order = visits.sort_values(["client", "episode", "visit"], kind="stable").index
    return visits.loc[order].reset_index(drop=True)


def link_rows(
    frame: pd.DataFrame, visits: pd.DataFrame, name: str, *, book: LedgerBook, derived: bool
) -> pd.DataFrame:
    """Give rows their episode, visit and date from the visits; rows without one are set aside.

    `derived` says that the visits were made from these rows, so that differing dates of one
    visit are worth a question.
    """
    frame = frame.reset_index(drop=True)
    lost = (frame["visit"].isna() & frame["date"].isna()).to_numpy()
    frame = book.set_aside(
        name,
        frame,
        lost,
        rule="neither visit nor date",
        reason="the row gives neither the visit nor a date",
    ).reset_index(drop=True)
    when = ["client", "episode", "visit", "date"]
    both = pd.concat([frame.loc[:, when], visits.loc[:, when]], ignore_index=True)
    n = len(frame)
    by_visit = frame["visit"].notna().to_numpy()
    place = np.full(n, -1, dtype=np.int64)
    filled = both.assign(episode=both["episode"].fillna(1))
    if by_visit.any():
        key = row_codes(filled, ["client", "episode", "visit"])
        place[by_visit] = _find(key[n:], key[:n][by_visit])
    if not by_visit.all():
        rest = ~by_visit
        given = rest & frame["episode"].notna().to_numpy()
        if given.any():
            key = row_codes(filled, ["client", "episode", "date"])
            place[given] = _find(key[n:], key[:n][given])
        free = rest & ~given
        if free.any():
            key = row_codes(both, ["client", "date"])
            place[free] = _find(key[n:], key[:n][free])
    missing = place < 0
    if missing.any():
        reason = np.where(
            by_visit,
            "the visits table has no such visit of this client",
            "the client has no visit on this date; correct the date or add the visit",
        )
        frame = book.set_aside(
            name,
            frame,
            missing,
            rule="no such visit",
            column=np.where(by_visit, "visit", "date"),
            old=lambda rows: _date_text(rows["date"]).where(
                rows["visit"].isna(), rows["visit"].astype("str")
            ),
            reason=reason,
        )
        place = place[~missing]
    found = visits.iloc[place]
    date = found["date"].array
    frame = frame.assign(visit_date=date)
    differs = (frame["date"].notna() & (frame["date"] != frame["visit_date"])).to_numpy()
    book.note(
        name,
        frame,
        differs,
        rule="date differs from the visit's",
        column="date",
        old=lambda rows: _date_text(rows["date"]),
        new=lambda rows: _date_text(rows["visit_date"]),
        reason="one visit has several dates; the earliest is used"
        if derived
        else "the row names a visit of another date; the visit's date is used",
    )
    return frame.assign(episode=found["episode"].array, visit=found["visit"].array, date=date)


def _find(known: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Give the position in `known` of each wanted key (the first, if several), or -1."""
    order = np.argsort(known, kind="stable")
    sorted_ = known[order]
    at = np.searchsorted(sorted_, wanted)
    inside = np.minimum(at, max(len(sorted_) - 1, 0))
    if not len(sorted_):
        return np.full(len(wanted), -1, dtype=np.int64)
    return np.where(sorted_[inside] == wanted, order[inside], -1)


def _date_text(dates: pd.Series) -> pd.Series:
    return dates.dt.strftime("%Y-%m-%d").astype("str")


def number_trials(
    frame: pd.DataFrame, *, book: LedgerBook, once: frozenset[str] = frozenset()
) -> pd.DataFrame:
    """Give trial numbers, in file order, where none are given; all-equal repeats are duplicates.

    Two rows that agree in everything, value included, and give no trial may be one reading
    entered twice. If all rows of the reading agree they are taken for that, and the later ones
    are set aside: the mean is the same either way, and the error is not made to look smaller.
    Measures in `once` (scales that a client fills in) have one trial a visit.
    """
    blank = frame["trial"].isna().to_numpy()
    if not blank.any():
        return frame
    single = blank & frame["measure"].isin(list(once)).to_numpy()
    if single.any():
        frame = frame.assign(trial=frame["trial"].where(~single, 1))
        blank = blank & ~single
    key = row_codes(
        frame, ["client", "episode", "visit", "measure", "side", "moment", "instrument", "mode"]
    )
    key = np.where(blank, key, -1)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    starts = np.r_[True, ordered[1:] != ordered[:-1]] if len(ordered) else np.zeros(0, dtype=bool)
    first = np.maximum.accumulate(np.where(starts, np.arange(len(order)), 0))
    rank = np.empty(len(frame), dtype=np.int64)
    rank[order] = np.arange(len(order)) - first
    value = frame["value"].to_numpy()
    differs = np.zeros(len(frame), dtype=bool)
    differs[order] = value[order] != value[order][first]
    group = np.cumsum(starts) - 1
    varied_group = np.bincount(group, weights=differs[order]) > 0 if len(order) else np.zeros(0)
    varied = np.zeros(len(frame), dtype=bool)
    varied[order] = varied_group[group] if len(order) else False
    repeated = blank & (rank > 0) & ~varied
    trial = frame["trial"].where(~blank, pd.array(rank + 1, dtype="Int64"))
    frame = frame.assign(trial=trial)
    return book.set_aside(
        "measurements",
        frame,
        repeated,
        rule="duplicate row",
        column=written_in("value"),
        old=lambda rows: rows["value"].astype("str"),
        reason="an earlier row says the same, and neither gives a trial number",
    )


def derive_clients(
    clients: pd.DataFrame, others: list[pd.DataFrame], *, book: LedgerBook
) -> tuple[pd.DataFrame, int]:
    """Add the clients that other tables name and the clients table lacks; give their number."""
    had = len(clients) > 0
    kept = ["client", "source_file", "source_row"]
    seen = pd.concat([other.loc[:, kept] for other in others], ignore_index=True)
    seen = seen.drop_duplicates("client")
    new = seen.loc[~seen["client"].isin(clients["client"])]
    if new.empty:
        return clients, 0
    added = empty_table("clients").reindex(range(len(new)))
    for name in kept:
        added[name] = new[name].array.astype(added[name].dtype)
    if had:
        book.note(
            "clients",
            added,
            np.ones(len(added), dtype=bool),
            rule="client not in the clients table",
            reason="other tables name this client; a row with the code alone was added",
        )
    return pd.concat([clients, added], ignore_index=True), len(added)


def describe(rows: pd.DataFrame, table: str, key: list[str], *, book: LedgerBook) -> pd.DataFrame:
    """Give one row per key with the first value of each column; contradictions are asked about."""
    if rows.empty:
        return rows
    codes = row_codes(rows, key)
    first = rows.groupby(codes, sort=False).first()
    for name in TABLES[table].names:
        if name in key or name not in rows or not bool(rows[name].notna().any()):
            continue
        usual = first[name].reindex(codes).array
        clash = rows[name].notna().to_numpy() & (rows[name].array != usual)
        clash = np.asarray(pd.array(clash, dtype="boolean").fillna(False), dtype=bool)
        book.note(
            table,
            rows,
            clash,
            rule=f"{name} differs between rows",
            column=name,
            reason="an earlier row says otherwise, and is used",
        )
    return first.reset_index(drop=True)
