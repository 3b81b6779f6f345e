"""A caseload that may leave the clinic: codes, dates and facts that lead back to no one.

Anonymising lowers the risk and cannot remove it: whoever knows a client well may recognise the
course of a rare case. The number of clients who share the facts that an outsider could know
(k-anonymity) says how crowded the hiding place is.
"""

from __future__ import annotations

import csv
import io
import secrets
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_columns, check_count
from outcomes.records.caseload import DTYPES, Caseload, Source, empty_ledger
from outcomes.records.safe_text import harmless, harmless_text, write_owner_only
from outcomes.records.schema import TABLES
from outcomes.records.small_counts import hide_small_counts
from outcomes.results import Claim

__all__ = [
    "Anonymised",
    "KAnonymity",
    "anonymise",
    "harmless_text",
    "hide_small_counts",
    "k_anonymity",
    "write_owner_only",
]

#: Facts that an outsider could know of a client.
IDENTIFYING = ("birth_year", "sex", "complaint", "clinic")
#: Lower ends of the bands of symptom duration, in weeks.
ONSET_BANDS = (0, 6, 12, 26, 52, 104)
#: Kinds of instrument whose name may stay.
_INSTRUMENTS = ("goniometer", "inclinometer", "tape", "dynamometer", "form", "items", "photograph")
#: Words of the trade that are no free text: kept however rare.
_KEPT = frozenset({"measure", "questionnaire", "unit", "dose_unit", "phase"})
_PEOPLE = ("practitioner", "rater")
_NOT_SHOWN = "not shown"


@dataclass(frozen=True, eq=False, kw_only=True)
class KAnonymity(Claim):
    """How many clients share their identifying facts.

    Attributes
    ----------
    n : int
        Clients.
    smallest_group : int
        Size k of the smallest group of clients with the same facts; 0 without clients.
    n_groups : int
        Groups.
    n_unique : int
        Clients whose facts nobody shares.
    n_small : int
        Clients in groups smaller than `least`.
    least : int
        Size from which a group counts as large enough.
    small_groups : DataFrame
        The groups below `least`, with their facts and n. For the clinic's own eyes.
    """

    n: int
    smallest_group: int
    n_groups: int
    n_unique: int
    n_small: int
    least: int
    small_groups: pd.DataFrame


@dataclass(frozen=True, eq=False, kw_only=True)
class Anonymised(Claim):
    """An anonymised caseload, and what was done to get it.

    Attributes
    ----------
    caseload : Caseload
        What may leave the clinic.
    n_in, n_left_out, n : int
        Clients read, left out for want of consent to a case report, and kept.
    n_words_dropped : int
        Cells of rare words and free text that were emptied.
    before, after : KAnonymity
        Of the clients kept, before and after.
    """

    n_in: int
    n_left_out: int
    n: int
    n_words_dropped: int
    caseload: Caseload
    before: KAnonymity
    after: KAnonymity


def k_anonymity(
    clients: pd.DataFrame, *, columns: Sequence[str] = IDENTIFYING, least: int = 5
) -> KAnonymity:
    """Count how many clients share the facts that an outsider could know.

    Parameters
    ----------
    clients : DataFrame
        One row per client.
    columns : sequence of str
        The facts; a missing one counts as a value of its own.
    least : int
        Size from which a group is large enough.

    Returns
    -------
    KAnonymity

    Raises
    ------
    DataError
        If a column is absent.

    References
    ----------
    Sweeney 2002, Int J Uncertain Fuzz 10:557.

    Examples
    --------
    >>> clients = pd.DataFrame({"sex": ["f", "f", "m"], "complaint": ["neck", "neck", "neck"]})
    >>> found = k_anonymity(clients, columns=["sex", "complaint"])
    >>> found.smallest_group, found.n_unique, found.n_small
    (1, 1, 3)
    """
    check_count("least", least, least=2, remedy="Give 5")
    columns = list(columns)
    check_columns(clients, columns, thing="the table of clients")
    alike = clients[columns].assign(n=1).groupby(columns, dropna=False, sort=True)
    sizes = alike.agg({"n": "sum"}).reset_index()
    size = sizes["n"].to_numpy(dtype=np.int64)
    return KAnonymity(
        n=len(clients),
        smallest_group=int(size.min(initial=len(clients))),
        n_groups=len(size),
        n_unique=int((size == 1).sum()),
        n_small=int(size[size < least].sum()),
        least=least,
        small_groups=sizes.loc[size < least].reset_index(drop=True),
    )


def anonymise(
    caseload: Caseload,
    *,
    key_file: str | Path,
    rare_below: int = 5,
    band_years: int = 10,
    shift_days: int = 365,
) -> Anonymised:
    """Make a copy of a caseload that leads back to no client.

    Use before records leave the clinic, for a case series or for colleagues. Read the result once
    more yourself: no rule knows what people at home know.

    Parameters
    ----------
    caseload : Caseload
        The clinic's records.
    key_file : path
        New file, readable by its owner alone, that leads from the new codes back to the old. Keep
        it in the clinic. Without it the way back is lost.
    rare_below : int
        Words (complaints, reasons, events) that fewer clients share are dropped.
    band_years : int
        Width of the bands of birth years; a band is named by its first year.
    shift_days : int
        Each client's dates are shifted by one random number of days, up to this many either way.

    Returns
    -------
    Anonymised
        With the caseload, the clients left out, and k-anonymity before and after.

    Raises
    ------
    ArgumentError
        If a number lies outside its rule.
    DataError
        If no client has consented, or the key file exists or cannot be written.

    Notes
    -----
    Clients without recorded consent to a case report are left out. Client, practitioner, rater and
    clinic codes are replaced at random, instruments named by their kind, symptom duration banded.
    Intervals between a client's dates stay; the season and the order of clients do not. The ledger
    and the places in the source files are left behind, as they lead back.
    """
    check_count("rare_below", rare_below, least=2, remedy="Give 5")
    check_count("band_years", band_years, least=5, remedy="Give 10")
    check_count("shift_days", shift_days, least=30, remedy="Give 365")
    agreed = caseload.clients["consent_case_report"].fillna(False).to_numpy(dtype=bool)
    kept = caseload.clients.loc[agreed].drop_duplicates("client")
    if kept.empty:
        raise DataError(
            "clients must have consented to a case report; none has. Record the consent first."
        )
    before = k_anonymity(kept, least=rare_below)
    tables = {
        name: table.loc[table["client"].isin(list(kept["client"]))]
        for name, table in caseload.tables.items()
    }
    key: list[tuple[str, str, str, str]] = []
    tables, tools = _recode(tables, key, shift_days)
    tables["clients"] = _banded(tables["clients"], band_years, rare_below)
    dropped = 0
    for name in TABLES:
        tables[name], lost = _without_rare_words(tables[name], name, rare_below)
        dropped += lost
        tables[name] = _shuffled(tables[name], name)
    write_owner_only(key_file, _key_text(key))
    safe = replace(
        caseload,
        tables=tables,
        ledger=empty_ledger(),
        sources=tuple(
            Source("anonymised records", "", name, len(table)) for name, table in tables.items()
        ),
        own_thresholds=tuple(
            replace(entry, design="", date=None, instrument=tools.get(entry.instrument, ""))
            for entry in caseload.own_thresholds or ()
        ),
    )
    return Anonymised(
        n_in=len(caseload.clients),
        n_left_out=len(caseload.clients) - len(kept),
        n=len(kept),
        n_words_dropped=dropped,
        caseload=safe,
        before=before,
        after=k_anonymity(safe.clients, least=rare_below),
    )


def _recode(
    tables: dict[str, pd.DataFrame], key: list[tuple[str, str, str, str]], shift_days: int
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Replace codes and shift dates, and note every replacement in the key."""
    clients = [str(code) for code in tables["clients"]["client"]]
    codes = dict(zip(clients, _random_codes(len(clients)), strict=True))
    days = [secrets.randbelow(2 * shift_days) - shift_days for _ in clients]
    shift = {c: day + (day >= 0) for c, day in zip(clients, days, strict=True)}  # never zero
    key += [("client", old, new, str(shift[old])) for old, new in codes.items()]
    people = _numbered("practitioner", _words(tables.values(), _PEOPLE), key)
    sites = _numbered("clinic", _words(tables.values(), ("clinic",)), key)
    tools = _tools(_words(tables.values(), ("instrument",)), key)
    recoded = {}
    for name, table in tables.items():
        moved = pd.to_timedelta([shift[str(c)] for c in table["client"]], unit="D")
        table = table.assign(client=_mapped(table["client"], codes))
        if "date" in table:
            table["date"] = (table["date"] + moved.to_numpy()).astype(DTYPES["date"])
        for column, names in (("clinic", sites), ("instrument", tools)):
            if column in table:
                table[column] = _mapped(table[column], names)
        for column in _PEOPLE:
            if column in table:
                table[column] = _mapped(table[column], people)
        recoded[name] = table
    return recoded, tools


def _random_codes(n: int) -> list[str]:
    """Give different random codes that say nothing of the order."""
    codes: dict[str, None] = {}
    while len(codes) < n:
        codes[f"C{secrets.token_hex(4)}"] = None
    return list(codes)


def _words(tables: Iterable[pd.DataFrame], columns: Sequence[str]) -> list[str]:
    found: set[str] = set()
    for table in tables:
        for column in columns:
            if column in table:
                found |= {str(word) for word in table[column].dropna().unique()}
    return sorted(found)


def _numbered(kind: str, words: list[str], key: list[tuple[str, str, str, str]]) -> dict[str, str]:
    """Name words by a number drawn at random."""
    order = list(range(1, len(words) + 1))
    secrets.SystemRandom().shuffle(order)
    names = {word: f"{kind} {number}" for word, number in zip(words, order, strict=True)}
    key += [(kind, old, new, "") for old, new in names.items()]
    return names


def _tools(words: list[str], key: list[tuple[str, str, str, str]]) -> dict[str, str]:
    """Name instruments by their kind, with a number where there are several of a kind."""
    by_kind: dict[str, list[str]] = {}
    for word in words:
        kind = next((kind for kind in _INSTRUMENTS if kind in word.casefold()), "instrument")
        by_kind.setdefault(kind, []).append(word)
    names: dict[str, str] = {}
    for kind, same in by_kind.items():
        if kind != "instrument" and len(same) == 1:
            names[same[0]] = kind
            key.append(("instrument", same[0], kind, ""))
        else:
            names |= _numbered(kind, same, key)
    return names


def _mapped(words: Iterable[Any], names: dict[str, str]) -> pd.api.extensions.ExtensionArray:
    return pd.array([names.get(word) for word in words], dtype="str")


def _banded(clients: pd.DataFrame, band_years: int, rare_below: int) -> pd.DataFrame:
    """Put birth years and symptom durations into bands; drop bands that few clients share."""
    year = clients["birth_year"].astype("Int64") // band_years * band_years
    onset = clients["onset_weeks"].to_numpy(dtype=float)
    place = np.searchsorted(ONSET_BANDS, np.where(np.isnan(onset), 0, onset), side="right") - 1
    banded = np.asarray(ONSET_BANDS, dtype=float)[np.maximum(place, 0)]
    onset = pd.Series(np.where(np.isnan(onset), np.nan, banded), index=clients.index)
    return clients.assign(
        birth_year=year.mask(_rare(list(year), list(clients["client"]), rare_below)),
        onset_weeks=onset.mask(_rare(list(onset), list(clients["client"]), rare_below)),
    )


def _rare(words: list[Any], clients: list[Any], below: int) -> np.ndarray:
    """Mark the cells whose word fewer than `below` clients have."""
    shared = Counter(word for word, _ in set(zip(words, clients, strict=True)) if pd.notna(word))
    return np.array([pd.notna(word) and shared[word] < below for word in words], dtype=bool)


def _without_rare_words(table: pd.DataFrame, name: str, below: int) -> tuple[pd.DataFrame, int]:
    """Empty the cells of free text and of words that few clients share."""
    dropped = 0
    for column in TABLES[name].columns:
        if column.kind != "word" or column.choices or column.name in _KEPT | {"instrument"}:
            continue
        rare = _rare(list(table[column.name]), list(table["client"]), below)
        dropped += int(rare.sum())
        emptied = _NOT_SHOWN if column.required else None
        table = table.assign(**{column.name: table[column.name].mask(rare, emptied)})
    return table, dropped


def _shuffled(table: pd.DataFrame, name: str) -> pd.DataFrame:
    """Order by the new codes, so that the order of clients tells nothing, and number anew."""
    table = table.sort_values("client", kind="stable", ignore_index=True)
    return table.assign(
        source_file=pd.array([f"{name}.csv"] * len(table), dtype="str"),
        source_row=pd.array(np.arange(2, len(table) + 2), dtype="Int64"),
    )


def _key_text(key: Iterable[tuple[Any, ...]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow(["kind", "old", "new", "days added"])
    writer.writerows(
        [harmless(str(cell)) if i != 3 else cell for i, cell in enumerate(line)] for line in key
    )
    return text.getvalue()
