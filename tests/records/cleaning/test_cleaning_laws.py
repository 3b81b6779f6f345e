"""Laws of cleaning: rows are conserved, the same input gives the same ledger, values stay."""

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.measures import measures
from outcomes.records.caseload import LEDGER_COLUMNS, Caseload, Source, empty_ledger, empty_table
from outcomes.records.cleaning import clean
from outcomes.records.ledger import balance_faults

_DATES = st.one_of(
    st.none(), st.integers(0, 900).map(lambda d: pd.Timestamp("2024-01-01") + pd.Timedelta(days=d))
)
_WORDS = st.one_of(st.none(), st.sampled_from(["A", "b", "=C", "zoë", "", "7"]))
_CODES = st.sampled_from(["C1", "C2", "c-2", "Ω"])


def _maybe(strategy):
    return st.one_of(st.none(), strategy)


_READING = st.fixed_dictionaries(
    {
        "client": _CODES,
        "episode": st.integers(1, 2),
        "visit": st.integers(1, 5),
        "date": _DATES,
        "measure": st.sampled_from(sorted(measures())),
        "side": _maybe(st.sampled_from(["left", "right", "midline"])),
        "moment": st.sampled_from(["before", "after"]),
        "trial": st.integers(1, 3),
        "value": st.floats(-1e3, 1e3),
        "unit": st.just("deg"),
        "rater": _WORDS,
        "instrument": _WORDS,
        "mode": _maybe(st.sampled_from(["active", "passive"])),
    }
)
_ANSWER = st.fixed_dictionaries(
    {
        "client": _CODES,
        "episode": st.integers(1, 2),
        "visit": st.integers(1, 3),
        "date": _DATES,
        "questionnaire": _maybe(st.sampled_from(["ndi", "psfs", "spadi", "rmdq", "uefi15", "x"])),
        "item": _maybe(st.integers(-1, 15)),
        "answer": _maybe(st.floats(-2, 12)),
    }
)
_VISIT = st.fixed_dictionaries(
    {
        "client": _CODES,
        "episode": st.integers(1, 2),
        "visit": _maybe(st.integers(1, 6)),
        "date": _DATES,
        "end_reason": _WORDS,
    }
)
_CLIENT = st.fixed_dictionaries(
    {
        "client": _CODES,
        "birth_year": _maybe(st.integers(1800, 2100)),
        "sex": _WORDS,
        "complaint": _WORDS,
        "onset_weeks": _maybe(st.floats(0, 1e4)),
    }
)


def _table(name, rows, keys):
    empty = empty_table(name)
    unique = {tuple(row.get(key) for key in keys): row for row in rows}
    filled = [
        {column: row.get(column) for column in empty.columns}
        | {"source_file": f"{name}.csv", "source_row": i}
        for i, row in enumerate(unique.values(), start=2)
    ]
    return pd.DataFrame(filled, columns=empty.columns).astype(empty.dtypes)


def _caseload(readings, answers, visits, clients):
    tables = {
        "measurements": _table("measurements", readings, list(empty_table("measurements").columns)),
        "answers": _table(
            "answers", answers, ["client", "episode", "visit", "questionnaire", "item"]
        ),
        "visits": _table("visits", visits, ["client", "episode", "visit"]),
        "clients": _table("clients", clients, ["client"]),
    }
    sources = tuple(Source(f"{n}.csv", "00", n, len(t)) for n, t in tables.items())
    return Caseload(tables=tables, ledger=empty_ledger(), sources=sources)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(_READING, max_size=40),
    st.lists(_ANSWER, max_size=40),
    st.lists(_VISIT, max_size=12),
    st.lists(_CLIENT, max_size=4),
)
def test_any_records_are_cleaned_and_balanced(readings, answers, visits, clients):
    caseload = _caseload(readings, answers, visits, clients)
    before = {name: table.copy() for name, table in caseload.tables.items()}
    cleaned = clean(caseload)

    assert balance_faults(cleaned.balance) == []
    assert list(cleaned.ledger.columns) == list(LEDGER_COLUMNS)
    assert set(cleaned.ledger["action"]) <= {"asked", "set aside"}
    again = clean(_caseload(readings, answers, visits, clients))
    assert again.ledger.to_csv() == cleaned.ledger.to_csv()

    for name, table in caseload.tables.items():
        assert table.equals(before[name])  # the caseload handed in is not touched
        assert cleaned.tables[name].dtypes.equals(before[name].dtypes)
    read = len(before["measurements"])
    kept = cleaned.measurements.head(read)
    assert kept.equals(before["measurements"])  # no reading is altered, dropped or made up
    added = cleaned.measurements.iloc[read:]
    assert set(added["source_file"]) <= {"answers.csv"}
    assert np.isfinite(added["value"]).all()


def test_every_row_that_is_asked_about_is_named(caseload_of, clinic_readings):
    rows = clinic_readings(20)
    for row in rows[::7]:
        row["side"] = None
    cleaned = clean(caseload_of(rows))
    named = cleaned.ledger.loc[cleaned.ledger["rule"] == "side missing", "source_row"]
    assert sorted(named) == list(range(2, len(rows) + 2, 7))
