"""The messy workbook and its answer key: every fault is where the key says, the rest is clean.

What the cleaning makes of it is tested with the records; here only the generator is.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import tomllib
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from data_synthetic.make_messy_clinic import (
    FIRST_ROW,
    SEED,
    make_messy_clinic,
    write_messy_clinic,
)
from data_synthetic.messy_base import HEADERS, SHEETS, make_book
from data_synthetic.messy_planter import ACTIONS, Planter
from outcomes.measures import catalogue

FOLDER = Path(__file__).resolve().parent.parent / "data_synthetic"
VISITS = ("Visits 2025", "Visits 2026")


@pytest.fixture(scope="module")
def key():
    return pd.read_csv(FOLDER / "messy_clinic_faults.csv", dtype={"source_row": "Int64"})


@pytest.fixture(scope="module")
def workbook():
    return openpyxl.load_workbook(FOLDER / "messy_clinic.xlsx", data_only=True)


@pytest.fixture(scope="module")
def mapping():
    return tomllib.loads((FOLDER / "messy_clinic.toml").read_text())


def at(workbook, fault, column=None):
    """Cell of the workbook that a line of the key names."""
    sheet = workbook[fault["sheet"]]
    column = HEADERS[fault["sheet"]].index(column or fault["column"]) + 1
    return sheet.cell(int(fault["source_row"]), column).value


def one(key, kind, sheet=None):
    rows = key[key["kind"] == kind]
    assert len(rows), kind
    return [row for _, row in rows.iterrows() if sheet in (None, row["sheet"])]


def test_the_stored_files_are_what_the_generator_writes(tmp_path):
    book, faults = make_messy_clinic(np.random.default_rng(SEED))
    faults.to_csv(tmp_path / "key.csv", index=False, lineterminator="\n")
    stored = (FOLDER / "messy_clinic_faults.csv").read_bytes()
    assert (tmp_path / "key.csv").read_bytes() == stored
    digests = set()
    for name in ("once.xlsx", "again.xlsx"):
        write_messy_clinic(book, tmp_path / name)
        digests.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(digests) == 1  # no time of writing in the file
    written = openpyxl.load_workbook(tmp_path / "once.xlsx")
    kept = openpyxl.load_workbook(FOLDER / "messy_clinic.xlsx")
    assert written.sheetnames == kept.sheetnames
    for name in kept.sheetnames:
        assert list(written[name].values) == list(kept[name].values), name


def test_the_key_is_rich_and_well_formed(key):
    assert key["kind"].nunique() >= 40
    assert len(key) >= 120
    assert set(key["action"]) == set(ACTIONS)
    asked = key["action"] != "read"
    assert key.loc[asked, "rule"].notna().all()
    single = key.dropna(subset=["source_row"])
    assert not single.duplicated(["sheet", "source_row", "column", "kind"]).any()
    # A ledger that gives only the row number can still tell the two sheets of visits apart.
    visits = single[single["sheet"].isin(VISITS)]
    rows = visits.groupby(["source_row", "client"])["sheet"].nunique()
    assert (rows == 1).all()


def test_every_named_cell_differs_from_a_clean_one(key, workbook):
    """Every fault of one cell can be seen in that cell, by a check of its own."""
    looks = {
        "date as text, day first": r"\d\d/\d\d/\d{4}",
        "date as text, day or month first": r"\d\d/\d\d/\d{4}",
        "date with points and a short year": r"\d\d\.\d\d\.\d\d",
        "date with the month in words": r"\d+ [A-Z][a-z]+ \d{4}",
        "ISO date as text": r"\d{4}-\d\d-\d\d",
        "date with weekday and time": r"[A-Z][a-z]{2} \d\d/\d\d/\d{4} 10:30",
        "date that does not exist": r"3[01]/02/\d{4}",
        "words instead of a date": r"\D+",
        "comma decimal": r"\d+,\d",
        "number stored as text": r"\d+\.\d",
        "white space around a number": r"\s+\d+\.\d\s+",
        "full-width digits": r"[\uff10-\uff19]+\.[\uff10-\uff19]",
        "own unit in the cell": r"\d+\.\d cm",
        "another unit in the cell": r"\d+ mm",
        "inches in the cell": r"\d\.\d+ in",
        "degree sign in the cell": r"\d+\u00b0 [LR]",
        "unit that does not fit": r"\d+\.\d kg",
        "percent sign in the cell": r"\d+ %",
        "the word unable": r"unable",
        "the words not tested": r"n/t",
        "a finding instead of a number": r"too painful|refused",
        "inequality sign": r"[<>]\d+",
        "a range instead of a number": r"\d-\d",
        "about a number": r"~\d+",
        "letter O for zero": r"1\dO L.*",
        "remark beside the number": r"\d+ L .+",
        "date instead of a number": r"\d\d/\d\d/\d{4}",
        "error word in a cell": r"#N/A",
        "score written out of ten": r"\d+/10",
        "two readings without sides": r"\d+/\d+",
        "one side named twice": r"\d+ L / \d+ L",
        "cell names the other side": r"\d+ R",
        "text like a formula": r"[=+@-].+",
        "diary day in words": r"yesterday",
    }
    for kind, pattern in looks.items():
        for fault in one(key, kind):
            assert re.fullmatch(pattern, str(at(workbook, fault))), (kind, fault["fault"])


def test_what_must_be_read_says_as_what(key, workbook):
    readable = key[(key["action"] == "read") & key["source_row"].notna()]
    assert len(readable) > 30
    assert readable["expected"].notna().all()
    for fault in one(key, "date as text, day or month first"):
        day, month, year = map(int, at(workbook, fault).split("/"))
        assert dt.date.fromisoformat(fault["expected"]) == dt.date(year, month, day)
        assert day <= 12
    for fault in one(key, "date as a serial number"):
        # 1900 date system of ECMA-376 part 1, 18.17.4.1: day 60000 is 8 April 2064
        serial = at(workbook, fault)
        day = dt.date(2064, 4, 8) + dt.timedelta(days=int(serial) - 60000)
        assert day.isoformat() == fault["expected"]
    for fault in one(key, "another unit in the cell"):
        assert float(at(workbook, fault).split()[0]) / 10 == float(fault["expected"])
    for fault in one(key, "inches in the cell"):
        # one inch is 2.54 cm exactly (international yard and pound agreement, 1959)
        assert float(at(workbook, fault).split()[0]) * 2.54 == pytest.approx(
            float(fault["expected"]), abs=1e-4
        )


def test_values_outside_hard_and_soft_limits_really_are(key, workbook, mapping):
    kinds = {
        "value above the scale": "hard",
        "value below the scale": "hard",
        "a digit too many": "hard",
        "millimetres typed as centimetres": "hard",
        "angle that no shoulder reaches": "hard",
        "unusual value": "soft",
    }
    for kind, which in kinds.items():
        for fault in one(key, kind):
            measure = catalogue.get(mapping["readings"][fault["column"]]["measure"])
            value = float(str(at(workbook, fault)).split()[0])
            hard = measure.hard_min <= value <= measure.hard_max
            assert hard == (which == "soft")
            assert not measure.soft_min <= value <= measure.soft_max


def rows_of(workbook, sheet):
    """Rows of a sheet as the workbook has them, with their row numbers."""
    cells = list(workbook[sheet].iter_rows(min_row=FIRST_ROW, values_only=True))
    frame = pd.DataFrame([row[: len(HEADERS[sheet])] for row in cells], columns=HEADERS[sheet])
    return frame.assign(row=np.arange(FIRST_ROW, FIRST_ROW + len(frame)))


def test_faults_between_rows_can_be_seen_in_the_sheets(key, workbook):
    visits = pd.concat([rows_of(workbook, name).assign(sheet=name) for name in VISITS])
    visits = visits.set_index(["sheet", "row"])
    content = HEADERS["Visits 2025"]

    def of(fault, *, other=False):
        if other:
            sheet, row = fault["other_rows"].split(";")[0].split("!")
            return visits.loc[(sheet, int(row))]
        return visits.loc[(fault["sheet"], int(fault["source_row"]))]

    for fault in one(key, "exact duplicate of a row"):
        assert of(fault)[content].equals(of(fault, other=True)[content])
    for fault in one(key, "near duplicate of a row"):
        new, old = of(fault)[content], of(fault, other=True)[content]
        differs = [name for name in content if pd.notna(new[name]) and new[name] != old[name]]
        assert differs == ["Pain 0-10"]
    for fault in one(key, "two visits on one day"):
        assert of(fault)["Seen on"] == of(fault, other=True)["Seen on"]
        assert of(fault)["Visit"] == of(fault, other=True)["Visit"] + 1
    for fault in one(key, "visit numbers against the dates"):
        assert of(fault)["Seen on"] > of(fault, other=True)["Seen on"]
        assert of(fault)["Visit"] < of(fault, other=True)["Visit"]
    for fault in one(key, "visit after discharge"):
        assert of(fault, other=True)["Left because"] == "discharged"
        assert of(fault)["Seen on"] > of(fault, other=True)["Seen on"]
    for fault in one(key, "after treatment without before"):
        assert pd.isna(of(fault)["Flexion before"]) and pd.notna(of(fault)["Flexion after"])
    for fault in one(key, "first visit dated after the later ones"):
        assert of(fault)["Visit"] == 1 and of(fault)["Seen on"] > of(fault, other=True)["Seen on"]
    for fault in one(key, "sides swapped"):
        now, after = of(fault), of(fault, other=True)
        assert np.sign(now["Ext rot L"] - now["Ext rot R"]) == -np.sign(
            after["Ext rot L"] - after["Ext rot R"]
        )
    for fault in one(key, "active and passive mixed"):
        assert pd.isna(of(fault)["Flexion before"]) and pd.notna(of(fault)["Flexion passive"])
    for fault in one(key, "possibly one person under two codes"):
        people = rows_of(workbook, "Clients").set_index("row")
        new = people.loc[int(fault["source_row"])].drop("Pt no")
        old_row = next(x for x in fault["other_rows"].split(";") if x.startswith("Clients!"))
        assert new.equals(people.loc[int(old_row.split("!")[1])].drop("Pt no"))
    for fault in one(key, "client missing from the clients sheet"):
        assert fault["client"] not in set(rows_of(workbook, "Clients")["Pt no"])


def test_typed_totals_disagree_where_the_key_says_so_and_nowhere_else(key, workbook):
    forms = rows_of(workbook, "Forms")
    forms["Pt no"] = forms["Pt no"].ffill()  # one code is merged over its rows
    sums = forms.groupby(["Pt no", "Filled in"])["Answer"].sum().to_dict()
    off, compared = set(), 0
    for name in VISITS:
        for _, row in rows_of(workbook, name).iterrows():
            total, form = row["NDI %"], (row["Pt no"], row["Seen on"])
            if isinstance(total, int | float) and form in sums:
                compared += 1
                if total != 2 * sums[form]:  # ten items of 0 to 5, in percent of 50
                    off.add((name, row["row"], row["Pt no"]))
    assert compared > 50
    planted = {
        (fault["sheet"], int(fault["source_row"]), fault["client"])
        for kind in ("typed total differs from its items", "points typed where percent is meant")
        for fault in one(key, kind)
    }
    assert len(planted) == 2 and planted <= off
    # A fault in the form's own items, or a total off the scale, changes the comparison as well.
    explained = set(key.loc[(key["sheet"] == "Forms") | (key["column"] == "NDI %"), "client"])
    assert {client for _, _, client in off - planted} <= explained


def test_a_rater_rounds_and_an_instrument_drifts(key):
    clean = make_book(np.random.default_rng(SEED))
    before = {
        (row["_who"], row["_day"]): row["Neck turn L/R"]
        for name in VISITS
        for row in clean.sheets[name]
        if "Neck turn L/R" in row and row["Tool"] == "inclinometer 2"
    }
    book, _ = make_messy_clinic(np.random.default_rng(SEED))
    late = [
        row
        for name in VISITS
        for row in book.sheets[name]
        if row.get("Tool") == "inclinometer 2"
        and row["_day"] >= dt.date(2026, 2, 2)
        and re.fullmatch(r"\d+/\d+", str(row.get("Neck turn L/R")))
    ]
    gaps = [
        int(row["Neck turn L/R"].split("/")[0])
        - int(before[row["_who"], row["_day"]].split("/")[0])
        for row in late
        if (row["_who"], row["_day"]) in before
    ]
    assert len(gaps) > 20 and np.median(gaps) == pytest.approx(8, abs=2)
    angled = [
        row
        for name in VISITS
        for row in book.sheets[name]
        if row.get("Measured by") == "T3" and isinstance(row.get("Ext rot L"), int)
    ]
    fives = [row["Ext rot L"] % 5 == 0 for row in angled]
    assert len(fives) > 20 and np.mean(fives) > 0.95
    assert {"digit preference of T3", "drift of inclinometer 2 from 2026-02-02"} <= set(key["kind"])


def test_most_of_the_workbook_is_clean(key, workbook):
    named = {
        (sheet, int(row))
        for sheet, row in zip(key["sheet"], key["source_row"].fillna(0), strict=True)
    }
    rows = sum(len(rows_of(workbook, name)) for name in SHEETS)
    assert len(named) < 0.2 * rows


def test_the_base_before_faults_trips_nothing():
    book = make_book(np.random.default_rng(SEED))
    for code in book.kinds:
        rows = book.visits_of(code)
        assert [row["Visit"] for row in rows] == list(range(1, len(rows) + 1))
        days = [row["Seen on"] for row in rows]
        assert days == sorted(set(days)) and all(day.weekday() < 5 for day in days)
        assert {row["Measured by"] for row in rows} == {rows[0]["Measured by"]}
        assert {row["Tool"] for row in rows} == {rows[0]["Tool"]}
        assert all("Left because" not in row for row in rows[:-1])
    born = [row["Born"] for row in book.sheets["Clients"]]
    assert len(set(born)) == len(born)


def test_hidden_sheet_merged_cells_and_formulas_are_in_the_file(workbook):
    assert workbook["old list"].sheet_state == "hidden"
    assert "A1:R1" in {str(block) for block in workbook["Visits 2025"].merged_cells.ranges}
    assert any(
        block.min_col == block.max_col == 1 and block.size["rows"] == 10
        for block in workbook["Forms"].merged_cells.ranges
    )
    formulas = openpyxl.load_workbook(FOLDER / "messy_clinic.xlsx")
    cells = [
        cell.value
        for name in VISITS
        for row in formulas[name].iter_rows()
        for cell in row
        if cell.data_type == "f"
    ]
    assert len(cells) == 2 and all(text.startswith("=ROUND(") for text in cells)


def test_the_mapping_names_what_the_workbook_has(mapping):
    headers = set(HEADERS["Visits 2025"])
    assert set(mapping["columns"].values()) | set(mapping["readings"]) <= headers
    for reading in mapping["readings"].values():
        catalogue.get(reading["measure"])
    for table in mapping["tables"].values():
        assert set(table["columns"].values()) <= set(HEADERS[table["sheet"]])


def test_a_planter_that_finds_no_clean_place_says_so():
    planter = Planter(make_book(np.random.default_rng(0), 2), np.random.default_rng(0))
    with pytest.raises(LookupError, match="no clean row is left for a fault in Pain 0-10"):
        planter.visit("Pain 0-10", where=lambda row: False)
    with pytest.raises(ValueError, match="action must be one of"):
        planter.note(None, "", "kind", "mend", "rule")
