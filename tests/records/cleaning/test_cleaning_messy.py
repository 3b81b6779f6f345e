"""The messy workbook: nearly all planted faults are found, and hardly any clean row is flagged.

The answer key ``data_synthetic/messy_clinic_faults.csv`` names every fault with its sheet and row.
"""

from pathlib import Path

import pandas as pd
import pytest

from outcomes.records import read_caseload
from outcomes.records.ledger import balance_faults

FOLDER = Path(__file__).parents[3] / "data_synthetic"
#: Rows of data in each sheet, from the first row under the header.
FIRST_ROW = 4


@pytest.fixture(scope="module")
def caseload():
    return read_caseload(FOLDER / "messy_clinic.xlsx", mapping=FOLDER / "messy_clinic.toml")


@pytest.fixture(scope="module")
def key():
    return pd.read_csv(FOLDER / "messy_clinic_faults.csv", dtype=str, keep_default_na=False)


def places_of(fault) -> set[tuple[str, int]]:
    places = {tuple(text.split("!")) for text in fault.other_rows.split(";") if text}
    if fault.source_row:
        places.add((fault.sheet, fault.source_row))
    return {(sheet, int(row)) for sheet, row in places}


def entries(caseload) -> pd.DataFrame:
    ledger = caseload.ledger
    sheet = ledger["source_file"].fillna("").str.rpartition(", sheet ")[2]
    row = ledger["source_row"].fillna(0).astype(int)
    return pd.DataFrame({"sheet": sheet, "row": row, "rule": ledger["rule"]})


def expected_is_read(caseload, fault) -> bool:
    """Whether a cell that needs no question was understood as the key says."""
    here = {}
    for name in ("measurements", "visits", "clients"):
        table = caseload.tables[name]
        sheet = table["source_file"].fillna("").str.rpartition(", sheet ")[2]
        mine = (sheet == fault.sheet) & (table["source_row"] == int(fault.source_row or -1))
        here[name] = table.loc[mine.to_numpy(dtype=bool, na_value=False)]
    if not fault.expected:
        return True
    readings = here["measurements"]
    for part in fault.expected.split(";"):
        side, _, number = part.rpartition("=")
        if side:
            fits = (readings["side"] == side) & (readings["value"] == float(number))
        elif fault.column in ("Seen on",):
            fits = readings["date"] == pd.Timestamp(part)
        elif fault.column == "Pt no":
            fits = readings["client"] == part
        elif fault.sheet == "Clients":
            fits = (here["clients"][["affected_side", "complaint"]] == part).any(axis=1)
        else:
            fits = (readings["value"] - float(part)).abs() < 0.006
        if not fits.any():
            return False
    return True


def test_faults_found_and_clean_rows_left_alone(caseload, key, capsys):
    found_in = entries(caseload)
    at = set(zip(found_in["sheet"], found_in["row"], found_in["rule"], strict=True))
    rules_anywhere = set(found_in["rule"])
    missed, touched = [], set()
    for fault in key.itertuples():
        places = places_of(fault)
        touched |= places
        rules = set(fault.rule.split("|"))
        if fault.action == "read":
            good = expected_is_read(caseload, fault)
        elif fault.source_row:
            good = any((sheet, row, rule) in at for sheet, row in places for rule in rules)
        else:
            good = bool(rules & rules_anywhere)
        if not good:
            missed.append(f"{fault.fault}: {fault.kind}")
    share = 1 - len(missed) / len(key)

    sources = pd.concat(
        [
            table[["source_file", "source_row"]].dropna()
            for table in [*caseload.tables.values(), caseload.ledger]
        ]
    ).drop_duplicates()
    sheets = sources["source_file"].str.rpartition(", sheet ")[2]
    rows = {
        (sheet, int(row))
        for sheet, row in zip(sheets, sources["source_row"], strict=True)
        if row >= FIRST_ROW
    }
    clean = rows - touched
    flagged = {(sheet, row) for sheet, row, _ in at if row >= FIRST_ROW} & clean
    with capsys.disabled():
        print(
            f"\nmessy workbook: {len(key) - len(missed)} of {len(key)} planted faults found "
            f"({share:.1%}); {len(flagged)} of {len(clean)} clean rows flagged "
            f"({len(flagged) / len(clean):.2%}); missed: {missed}"
        )
        print(sorted(flagged))
    assert len(key) >= 100 and len(clean) >= 500
    assert share >= 0.95
    assert len(flagged) < 0.01 * len(clean)


def test_every_row_is_accounted_for(caseload):
    assert balance_faults(caseload.balance) == []
