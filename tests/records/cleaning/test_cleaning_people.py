"""Codes are questioned, never merged."""

import numpy as np
import pandas as pd

from outcomes.glossary import check_result
from outcomes.records.cleaning import RULES, clean, possible_same_person
from outcomes.records.cleaning.records import Records


def clinic(n=60, seed=3):
    """Clients with facts drawn at random, four weekly visits each."""
    rng = np.random.default_rng(seed)
    clients, visits = [], []
    for i in range(n):
        clients.append(
            {
                "client": f"P{i:03d}",
                "birth_year": int(rng.integers(1945, 2005)),
                "sex": rng.choice(["female", "male"]),
                "clinic": rng.choice(["hall", "field"]),
                "practitioner": rng.choice(["T1", "T2", "T3", "T4"]),
                "complaint": rng.choice(["neck", "upper back", "shoulder"]),
                "dominant_side": rng.choice(["left", "right"], p=[0.1, 0.9]),
                "affected_side": rng.choice(["left", "right"]),
                "onset_weeks": float(rng.integers(1, 60)),
            }  # fmt: skip
        )
        start = pd.Timestamp("2025-01-06") + pd.Timedelta(days=int(rng.integers(0, 500)))
        for v in range(4):
            day = start + pd.Timedelta(days=7 * v)
            visits.append({"client": f"P{i:03d}", "episode": 1, "visit": v + 1, "date": day})
    return clients, visits


def split(clients, visits, at=10):
    """Let the last two visits of a client stand under a second code."""
    old = clients[at]
    clients.append({**old, "client": "P900"})
    for row in visits:
        if row["client"] == old["client"] and row["visit"] > 2:
            row |= {"client": "P900", "visit": row["visit"] - 2}


def test_one_person_under_two_codes_is_named(caseload_of):
    clients, visits = clinic()
    split(clients, visits)
    found = possible_same_person(caseload_of(visits=visits, clients=clients))
    assert found[["client", "other_client"]].to_numpy().tolist() == [["P010", "P900"]]
    assert "birth year" in found["reason"].iloc[0]
    assert str(clients[10]["birth_year"]) not in found["reason"].iloc[0]
    check_result(found.columns)


def test_nothing_is_merged(caseload_of):
    clients, visits = clinic()
    split(clients, visits)
    caseload = caseload_of(visits=visits, clients=clients)
    cleaned = clean(caseload)
    assert cleaned.ledger["rule"].tolist() == ["same person"]
    assert cleaned.ledger["client"].tolist() == ["P900"]
    assert cleaned.clients.equals(caseload.clients)


def test_strangers_are_not_named(caseload_of):
    named = [
        len(possible_same_person(caseload_of(visits=visits, clients=clients)))
        for clients, visits in (clinic(120, seed) for seed in range(10))
    ]
    assert sum(named) <= 1  # 0.05 expected in each by the margin


def test_facts_that_are_missing_or_shared_by_all_are_worth_nothing(caseload_of):
    visits = [
        {"client": c, "episode": 1, "visit": 1, "date": pd.Timestamp("2026-01-05")} for c in "AB"
    ]
    bare = caseload_of(visits=visits, clients=[{"client": c} for c in "AB"])
    assert possible_same_person(bare).empty
    alike = [{"client": c, "birth_year": 1980, "sex": "female"} for c in "AB"]
    assert possible_same_person(caseload_of(visits=visits, clients=alike)).empty


def test_codes_in_two_spellings(caseload_of):
    rows = [{"client": "P-7"}, {"client": "p7", "visit": 2}, {"client": "P-7", "visit": 3}]
    rows += [{"client": "P8"}, {"client": "--"}, {"client": "++"}]
    found = RULES["client code in two spellings"](Records(caseload_of(rows)))
    assert found["old_value"].tolist() == ["p7"]
    assert found["reason"].tolist() == ["differs from P-7 in spelling only"]


def test_birth_years(caseload_of):
    clients = [
        {"client": c, "birth_year": y}
        for c, y in (("A", 2091), ("B", 1985), ("C", 1880), ("D", None), ("E", 2026))
    ]
    visits = [
        {"client": c, "episode": 1, "visit": 1, "date": pd.Timestamp("2026-01-05")} for c in "ABCD"
    ]
    found = RULES["birth year unlikely"](Records(caseload_of(visits=visits, clients=clients)))
    assert found["position"].tolist() == [0, 2]
    assert found["old_value"].isna().all()
