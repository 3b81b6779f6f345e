"""Rules about clients: birth years, one code in two spellings, one person under two codes.

Possibly the same person are two codes whose recorded facts agree more than chance allows. Each
agreement counts with the logarithm of how rare it is: two clients of a random pair share a value
of frequency p with probability p, so sharing it is worth -log p (record linkage after Fellegi and
Sunter 1969, J Am Stat Assoc 64:1183, with the probability of agreement of a true pair taken as
one). A course that goes on under the second code within weeks of the last visit under the first
is worth the same way. Pairs are named whose sum exceeds the logarithm of the number of pairs by a
margin, so that less than one pair is expected by chance. Nothing is ever merged.
"""

from __future__ import annotations

import re
from collections import Counter
from math import log

import numpy as np
import pandas as pd

from outcomes.records.caseload import Caseload
from outcomes.records.cleaning.findings import findings, none_found
from outcomes.records.cleaning.records import Records, days_of

__all__ = [
    "birth_year_unlikely",
    "client_code_in_two_spellings",
    "possible_same_person",
    "same_person",
]

#: Facts that are compared; initials only where a source has them.
_FACTS = (
    "birth_year",
    "sex",
    "initials",
    "dominant_side",
    "affected_side",
    "complaint",
    "clinic",
    "practitioner",
    "onset_weeks",
)
#: Facts that must agree for two codes to be compared at all.
_NEEDED = ("birth_year", "sex")
#: Greatest age that is not asked about.
_OLDEST = 110
#: Days between the last visit under one code and the first under the other.
_GAP = 60
#: Margin over the logarithm of the number of pairs: 0.05 pairs by chance.
_MARGIN = log(20)


def client_code_in_two_spellings(records: Records) -> pd.DataFrame:
    """Ask about codes that differ only by capitals, blanks or punctuation."""
    clients = records.caseload.clients
    codes = [str(code) for code in clients["client"]]
    plain = [re.sub(r"[\W_]+", "", code.casefold()) or code for code in codes]
    visits = Counter(records.caseload.visits["client"])
    usual: dict[str, str] = {}  # the spelling with the most visits, the earlier of equals
    for code, spelling in zip(codes, plain, strict=True):
        if spelling not in usual or visits[code] > visits[usual[spelling]]:
            usual[spelling] = code
    rows = [i for i, spelling in enumerate(plain) if usual[spelling] != codes[i]]
    reasons = [f"differs from {usual[plain[i]]} in spelling only" for i in rows]
    return findings("clients", rows, reasons, column="client", old=[codes[i] for i in rows])


def birth_year_unlikely(records: Records) -> pd.DataFrame:
    """Ask about birth years after the first visit, or more than 110 years before it."""
    clients, visits = records.caseload.clients, records.caseload.visits
    first = visits.loc[visits["date"].notna()].groupby("client")["date"].min().dt.year
    seen = dict(zip(first.index, first, strict=True))
    usual = max(seen.values(), default=0)
    rows = [
        i
        for i, (client, year) in enumerate(
            zip(clients["client"], clients["birth_year"], strict=True)
        )
        if usual and pd.notna(year) and not 0 <= seen.get(client, usual) - year <= _OLDEST
    ]
    reason = "a client is born before the first visit, and not more than 110 years before"
    return findings("clients", rows, reason, column="birth_year")


def same_person(records: Records) -> pd.DataFrame:
    """Ask about codes that may belong to one person."""
    pairs = possible_same_person(records.caseload)
    if pairs.empty:
        return none_found("clients")
    place = pd.Series(
        np.arange(len(records.caseload.clients)), index=records.caseload.clients["client"]
    )
    reasons = [
        f"may be the same person as {other}: {facts}"
        for other, facts in zip(pairs["client"], pairs["reason"], strict=True)
    ]
    rows = place[pairs["other_client"]].to_numpy()
    return findings("clients", rows, reasons, column="client")


def possible_same_person(caseload: Caseload) -> pd.DataFrame:
    """Name pairs of client codes that may belong to one person.

    Use to ask the front desk. Nothing is merged: that is for a person to decide.

    Parameters
    ----------
    caseload : Caseload
        Needs birth year and sex of the clients; every further fact helps.

    Returns
    -------
    DataFrame
        One row per pair, most likely first: client (who came first), other_client, statistic
        (sum of the logarithms of how rare each agreement is), reason (which facts agree; never
        the facts themselves).

    Notes
    -----
    See the top of the module. Codes seen on the same day are two people.

    Examples
    --------
    >>> possible_same_person(Caseload(tables={})).empty
    True
    """
    columns = ["client", "other_client", "statistic", "reason"]
    clients = caseload.clients
    none = pd.DataFrame({name: pd.Series(dtype="str") for name in columns})
    none["statistic"] = none["statistic"].astype(float)
    people = _people(clients, caseload.visits)
    if len(people) < 2:
        return none
    first, second = _candidates(people)
    if not len(first):
        return none
    total, facts = _agreement(people, first, second)
    n = len(clients)
    likely = total > log(n * (n - 1) / 2) + _MARGIN
    first, second, total = first[likely], second[likely], total[likely]
    table = pd.DataFrame(
        {
            "client": people["client"].to_numpy(dtype=object)[first],
            "other_client": people["client"].to_numpy(dtype=object)[second],
            "statistic": total,
            "reason": [_named(facts, int(i)) for i in np.flatnonzero(likely)],
        },
        columns=columns,
    )
    table = table.astype({"client": "str", "other_client": "str", "reason": "str"})
    order = ["statistic", "client", "other_client"]
    return table.sort_values(order, ascending=[False, True, True], ignore_index=True)


def _people(clients: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """Clients with the needed facts and dated visits: facts as numbers, first and last day."""
    dated = visits.loc[visits["date"].notna()]
    span = dated.groupby("client")["date"].agg(["min", "max"])
    people = clients.join(span, on="client")
    usable = people["min"].notna()
    for name in _NEEDED:
        usable &= people[name].notna()
    people = people.loc[usable].reset_index(drop=True)
    found = pd.DataFrame({"client": people["client"]})
    for name in _FACTS:
        if name in people:
            found[name] = pd.factorize(people[name])[0]
    found["start"], found["end"] = days_of(people, "min"), days_of(people, "max")
    return found


def _candidates(people: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Pairs with the needed facts alike, the second starting soon after the first has ended."""
    block = np.zeros(len(people), dtype=np.int64)
    for name in _NEEDED:
        codes = people[name].to_numpy()
        block = block * (int(codes.max()) + 1) + codes
    start, end = people["start"].to_numpy(), people["end"].to_numpy()
    width = int(max(start.max(), end.max()) - start.min()) + 2 * _GAP + 2
    by_start = np.argsort(block * width + (start - start.min()), kind="stable")
    key = (block * width + (start - start.min()))[by_start]
    low = np.searchsorted(key, block * width + (end - start.min()) + 1, side="left")
    high = np.searchsorted(key, block * width + (end - start.min()) + _GAP, side="right")
    count = np.maximum(high - low, 0)
    first = np.repeat(np.arange(len(people)), count)
    within = np.arange(len(first)) - np.repeat(np.cumsum(count) - count, count)
    second = by_start[np.repeat(low, count) + within]
    other = first != second
    return first[other], second[other]


def _agreement(
    people: pd.DataFrame, first: np.ndarray, second: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Sum of the logarithms of how rare each agreement is; which facts agree."""
    total = np.zeros(len(first))
    facts: dict[str, np.ndarray] = {}
    for name in _FACTS:
        if name not in people:
            continue
        codes = people[name].to_numpy()
        known = codes >= 0
        if not known.any():
            continue
        share = np.bincount(codes[known]) / known.sum()
        both = (codes[first] >= 0) & (codes[second] >= 0)
        same = both & (codes[first] == codes[second])
        total += np.where(same, -np.log(share[np.maximum(codes[first], 0)]), 0.0)
        total -= np.where(both & ~same, log(20), 0.0)  # one in twenty facts is written differently
        facts[name.replace("_", " ")] = same
    gap = people["start"].to_numpy()[second] - people["end"].to_numpy()[first]
    span = max(int(people["end"].to_numpy().max() - people["start"].to_numpy().min()), 1)
    total += np.log(np.maximum(span / (2.0 * gap), 1.0))
    facts["visits that follow on"] = np.ones(len(first), dtype=bool)
    return total, facts


def _named(facts: dict[str, np.ndarray], at: int) -> str:
    return "same " + ", ".join(name for name, same in facts.items() if same[at])
