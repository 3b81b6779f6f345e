"""Clinics' own layouts through mappings."""

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from outcomes.errors import DataError
from outcomes.records import read_caseload
from outcomes.records.ledger import balance_faults
from outcomes.records.mapping import load_mapping

MAPPINGS = Path(__file__).parents[1] / "mappings"


def read_wide(tmp_path, text, mapping):
    (tmp_path / "wide.csv").write_text(text, encoding="utf-8")
    caseload = read_caseload(tmp_path / "wide.csv", mapping=mapping)
    assert balance_faults(caseload.balance) == []
    return caseload


def rules(caseload):
    ledger = caseload.ledger
    return {
        (None if pd.isna(row) else int(row), rule)
        for row, rule in zip(ledger["source_row"], ledger["rule"], strict=True)
    }


# What a receptionist's spreadsheet looks like: dates in three forms, both sides in one cell, one
# client in two spellings, words for numbers, blanks, and a line of totals.
DESK = [
    ["Orchard Street - shoulders and necks", None, None, None, None, None, None],
    [],
    ["Name code", "Date seen", "Flex (L/R)", "Neck turn", "Tragus-wall", "Pain", "Notes"],
    ["KM-01", "13/01/2026", "145 L / 150 R", "60/55", '5"', "6", "stiff after concert"],
    ["km-01 ", dt.date(2026, 1, 20), "150L 152R", "62/58", "12 cm", "5-6", None],
    ["KM-01", "27 Jan 2026", "155/156", "64°/60°", "11,5", "<3", None],
    ["OP 2", "14.01.26", "unable L", "70/68", "n/t", "4", None],
    ["OP 2", dt.date(2026, 1, 21), "120 R", "1:30", "10.5cm", "0", None],
    ["OP 2", None, "121 R", "72/70", None, "1", None],
    [None, "21/01/2026", "100 R", None, None, None, None],
    ["Total", None, None, None, None, None, "2 clients"],
]
DESK_MAPPING = """
[file]
header_row = 3
[columns]
client = "Name code"
date = "Date seen"
[readings."Flex (L/R)"]
measure = "shoulder_flexion"
pairs = "left/right"
mode = "active"
[readings."Neck turn"]
measure = "cervical_rotation"
pairs = "left/right"
[readings."Tragus-wall"]
measure = "tragus_to_wall"
side = "right"
unit = "cm"
[readings.Pain]
measure = "nprs"
"""


def test_a_receptionists_spreadsheet_becomes_a_balanced_caseload(tmp_path):
    book = xlsxwriter.Workbook(str(tmp_path / "desk.xlsx"))
    sheet, day = book.add_worksheet("2026"), book.add_format({"num_format": "dd/mm/yyyy"})
    for i, row in enumerate(DESK):
        for j, cell in enumerate(row):
            if isinstance(cell, dt.date):
                sheet.write_datetime(i, j, dt.datetime(cell.year, cell.month, cell.day), day)
            elif cell is not None:
                sheet.write_string(i, j, cell)
    book.close()
    (tmp_path / "desk.toml").write_text(DESK_MAPPING, encoding="utf-8")
    caseload = read_caseload(tmp_path / "desk.xlsx", mapping=tmp_path / "desk.toml")
    assert balance_faults(caseload.balance) == []
    rows = caseload.measurements

    def values(client, measure, side):
        mine = rows[(rows["client"] == client) & (rows["measure"] == measure)]
        mine = mine[mine["side"] == side]
        return dict(zip(mine["date"].dt.strftime("%d %b"), mine["value"], strict=True))

    assert values("KM-01", "shoulder_flexion", "left") == {"13 Jan": 145, "27 Jan": 155}
    assert values("km-01", "shoulder_flexion", "right") == {"20 Jan": 152}
    assert values("KM-01", "cervical_rotation", "right") == {"13 Jan": 55, "27 Jan": 60}
    assert values("KM-01", "tragus_to_wall", "right") == {
        "13 Jan": pytest.approx(12.7),
        "27 Jan": 11.5,
    }
    assert values("OP 2", "tragus_to_wall", "right") == {"21 Jan": 10.5}
    assert values("OP 2", "nprs", "midline") == {"14 Jan": 4, "21 Jan": 0}
    expected = {
        (5, "text instead of a number"),  # 5-6
        (6, "inequality sign"),
        (7, "text instead of a number"),  # unable L
        (7, "word instead of a number"),  # n/t
        (8, "unit does not fit"),  # 1:30 is a time
        (9, "neither visit nor date"),
        (10, "no client"),
        (11, "neither visit nor date"),
        (4, "unit converted"),
        (None, "several readings in one cell"),
    }
    assert expected <= rules(caseload)
    assert "client code in two spellings" in {rule for _, rule in rules(caseload)}


def test_a_long_layout_with_words_for_measures_and_visits(tmp_path):
    text = (
        "who,session,test,result,where\n"
        "A,Pre,Flex,120,L\nA,Post,Flex,130,L\nA,Pre,NDI,40,\nA,Later,NDI,30,\n"
    )
    mapping = {
        "columns": {"client": "who", "visit": "session"},
        "visits": {"numbers": {"pre": 1, "Post": 2}, "weeks_between": 4,
                   "start_date": "2026-01-05"},
        "long": {"measure": "test", "value": "result", "side": "where",
                 "measures": {"flex": "shoulder_flexion"}},
    }  # fmt: skip
    caseload = read_wide(tmp_path, text, mapping)
    rows = caseload.measurements
    assert rows["measure"].tolist() == ["shoulder_flexion", "shoulder_flexion", "ndi"]
    assert rows["date"].dt.strftime("%Y-%m-%d").tolist() == ["2026-01-05", "2026-02-02"] + [
        "2026-01-05"
    ]
    assert {(5, "unreadable visit"), (5, "neither visit nor date")} <= rules(caseload)


def test_words_that_stand_for_numbers_and_declared_zeros(tmp_path):
    text = "who,d,stiff,bend\nA,2026-01-05,mild,60\nA,2026-01-12,None,50\nA,2026-01-19,odd,0\n"
    mapping = {
        "columns": {"client": "who", "date": "d"},
        "readings": {
            "stiff": {"measure": "stiffness", "values": {"none": 0, "Mild": 1}},
            "bend": {"measure": "shoulder_flexion", "zero_at": 180, "side": "left"},
        },
        "measures": {
            "stiffness": {"name": "S", "unit": "points", "min": 0, "max": 4, "better": "lower"}
        },
    }
    caseload = read_wide(tmp_path, text, mapping)
    rows = caseload.measurements.set_index("measure")["value"]
    assert rows["stiffness"].tolist() == [1, 0]
    assert rows["shoulder_flexion"].tolist() == [120, 130, 180]
    changed = caseload.ledger[caseload.ledger["rule"] == "zero or factor of the mapping"]
    assert changed["old_value"].tolist() == ["60.0", "50.0", "0.0"]


def test_counted_down_readings_are_asked_about_when_nothing_is_declared(tmp_path):
    text = "who,d,bend\n" + "".join(f"A,2026-01-{i + 1:02d},{30 + i}\n" for i in range(12))
    mapping = {
        "columns": {"client": "who", "date": "d"},
        "readings": {"bend": {"measure": "shoulder_flexion", "side": "left"}},
    }
    caseload = read_wide(tmp_path, text, mapping)
    note = caseload.ledger[caseload.ledger["rule"] == "zero or scale suspected"]
    assert "zero_at = 180" in note["reason"].iloc[0]


def test_columns_of_their_own_time_beside_a_start_date(tmp_path):
    text = "who,start,b,w6\nA,2026-01-05,40,30\nB,2026-02-02,50,\n"
    mapping = {
        "columns": {"client": "who", "date": "start"},
        "readings": {
            "b": {"measure": "ndi", "visit": 1},
            "w6": {"measure": "ndi", "visit": 2, "week": 6},
        },
    }
    rows = read_wide(tmp_path, text, mapping).measurements
    assert rows["date"].dt.strftime("%Y-%m-%d").tolist() == ["2026-01-05", "2026-02-02"] + [
        "2026-02-16"
    ]
    assert rows["visit"].tolist() == [1, 1, 2]


def test_an_undecidable_date_column_is_an_error_that_says_how_to_settle_it(tmp_path):
    text = "who,d,x\nA,03/04/2026,40\n"
    mapping = {"columns": {"client": "who", "date": "d"}, "readings": {"x": {"measure": "ndi"}}}
    with pytest.raises(DataError, match="date column 'd' must show .* date_order = \"day-first\""):
        read_wide(tmp_path, text, mapping)
    rows = read_wide(
        tmp_path, text, {**mapping, "file": {"date_order": "month-first"}}
    ).measurements
    assert rows["date"].dt.strftime("%Y-%m-%d").tolist() == ["2026-03-04"]


def test_prose_in_any_column_never_reaches_the_ledger(tmp_path):
    text = (
        "who,d,v,x,born\n"
        "A,2026-01-05,1,30,1980\n"
        "A,Mrs Quux rang,zwei Quux,Quux ill,Quux 1980\n"
        "B,2026-01-05,1,see Quux about it,x\n"
    )
    mapping = {
        "columns": {"client": "who", "date": "d", "visit": "v"},
        "clients": {"birth_year": "born"},
        "readings": {"x": {"measure": "ndi"}},
    }
    caseload = read_wide(tmp_path, text, mapping)
    assert len(caseload.ledger) >= 4
    assert "Quux" not in caseload.ledger.to_csv()


def test_absent_columns_of_a_mapping_are_all_listed(tmp_path):
    mapping = {
        "columns": {"client": "who", "date": "gone"},
        "readings": {"x": {"measure": "ndi"}, "y": {"measure": "nprs"}},
    }
    with pytest.raises(DataError, match="2 faults found") as caught:
        read_wide(tmp_path, "who,d,x\nA,2026-01-05,3\n", mapping)
    assert "'gone'" in str(caught.value) and "'y'" in str(caught.value)


def test_contradicting_words_about_a_client_or_visit_are_asked_about(tmp_path):
    text = "who,d,sex,phase,x\nA,2026-01-05,f,base,30\nA,2026-01-12,m,treat,20\n"
    mapping = {
        "columns": {"client": "who", "date": "d", "phase": "phase"},
        "clients": {"sex": "sex"},
        "readings": {"x": {"measure": "ndi"}},
    }
    caseload = read_wide(tmp_path, text, mapping)
    assert caseload.clients["sex"].tolist() == ["f"]
    assert caseload.visits["phase"].tolist() == ["base", "treat"]
    assert (3, "sex differs between rows") in rules(caseload)


@pytest.mark.parametrize("path", sorted(MAPPINGS.glob("*.toml")), ids=lambda path: path.stem)
def test_the_mapping_files_of_real_data_are_whole(path):
    assert load_mapping(path).shapes


# The layout of published data sets, with numbers of our own in the place of theirs.
LAYOUTS = {
    "neck_pain_laser_trial": ('"id","X","vas","laser","time"\n1,1,0.91,"1","1"\n1,2,0.3,"1","2"\n',
                              [91, 30]),
    "shoulder_tip_pain": ('"resp","time","group1","group2","subject"\n1,1,Y,F,1\n3,2,Y,F,1\n',
                          [1, 3]),
    "single_case_fatigue": ('"case","week","treatment","fatigue"\n"Case 1",1,"baseline",57\n',
                            [57]),
    "knee_movement_pain": ('"N","Th","Age","Sex","R1","R2","R3","R4"\n1,1,28,1,4,3,,2\n',
                           [4, 3, 2]),
}  # fmt: skip


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_layouts_of_published_data_sets_arrive(tmp_path, name):
    text, values = LAYOUTS[name]
    caseload = read_wide(tmp_path, text, MAPPINGS / f"{name}.toml")
    assert caseload.measurements["value"].tolist() == pytest.approx(values)
    assert caseload.measurements["date"].is_monotonic_increasing
