"""Writing: whole or not at all, harmless text, and a package that reads back the same."""

import json
import os

import pandas as pd
import pytest

from outcomes.errors import DataError
from outcomes.records import Caseload, read_caseload
from outcomes.records.schema import TABLES
from outcomes.records.write import csv_bytes, write_atomically, write_caseload, write_table


def read_back(tmp_path, caseload, name="out"):
    folder = tmp_path / name
    files = write_caseload(caseload, folder)
    own = folder / "own_measures.toml"
    return read_caseload(folder, mapping=own if own in files else None), folder


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "＝", " =", "'="])
def test_text_that_would_run_as_a_formula_is_made_harmless(start):
    # Characters as listed by OWASP, "CSV Injection".
    frame = pd.DataFrame({"text": [f"{start}1+1", "plain", "a=b"], "number": [-1.5, 2.0, 3.0]})
    lines = csv_bytes(frame).decode().split("\n", 1)[1]
    assert lines.lstrip('"').startswith("'")
    assert "-1.5" in lines and "'-1.5" not in lines
    assert "\nplain,2.0\na=b,3.0\n" in lines


def test_an_interrupted_write_leaves_the_earlier_file_whole(tmp_path, monkeypatch):
    path = tmp_path / "table.csv"
    write_table(path, pd.DataFrame({"a": [1]}))

    def fails(*args):
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(DataError, match=r"table\.csv must be writable"):
        write_table(path, pd.DataFrame({"a": [2]}))
    assert path.read_text() == "a\n1\n"
    assert os.listdir(tmp_path) == ["table.csv"]


def test_files_are_readable_by_others_as_usual(tmp_path):
    path = write_atomically(tmp_path / "x.txt", b"x")
    mask = os.umask(0)
    os.umask(mask)
    assert path.stat().st_mode & 0o777 == 0o666 & ~mask


def test_a_package_reads_back_the_same(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "measurements.csv").write_text(
        "client,date,measure,side,value,rater\n"
        '=A1,2026-01-05,shoulder_flexion,left,120.25,"T, K"\n'
        "'=A1,2026-01-05,shoulder_flexion,left,130,é\n"
        "-B,2026-01-06,ndi,,40,\n"
        "-B,2026-01-06,nothing,,40,\n",
        encoding="utf-8",
    )
    (tmp_path / "in" / "clients.csv").write_text(
        "client,birth_year,consent_case_report\n=A1,1980,yes\n-B,,no\n", encoding="utf-8"
    )
    first = read_caseload(tmp_path / "in")
    second, folder = read_back(tmp_path, first)
    for name, table in TABLES.items():
        pd.testing.assert_frame_equal(
            first.tables[name][table.names], second.tables[name][table.names]
        )
    third, _ = read_back(tmp_path, second, "again")
    assert (folder / "measurements.csv").read_bytes() == (
        tmp_path / "again" / "measurements.csv"
    ).read_bytes()
    assert third.ledger.loc[third.ledger["action"] == "set aside"].empty


def test_own_measures_are_declared_beside_the_tables(tmp_path):
    (tmp_path / "in.csv").write_text("who,visit,s\nA,1,2\nA,2,3\n")
    mapping = {
        "columns": {"client": "who", "visit": "visit"},
        "readings": {"s": {"measure": "stiffness"}},
        "measures": {
            "stiffness": {
                "name": "Morning stiffness",
                "unit": "points",
                "min": 0,
                "max": 4,
                "better": "lower",
                "minimal_important_change": 1,
                "source": "own study",
            }
        },
    }
    first = read_caseload(tmp_path / "in.csv", mapping=mapping)
    second, _ = read_back(tmp_path, first)
    assert second.own_measures == first.own_measures
    assert second.measurements["value"].tolist() == [2.0, 3.0]


def test_the_package_follows_the_standard(tmp_path):
    # Frictionless Data Package 1.0: resources with name, path, and Table Schema fields.
    write_caseload(Caseload(tables={}), tmp_path)
    package = json.loads((tmp_path / "datapackage.json").read_text())
    names = [resource["name"] for resource in package["resources"]]
    assert names == [*TABLES, "ledger"]
    kinds = {"string", "integer", "number", "date", "boolean"}
    for resource in package["resources"]:
        assert (tmp_path / resource["path"]).stat().st_size == resource["bytes"]
        fields = resource["schema"]["fields"]
        assert {field["type"] for field in fields} <= kinds
        header = (tmp_path / resource["path"]).read_text().splitlines()[0]
        assert header == ",".join(field["name"] for field in fields)
