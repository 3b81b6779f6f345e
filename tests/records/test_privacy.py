"""What leaves the clinic leads back to no one, and still says the same of the clients."""

import csv
import os
import stat

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.records.caseload import Caseload, Source, empty_ledger, empty_table
from outcomes.records.privacy import anonymise, k_anonymity


def typed(name, rows):
    return pd.DataFrame(rows, columns=empty_table(name).columns).astype(empty_table(name).dtypes)


def row(name, **cells):
    return {column: cells.get(column) for column in empty_table(name).columns}


def clinic(n=12, consent=True, complaint="neck"):
    """Twelve clients in two clinics, each with three visits and a few words that give them away."""
    clients, visits, readings, events = [], [], [], []
    for i in range(n):
        code = f"Quill-{i:02d}"
        clients.append(
            row(
                "clients",
                client=code,
                clinic="hall" if i % 2 else "field",
                practitioner="ANNA",
                birth_year=1950 + i % 3,
                sex="female" if i % 2 else "male",
                complaint="rare words about the harp" if i == 0 else complaint,
                onset_weeks=3.0 + i,
                consent_case_report=consent if i else True,
                source_file="clinic.xlsx",
                source_row=i + 2,
            )  # fmt: skip
        )
        for v in range(3):
            day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=7 * v + i)
            visits.append(
                row(
                    "visits",
                    client=code,
                    episode=1,
                    visit=v + 1,
                    date=day,
                    practitioner="ANNA",
                    end_reason="moved to the lighthouse" if (i, v) == (1, 2) else None,
                    source_file="clinic.xlsx",
                    source_row=3 * i + v,
                )  # fmt: skip
            )
            readings.append(
                row(
                    "measurements",
                    client=code,
                    episode=1,
                    visit=v + 1,
                    date=day,
                    measure="cervical_rotation",
                    side="left",
                    moment="before",
                    trial=1,
                    value=50.0 + i + v,
                    unit="deg",
                    rater="ANNA",
                    instrument="Anna's own goniometer",
                    mode="active",
                    source_file="clinic.xlsx",
                    source_row=3 * i + v,
                )  # fmt: skip
            )
        events.append(
            row(
                "events",
                client=code,
                date=pd.Timestamp("2026-01-06"),
                event=f"told of day {i}",
                severity="mild",
                action="advice",
                source_file="x",
                source_row=i,
            )  # fmt: skip
        )
    return Caseload(
        tables={
            "clients": typed("clients", clients),
            "visits": typed("visits", visits),
            "measurements": typed("measurements", readings),
            "events": typed("events", events),
        },
        ledger=empty_ledger(),
        sources=(Source("clinic.xlsx", "ab" * 32, "clients", n),),
    )


def everything(caseload):
    """All that the caseload holds, as one text."""
    parts = [table.to_csv(index=False) for table in caseload.tables.values()]
    return "\n".join([*parts, caseload.ledger.to_csv(), repr(caseload.sources)])


def test_nothing_of_the_original_is_left(tmp_path):
    caseload = clinic()
    safe = anonymise(caseload, key_file=tmp_path / "key.csv").caseload
    text = everything(safe)
    for trace in ("Quill", "ANNA", "Anna", "hall", "field", "harp", "lighthouse", "told of day",
                  "clinic.xlsx", "abab"):  # fmt: skip
        assert trace not in text
    assert set(safe.clients["client"]).isdisjoint(caseload.clients["client"])
    assert safe.ledger.empty


def test_intervals_and_values_stay(tmp_path):
    caseload = clinic()
    result = anonymise(caseload, key_file=tmp_path / "key.csv")
    with (tmp_path / "key.csv").open(encoding="utf-8") as file:
        key = [line for line in csv.reader(file) if line[0] == "client"]
    assert len(key) == 12
    for _, old, new, days in key:
        was = caseload.measurements.loc[caseload.measurements["client"] == old]
        now = result.caseload.measurements.loc[result.caseload.measurements["client"] == new]
        assert now["value"].tolist() == was["value"].tolist()
        moved = (now["date"].to_numpy() - was["date"].to_numpy()).astype("timedelta64[D]")
        assert set(moved.astype(int)) == {int(days)}
        assert int(days) != 0 and abs(int(days)) <= 365
        events = result.caseload.events
        event = events.loc[events["client"] == new, "date"].iloc[0]
        assert (event - pd.Timestamp("2026-01-06")).days == int(days)
    assert len({days for *_, days in key}) > 1
    balance = result.caseload.balance
    assert (balance["rows_in"] == balance["rows_used"] + balance["rows_set_aside"]).all()


def test_consent_is_honoured_and_counted(tmp_path):
    caseload = clinic()
    clients = caseload.clients.copy()
    clients["consent_case_report"] = pd.array([True, False, None] * 4, dtype="boolean")
    result = anonymise(caseload.with_tables(clients=clients), key_file=tmp_path / "key.csv")
    assert (result.n_in, result.n_left_out, result.n) == (12, 8, 4)
    for table in result.caseload.tables.values():
        assert set(table["client"]) <= set(result.caseload.clients["client"])
    assert len(result.caseload.visits) == 12
    none = caseload.with_tables(clients=clients.assign(consent_case_report=False))
    with pytest.raises(DataError, match="none has. Record the consent first"):
        anonymise(none, key_file=tmp_path / "other.csv")
    assert not (tmp_path / "other.csv").exists()


def test_facts_are_banded_and_rare_ones_dropped(tmp_path):
    result = anonymise(clinic(), key_file=tmp_path / "key.csv")
    clients = result.caseload.clients
    assert set(clients["birth_year"].dropna()) == {1950}
    assert set(clients["onset_weeks"].dropna()) <= {0.0, 6.0, 12.0}
    assert clients["complaint"].isna().sum() == 1
    assert set(clients["complaint"].dropna()) == {"neck"}
    assert set(clients["clinic"]) == {"clinic 1", "clinic 2"}
    assert set(result.caseload.measurements["instrument"]) == {"goniometer"}
    assert set(result.caseload.events["event"]) == {"not shown"}
    assert result.n_words_dropped == 1 + 1 + 12


def test_k_anonymity_grows(tmp_path):
    result = anonymise(clinic(60), key_file=tmp_path / "key.csv")
    assert result.before.smallest_group < result.after.smallest_group or result.after.n_small <= 1
    assert result.after.n_groups < result.before.n_groups
    assert result.table.loc[0, "n"] == 60
    check_result(result.table.columns)
    check_result(result.after.table.columns)


def test_k_anonymity_counts():
    clients = pd.DataFrame({"sex": ["f"] * 6 + ["m"] * 2 + [None], "complaint": ["neck"] * 9})
    found = k_anonymity(clients, columns=["sex", "complaint"])
    assert (found.n, found.n_groups, found.smallest_group) == (9, 3, 1)
    assert (found.n_unique, found.n_small) == (1, 3)
    assert found.small_groups["n"].tolist() == [2, 1]
    nobody = k_anonymity(clients.head(0), columns=["sex"])
    assert (nobody.n, nobody.smallest_group) == (0, 0)


@pytest.mark.skipif(os.name == "nt", reason="file modes are a thing of POSIX systems")
def test_the_key_is_for_its_owner_and_never_overwritten(tmp_path):
    path = tmp_path / "key.csv"
    anonymise(clinic(), key_file=path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    was = path.read_bytes()
    with pytest.raises(DataError, match="must not exist yet"):
        anonymise(clinic(), key_file=path)
    assert path.read_bytes() == was


def test_two_runs_share_no_code(tmp_path):
    first = anonymise(clinic(), key_file=tmp_path / "a.csv").caseload.clients["client"]
    second = anonymise(clinic(), key_file=tmp_path / "b.csv").caseload.clients["client"]
    assert set(first).isdisjoint(second)


def test_bad_arguments(tmp_path):
    for name, value in (("rare_below", 1), ("band_years", 1), ("shift_days", 0)):
        with pytest.raises(ArgumentError, match=f"{name} must be a whole number of at least"):
            anonymise(clinic(), key_file=tmp_path / "key.csv", **{name: value})
    with pytest.raises(DataError, match="must have the column"):
        k_anonymity(pd.DataFrame({"sex": ["f"]}))


_WORDS = st.text(st.characters(blacklist_categories=["Cs"]), min_size=4, max_size=12)


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(_WORDS, min_size=12, max_size=12, unique=True))
def test_free_text_never_comes_through(tmp_path_factory, words):
    caseload = clinic()
    marked = [f"Zq{word}qZ" for word in words]
    clients = caseload.clients.assign(complaint=pd.array(marked, dtype="str"))
    events = caseload.events.assign(event=pd.array(marked, dtype="str"))
    safe = anonymise(
        caseload.with_tables(clients=clients, events=events),
        key_file=tmp_path_factory.mktemp("key") / "key.csv",
    ).caseload
    assert "Zq" not in everything(safe)
    assert np.isfinite(safe.measurements["value"]).all()
