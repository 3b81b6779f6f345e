"""Who is in the case series: asked for, with consent, one episode each, under neutral labels.

Nothing that leaves this module carries a client's code, a date or a year of birth: times are days
and weeks from the start of the episode, ages are bands of ten years, people and places have
letters. The key from code to label is a frame of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError
from outcomes.records.caseload import Caseload

#: Words shared by fewer clients of the caseload are not shown.
RARE_BELOW = 3
NOT_SHOWN = "not shown"
_WORDS = {
    "clients": ("complaint",),
    "visits": ("end_reason",),
    "treatments": ("technique", "region"),
    "home_exercise": ("exercise",),
    "events": ("event", "severity"),
}

__all__ = ["Selection", "age_bands", "onset_bands", "select_clients"]


@dataclass(frozen=True, eq=False)
class Selection:
    """The clients of a case series.

    Attributes
    ----------
    caseload : Caseload
        Their rows only, clients, practitioners, clinics and raters relabelled.
    everyone : DataFrame
        The whole caseload's clients table with age_band and onset_band, for counting how many
        people share a description; not for writing out.
    key : DataFrame
        label and client (the clinic's own code); to be kept apart.
    flow : DataFrame
        reason and count: asked for, without consent, without a visit, included.
    """

    caseload: Caseload
    everyone: pd.DataFrame
    key: pd.DataFrame
    flow: pd.DataFrame


def select_clients(
    caseload: Caseload, *, clients: Iterable[str] | None, rng: np.random.Generator
) -> Selection:
    """Take the clients asked for, leave out those without consent, and relabel the rest.

    Parameters
    ----------
    caseload : Caseload
        The clinic's records.
    clients : iterable of str or None
        Codes; None for all with consent.
    rng : numpy Generator
        For the order of the labels, so that they do not follow the clinic's.

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
            f"clients must be codes of the caseload; {missing} of {len(wanted)} are not. Check the "
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
    order = [kept[i] for i in rng.permutation(len(kept))]
    width = len(str(len(order)))
    labels = {code: f"P{i + 1:0{width}d}" for i, code in enumerate(order)}
    key = pd.DataFrame({"label": list(labels.values()), "client": list(labels)})
    everyone = _banded(_without_rare_words(caseload))
    mine = _one_episode(_without_rare_words(caseload), set(kept))
    return Selection(_relabelled(mine, labels), everyone, key, flow)


def age_bands(birth_year: pd.Series, year: pd.Series) -> pd.Series:
    """Ages in bands of ten years, "50 to 59"; empty where not known."""
    decade = (np.floor((year.astype("Float64") - birth_year.astype("Float64")) / 10) * 10).astype(
        "Int64"
    )
    return decade.map(lambda low: f"{low} to {low + 9}", na_action="ignore").astype("str")


def onset_bands(weeks: pd.Series) -> pd.Series:
    """Weeks of symptoms in bands: under 6, 6 to 12, over 12."""
    words = np.select(
        [weeks < 6, weeks <= 12, weeks > 12], ["under 6", "6 to 12", "over 12"], default=""
    )
    return pd.Series(words, index=weeks.index).where(weeks.notna(), None).astype("str")


def _banded(caseload: Caseload) -> pd.DataFrame:
    """Clients with bands in place of years and weeks."""
    first = caseload.visits.groupby("client")["date"].min().dt.year
    clients = caseload.clients
    return clients.assign(
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


def _without_rare_words(caseload: Caseload) -> Caseload:
    """Replace words that fewer than 3 clients of the caseload share: they may be free text."""
    least = min(RARE_BELOW, caseload.clients["client"].nunique())
    tables = {}
    for name, columns in _WORDS.items():
        frame = caseload.tables[name]
        for column in columns:
            sharing = frame.groupby(column)["client"].transform("nunique")
            frame = frame.assign(
                **{
                    column: frame[column].where(
                        frame[column].isna() | (sharing >= least), NOT_SHOWN
                    )
                }
            )
        tables[name] = frame
    return caseload.with_tables(**tables)


def _relabelled(caseload: Caseload, labels: dict[str, str]) -> Caseload:
    tables = {}
    people = _letters(
        caseload,
        [("visits", "practitioner"), ("clients", "practitioner"), ("measurements", "rater")],
    )
    places = _letters(caseload, [("clients", "clinic")])
    for name, frame in caseload.tables.items():
        frame = frame.assign(client=frame["client"].astype(str).map(labels))
        for column, letters in (
            ("practitioner", people),
            ("rater", people),
            ("clinic", places),
        ):
            if column in frame.columns:
                frame[column] = frame[column].map(letters, na_action="ignore").astype("str")
        tables[name] = frame.sort_values("client", kind="stable", ignore_index=True)
    return caseload.with_tables(**tables)


def _letters(caseload: Caseload, where: list[tuple[str, str]]) -> dict[str, str]:
    """Neutral letters for codes of people or places, in order of first appearance."""
    found: dict[str, None] = {}
    for table, column in where:
        for code in caseload.tables[table][column].dropna().astype(str):
            found.setdefault(code, None)
    return {code: _letter(i) for i, code in enumerate(found)}


def _letter(place: int) -> str:
    return chr(ord("A") + place % 26) + (str(place // 26) if place >= 26 else "")
