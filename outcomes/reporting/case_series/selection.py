"""Who is in the case series: asked for, with consent, one episode each, under neutral labels.

The records are first anonymised as anything else that leaves the clinic (`anonymise`: codes drawn
at random, dates shifted, instruments by their kind, rare words dropped). Labels follow the order of
those random codes, so that neither the clinic's order nor a printed seed leads back to anyone;
times are told as days from the first visit, ages in bands of ten years, people and places by
letters. The key from code to label is a frame of its own; given again, it keeps the labels.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError
from outcomes.records.caseload import Caseload
from outcomes.records.privacy import anonymise
from outcomes.records.safe_text import harmless

#: Words shared by fewer clients with consent are not shown.
RARE_BELOW = 3
NOT_SHOWN = "not shown"

__all__ = ["Selection", "age_bands", "onset_bands", "select_clients"]


@dataclass(frozen=True, eq=False)
class Selection:
    """The clients of a case series.

    Attributes
    ----------
    caseload : Caseload
        Their rows only, anonymised and relabelled.
    everyone : DataFrame
        The whole caseload's clients table with age_band and onset_band, for counting how many
        people share a description; not for writing out.
    key : DataFrame
        label and client (the clinic's own code); to be kept apart.
    flow : DataFrame
        reason and count: asked for, without consent, without a visit, included.
    instruments : dict of str to str
        The clinic's own names of the instruments by those in `caseload`, for looking thresholds
        up; not for writing out.
    """

    caseload: Caseload
    everyone: pd.DataFrame
    key: pd.DataFrame
    flow: pd.DataFrame
    instruments: dict[str, str]


def select_clients(
    caseload: Caseload, *, clients: Iterable[str] | None, earlier: pd.DataFrame | None = None
) -> Selection:
    """Take the clients asked for, leave out those without consent, and relabel the rest.

    Parameters
    ----------
    caseload : Caseload
        The clinic's records.
    clients : iterable of str or None
        Codes; None for all with consent.
    earlier : DataFrame, optional
        Key of an earlier draft (label, client): its clients keep their labels.

    Returns
    -------
    Selection

    Raises
    ------
    ArgumentError
        Codes that the caseload does not have, or none.
    DataError
        Nobody left: no consent recorded.
    """
    known = caseload.clients["client"].astype(str)
    wanted = known.tolist() if clients is None else list(dict.fromkeys(str(c) for c in clients))
    missing = sum(code not in set(known) for code in wanted)
    if missing or not wanted:
        raise ArgumentError(
            f"clients must be codes of the caseload; {missing} of {len(wanted)} "
            f"{'is' if missing == 1 else 'are'} not. Check the "
            f"list against the clients table, one code a line."
        )
    table = caseload.clients.set_index("client")
    consent = table["consent_case_report"].fillna(False).astype(bool)
    agreed = [code for code in wanted if consent[code]]
    visited = set(caseload.visits["client"].astype(str))
    kept = [code for code in agreed if code in visited]
    flow = pd.DataFrame(
        {
            "reason": [
                "asked for",
                "left out: no consent to a case report recorded",
                "left out: no visit",
                "included",
            ],
            "count": [
                len(wanted),
                len(wanted) - len(agreed),
                len(agreed) - len(kept),
                len(kept),
            ],
        }
    )
    if not kept:
        raise DataError(
            f"at least one client must have consent to a case report recorded "
            f"(consent_case_report); 0 of {len(wanted)} have. Ask for it, record it, and run again."
        )
    safe, codes, tools = _anonymised(caseload)
    labels = _labels(sorted(kept, key=codes.__getitem__), earlier)
    key = pd.DataFrame({"label": list(labels.values()), "client": list(labels)})
    by_code = {codes[client]: label for client, label in labels.items()}
    mine, instruments = _relabelled(_one_episode(safe, set(by_code)), by_code, tools)
    return Selection(mine, _banded(caseload, safe), key, flow, instruments)


def _anonymised(caseload: Caseload) -> tuple[Caseload, dict[str, str], dict[str, str]]:
    """Anonymise, and read the key back: codes by client, and instruments by their new names."""
    least = max(2, min(RARE_BELOW, int(caseload.clients["client"].nunique())))
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "key.csv"
        safe = anonymise(caseload, key_file=file, rare_below=least).caseload
        key = pd.read_csv(file, dtype=str, keep_default_na=False)
    whose = key[key["kind"] == "client"].set_index("old")["new"]
    codes = {str(c): str(whose[harmless(str(c))]) for c in caseload.clients["client"]
             if harmless(str(c)) in whose.index}  # fmt: skip
    tools = key[key["new"].isin(set(safe.measurements["instrument"].dropna()))]
    return safe, codes, dict(zip(tools["new"], tools["old"], strict=True))


def _labels(clients: list[str], earlier: pd.DataFrame | None) -> dict[str, str]:
    """Give the clients numbers in the order given; those of an earlier key keep their labels."""
    known: dict[str, str] = {}
    if earlier is not None:
        known = dict(zip(earlier["client"].astype(str), earlier["label"].astype(str), strict=True))
    taken = set(known.values())  # a label that once meant somebody means nobody else
    width = len(str(len(clients)))
    free = (label for i in range(1, len(taken) + len(clients) + 1)
            if (label := f"P{i:0{width}d}") not in taken)  # fmt: skip
    found = {client: known.get(client) or next(free) for client in clients}
    return dict(sorted(found.items(), key=lambda pair: pair[1]))


def age_bands(birth_year: pd.Series, year: pd.Series) -> pd.Series:
    """Ages in bands of ten years, "50 to 59"; empty where not known."""
    decade = (np.floor((year.astype("Float64") - birth_year.astype("Float64")) / 10) * 10).astype(
        "Int64"
    )
    return decade.map(lambda low: f"{low} to {low + 9}", na_action="ignore").astype("str")


def onset_bands(weeks: pd.Series) -> pd.Series:
    """Weeks of symptoms in bands: under 6, 6 to 11, 12 or more."""
    words = np.select(
        [weeks < 6, weeks < 12, weeks >= 12], ["under 6", "6 to 11", "12 or more"], default=""
    )
    return pd.Series(words, index=weeks.index).where(weeks.notna(), None).astype("str")


def _banded(caseload: Caseload, safe: Caseload) -> pd.DataFrame:
    """Clients with bands in place of years and weeks, complaints only as the safe copy has them."""
    first = caseload.visits.groupby("client")["date"].min().dt.year
    clients = caseload.clients
    shown = clients["complaint"].isna() | clients["complaint"].isin(
        set(safe.clients["complaint"].dropna())
    )
    return clients.assign(
        complaint=clients["complaint"].where(shown, NOT_SHOWN),
        age_band=age_bands(clients["birth_year"], clients["client"].map(first)).to_numpy(),
        onset_band=onset_bands(clients["onset_weeks"].astype(float)).to_numpy(),
    )


def _one_episode(caseload: Caseload, codes: set[str]) -> Caseload:
    """Keep the clients' rows of their latest episode with at least two attended visits."""
    tables = {
        name: frame[frame["client"].isin(codes)].copy() for name, frame in caseload.tables.items()
    }
    visits = tables["visits"]
    attended = visits[visits["attended"].fillna(True).astype(bool)]
    counts = attended.groupby(["client", "episode"]).size().rename("n").reset_index()
    counts = counts.assign(again=counts["n"] >= 2).sort_values(["client", "again", "episode"])
    chosen = counts.drop_duplicates("client", keep="last")[["client", "episode"]]
    tables["visits"] = attended
    for name in ("visits", "measurements", "answers", "treatments"):
        tables[name] = tables[name].merge(chosen, on=["client", "episode"], how="inner")
    span = tables["visits"].groupby("client")["date"].agg(["min", "max"])
    for name in ("home_exercise", "events"):
        frame = tables[name].join(span, on="client")
        inside = (frame["date"] >= frame["min"]) & (
            frame["date"] <= frame["max"] + pd.Timedelta(days=28)
        )
        tables[name] = frame[inside].drop(columns=["min", "max"])
    return caseload.with_tables(**tables)


def _relabelled(
    caseload: Caseload, labels: dict[str, str], tools: dict[str, str]
) -> tuple[Caseload, dict[str, str]]:
    """Put labels for codes, and names in order of first appearance for people, places and tools.

    The second part gives the clinic's own names of the instruments by their new ones.
    """
    tables = {
        name: frame.assign(client=frame["client"].astype(str).map(labels)).sort_values(
            "client", kind="stable", ignore_index=True
        )
        for name, frame in caseload.tables.items()
    }
    people = _first_seen(
        tables, [("visits", "practitioner"), ("clients", "practitioner"), ("measurements", "rater")]
    )
    names = {
        "practitioner": {code: _letter(i) for i, code in enumerate(people)},
        "clinic": {
            code: _letter(i) for i, code in enumerate(_first_seen(tables, [("clients", "clinic")]))
        },
        "instrument": _renumbered(_first_seen(tables, [("measurements", "instrument")])),
    }
    names["rater"] = names["practitioner"]
    for name, frame in tables.items():
        for column, words in names.items():
            if column in frame.columns:
                frame[column] = frame[column].map(words, na_action="ignore").astype("str")
        tables[name] = frame
    found = {new: tools[old] for old, new in names["instrument"].items()}
    return caseload.with_tables(**tables), found


def _first_seen(tables: dict[str, pd.DataFrame], where: list[tuple[str, str]]) -> list[str]:
    found: dict[str, None] = {}
    for table, column in where:
        for code in tables[table][column].dropna().astype(str):
            found.setdefault(code, None)
    return list(found)


def _renumbered(names: list[str]) -> dict[str, str]:
    """Give numbers to instruments of a kind in the order given, where they have numbers."""
    seen: dict[str, int] = {}
    out = {}
    for name in names:
        kind, _, number = name.rpartition(" ")
        if kind and number.isdigit():
            seen[kind] = seen.get(kind, 0) + 1
            out[name] = f"{kind} {seen[kind]}"
        else:
            out[name] = name
    return out


def _letter(place: int) -> str:
    return chr(ord("A") + place % 26) + (str(place // 26) if place >= 26 else "")
