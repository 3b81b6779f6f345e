"""What goes into a case series: consent, few readings, odd records, recognisable clients."""

import itertools
import json

import numpy as np
import pandas as pd
import pytest
from case_series_fixtures import MAPPING, schutte_caseload

from outcomes.cli import main
from outcomes.errors import ArgumentError, DataError
from outcomes.records import read_caseload
from outcomes.reporting.case_series import case_series, run_case_series
from outcomes.reporting.case_series.design_file import read_design
from outcomes.reporting.case_series.disclosure import identifying_combinations
from outcomes.reporting.case_series.drafting import Paragraph, Setting
from outcomes.reporting.case_series.sections import client_list, table, text, words
from outcomes.reporting.case_series.selection import NOT_SHOWN
from outcomes.statistics.single_case.recorded_design import RecordedDesign
from outcomes.statistics.single_case.summary import RANDOMISED


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return schutte_caseload(tmp_path_factory.mktemp("whole"), thresholds=True)


def small(folder, rows, *, consent=True, phase=None, extra=None):
    """A caseload of readings (client, visit, value); a week apart."""
    frame = pd.DataFrame(rows, columns=["client", "visit", "value"])
    frame["date"] = (
        pd.Timestamp("2024-03-04") + pd.to_timedelta(7 * frame["visit"], unit="D")
    ).dt.strftime("%Y-%m-%d")
    clients = pd.DataFrame({"client": frame["client"].unique(), "consent_case_report": consent})
    clients.to_csv(folder / "clients.csv", index=False)
    visits = frame[["client", "visit", "date"]].drop_duplicates().assign(episode=1)
    if phase is not None:
        visits["phase"] = [phase(v) for v in visits["visit"]]
    visits.to_csv(folder / "visits.csv", index=False)
    frame.assign(measure="fatigue_score", episode=1).to_csv(
        folder / "measurements.csv", index=False
    )
    for name, lines in (extra or {}).items():
        pd.DataFrame(lines).to_csv(folder / f"{name}.csv", index=False)
    return read_caseload(folder, mapping=MAPPING)


def run(caseload, **options):
    return case_series(caseload, measures=["fatigue_score"], **options)


def test_clients_without_consent_are_left_out_and_counted(whole):
    clients = whole.clients.copy()
    clients.loc[clients["client"].isin(["Case 1", "Case 2"]), "consent_case_report"] = False
    clients.loc[clients["client"] == "Case 3", "consent_case_report"] = pd.NA
    series = run(whole.with_tables(clients=clients))
    flow = series.selection.flow.set_index("reason")["count"]
    assert flow["left out: no consent to a case report recorded"] == 3
    assert flow["included"] == 9 == len(series.tables["clients"].rows)
    assert not {"Case 1", "Case 2", "Case 3"} & set(series.selection.key["client"])
    assert "Left out were 3 for want of such consent." in series.methods.text


def test_nobody_with_consent(whole):
    clients = whole.clients.assign(consent_case_report=False)
    with pytest.raises(DataError, match="at least one client must have consent .* 0 of 12 have"):
        run(whole.with_tables(clients=clients))


def test_unknown_clients_measures_and_facts(whole):
    with pytest.raises(ArgumentError, match="clients must be codes of the caseload; 1 of 2"):
        run(whole, clients=["Case 1", "somebody"])
    with pytest.raises(ArgumentError, match="clients must be codes"):
        run(whole, clients=[])
    with pytest.raises(ArgumentError, match="measures must name at least one"):
        case_series(whole, measures=[])
    with pytest.raises(ArgumentError, match="tiredness"):
        case_series(whole, measures=["tiredness"])
    with pytest.raises(ArgumentError, match="facts must be one of .* got 'shoe_size'"):
        run(whole, facts=["shoe_size"])


def test_measure_without_readings_is_said(whole):
    series = case_series(whole, measures=["fatigue_score", "nprs"])
    assert series.left_out["reason"].tolist() == ["no reading of these clients"]
    assert any("Left out: " in line for line in series.summary)
    with pytest.raises(DataError, match="at least one measure must have readings"):
        case_series(whole, measures=["nprs"])


def test_one_client_is_a_case_report(whole):
    series = run(whole, clients=["Case 2"])
    assert len(series.tables["change"].rows) == 1
    quantities = [row["quantity"].text for row in series.tables["across"].rows]
    assert not any("Mean" in q for q in quantities)
    assert "of client P1 changed by +39.0" in series.results.text


def test_one_visit_each_is_no_change(tmp_path):
    series = run(small(tmp_path, [("A", 1, 50), ("B", 1, 40)]))
    assert "measured once only in every client" in series.results.text
    assert {r["verdict"].text for r in series.tables["change"].rows} == {"measured once only"}


def test_one_baseline_reading_compares_start_and_end_only(tmp_path):
    rows = [(c, v, 50 - 3 * v + i) for i, c in enumerate("ABCD") for v in range(1, 6)]
    series = run(small(tmp_path, rows))
    found = series.found[0]
    assert found.n_phased == 0 and found.indices.empty
    assert "nap" not in [c.key for c in series.tables["change"].columns]
    assert "4 of 4 clients have fewer than 3 baseline readings" in found.notes[0]
    assert set(found.values["phase_rule"]) == {"first treatment"}
    assert "Readings up to and including the first treated visit" in series.methods.text


def test_constant_baseline_keeps_nap_and_says_why_the_rest_is_missing(tmp_path):
    rows = [(c, v, 50 if v < 4 else 40 + i) for i, c in enumerate("ABC") for v in range(1, 8)]
    series = run(small(tmp_path, rows, phase=lambda v: "baseline" if v < 4 else "treatment"))
    indices = series.found[0].indices
    smd = indices[indices["index"] == "within_case_smd"]
    assert smd["estimate"].isna().all() and smd["notes"].str.contains("must vary").all()
    assert (indices.loc[indices["index"] == "nap", "estimate"] == 1).all()
    assert all(row["nap"].text.startswith("1.00 (") for row in series.tables["change"].rows)


def test_rare_words_are_not_shown(tmp_path):
    rows = [(c, v, 50 - v) for c in "ABCD" for v in range(1, 4)]
    lines = [
        {"client": c, "episode": 1, "visit": v, "technique": "stretching"}
        for c in "ABCD"
        for v in (1, 2)
    ]
    lines.append({"client": "A", "episode": 1, "visit": 3, "technique": "told Mrs X to rest"})
    events = [{"client": "B", "date": "2024-03-20", "event": "fell off the ferry to Y"}]
    caseload = small(tmp_path, rows, extra={"treatments": lines, "events": events})
    series = run(caseload)
    printed = series.tables["treatment"].to_csv().decode() + series.results.text
    assert "stretching" in printed
    assert "Mrs X" not in printed and "ferry" not in printed
    assert NOT_SHOWN in series.results.text


def test_three_facts_that_single_somebody_out():
    everyone = pd.DataFrame(
        {
            "client": [f"C{i}" for i in range(40)],
            "age_band": ["40 to 49", "50 to 59"] * 20,
            "sex": (["female"] * 2 + ["male"] * 2) * 10,
            "complaint": (["neck"] * 4 + ["shoulder"] * 4) * 5,
            "affected_side": "left",
            "onset_band": "over 12",
            "clinic": "hall",
        }
    )
    everyone.loc[0, "affected_side"] = "right"
    everyone.loc[8, "affected_side"] = "right"
    everyone.loc[[1, 9, 17, 25], "affected_side"] = "right"
    everyone.loc[0, "complaint"] = "upper back"
    everyone.loc[[2, 10, 18], "complaint"] = "upper back"
    key = pd.DataFrame({"label": ["P1", "P2"], "client": ["C0", "C39"]})
    found = identifying_combinations(everyone, key)
    assert set(found["label"]) == {"P1"}
    pair = everyone[(everyone["complaint"] == "upper back") & (everyone["sex"] == "female")]
    assert len(pair) == 1
    assert "sex + complaint" in found["facts"].tolist()
    assert (found["n_sharing"] < 3).all()
    for words_ in found["facts"]:  # no combination contains another
        parts = set(words_.split(" + "))
        others = [set(w.split(" + ")) for w in found["facts"] if w != words_]
        assert not any(other < parts for other in others)
    assert identifying_combinations(everyone, key, facts=["clinic"]).empty


def test_whole_line_is_counted_where_no_short_combination_tells():
    rng = np.random.default_rng(4)
    everyone = pd.DataFrame({"client": [f"C{i}" for i in range(400)]})
    for fact in ("age_band", "sex", "complaint", "affected_side", "onset_band", "clinic"):
        everyone[fact] = rng.choice(["a", "b", "c"], 400)
    found = identifying_combinations(
        everyone, pd.DataFrame({"label": ["P1"], "client": ["C0"]}), most_facts=2
    )
    assert found["facts"].tolist() == ["all facts of Table 1 together"]
    same = (everyone.iloc[:, 1:] == everyone.iloc[0, 1:]).all(axis=1)
    assert found["n_sharing"].iloc[0] == same.sum()


def test_fewer_facts_leave_the_table_and_the_data(whole):
    series = run(whole, facts=["sex"])
    columns = [c.key for c in series.tables["clients"].columns]
    assert columns == ["client", "sex", "n_visits", "weeks_of_care"]
    assert series.combinations.empty


def test_sections_for_the_notebook(whole, tmp_path):
    path = tmp_path / "clients.txt"
    path.write_text("# those who agreed\nCase 1\n\nCase 2 \n", encoding="utf-8")
    assert client_list(str(path), whole) == ["Case 1", "Case 2"]
    assert len(client_list("", whole) or []) == 12
    with pytest.raises(DataError, match="must be a text file with one client code a line"):
        client_list(str(tmp_path / "absent.txt"), whole)
    series = run(whole, clients=words("Case 1, Case 2,"))
    assert "<caption>Table 3. Change of each client</caption>" in table(series, "change").text
    assert "<h3>Results</h3>" in text(series).text


def test_paragraph_records_each_number():
    paragraph = Paragraph("methods")
    paragraph.add("One {a} and {b}.", a=Setting("1", "first"), b=Setting("2", "second"))
    paragraph.start_part()
    paragraph.start_part()
    paragraph.add("Next.")
    assert paragraph.parts == ["One 1 and 2.", "Next."]
    assert paragraph.numbers["sentence"].tolist() == [1, 1]


def test_no_results_are_drawn_from_readings_after_treatment(tmp_path):
    rows = [(c, v, 50 - v) for c in "ABC" for v in range(1, 4)]
    caseload = small(tmp_path, rows)
    after = caseload.measurements.assign(moment="after", value=1.0)
    both = pd.concat([caseload.measurements, after], ignore_index=True)
    plain, mixed = run(caseload), run(caseload.with_tables(measurements=both))
    assert plain.tables["change"].to_csv() == mixed.tables["change"].to_csv()


def test_command_reads_a_list_and_notes_what_it_was_given(tmp_path):
    rows = [(c, v, 50 - v + i) for i, c in enumerate("ABCD") for v in range(1, 4)]
    (tmp_path / "in").mkdir()
    small(tmp_path / "in", rows)
    (tmp_path / "list.txt").write_text("A\nC\nD\n", encoding="utf-8")
    (tmp_path / "mapping.toml").write_text(
        "[measures.fatigue_score]\nname = 'Fatigue score'\nunit = 'points'\nmin = 0\nmax = 100\n"
        "better = 'lower'\n",
        encoding="utf-8",
    )
    seen = []
    series = run_case_series(
        data=str(tmp_path / "in"),
        mapping=str(tmp_path / "mapping.toml"),
        clients=str(tmp_path / "list.txt"),
        measures=["fatigue_score"],
        out=str(tmp_path / "paper"),
        facts=["sex"],
        seed=4,
        progress=lambda done, total, what: seen.append((done, total, what)),
    )
    assert sorted(series.selection.key["client"]) == ["A", "C", "D"]
    manifest = json.loads((tmp_path / "paper" / "manifest.json").read_text("utf-8"))
    assert manifest["parameters"]["clients"] == "../list.txt"
    assert "--measures fatigue_score --seed 4" in manifest["parameters"]["command_line"]
    assert "--facts sex" in manifest["parameters"]["command_line"]
    assert manifest["parameters"]["facts"] == ["sex"]
    assert {"in/measurements.csv", "list.txt"} <= {
        entry["path"].removeprefix("../") for entry in manifest["inputs"]
    }
    assert seen[0][0] == 0 and seen[-1][0] == seen[-1][1]


def test_records_are_anonymised_as_all_that_leaves_the_clinic(tmp_path):
    rows = [(c, v, 50 - v) for c in "ABCD" for v in range(1, 4)]
    lines = [{"client": c, "date": "2024-03-20", "exercise": "told by Y", "done": 1} for c in "A"]
    caseload = small(tmp_path, rows, extra={"home_exercise": lines})
    named = caseload.measurements.assign(instrument="Acme goniometer no. 7781", rater="Smith")
    series = run(caseload.with_tables(measurements=named), clients=["A", "C"])
    safe = series.selection.caseload
    assert set(safe.measurements["instrument"]) == {"goniometer"}
    assert set(safe.measurements["rater"]) == {"A"}
    assert series.selection.instruments == {"goniometer": "Acme goniometer no. 7781"}
    assert set(safe.home_exercise["exercise"]) == {NOT_SHOWN}


DESIGN = "drawn = 'start'\nleast_baseline = 3\nleast_treatment = 3\n[starts]\nA = [3, 4, 5]\n"


def test_a_recorded_draw_is_tested_and_said(tmp_path):
    (tmp_path / "draw.toml").write_text(DESIGN)
    design = read_design(tmp_path / "draw.toml")
    start = {"A": 4, "B": 5, "C": 3}
    rows = [(c, v, 50 - 9 * (v > start[c]) + v % 2) for c in "ABC" for v in range(1, 10)]
    frame = pd.DataFrame(rows, columns=["client", "visit", "value"])
    caseload = small(tmp_path, rows)
    visits = caseload.visits.assign(
        phase=[
            "baseline" if v <= start[c] else "treatment"
            for c, v in zip(caseload.visits["client"], caseload.visits["visit"], strict=True)
        ]
    )
    series = run(caseload.with_tables(visits=visits), design=design)
    # every start written out: A 3 to 5, B and C 3 to 6 baseline visits
    by_hand = []
    for starts in itertools.product((3, 4, 5), (3, 4, 5, 6), (3, 4, 5, 6)):
        gaps = []
        for client, first in zip("ABC", starts, strict=True):
            mine = frame[frame["client"] == client]
            later = mine["visit"] > first
            gaps.append(mine.loc[~later, "value"].mean() - mine.loc[later, "value"].mean())
        by_hand.append((sum(gaps) / 3, starts == (4, 5, 3)))
    seen = next(gap for gap, mine in by_hand if mine)
    p = sum(gap >= seen - 1e-9 for gap, _ in by_hand) / len(by_hand)
    across = series.found[0].across.set_index("quantity").loc[RANDOMISED]
    assert across["estimate"] == pytest.approx(seen) and across["p_value"] == pytest.approx(p)
    assert "48 possible" in across["method"]
    assert "(randomisation test)" in series.results.text
    assert "start of treatment of each client" in series.methods.text
    plain = run(caseload.with_tables(visits=visits))
    assert "No draw of starts or conditions is recorded" in plain.methods.text
    assert "randomisation test)" not in plain.results.text


def test_phases_that_the_draw_cannot_have_given_are_said(tmp_path):
    rows = [(c, v, 50 - v) for c in "AB" for v in range(1, 8)]
    caseload = small(tmp_path, rows, phase=lambda v: "baseline" if v < 3 else "treatment")
    series = run(caseload, design=RecordedDesign("start"))
    across = series.found[0].across.set_index("quantity").loc[RANDOMISED]
    assert across["method"] == "not computed"
    assert "must be ones that the design could have drawn" in across["notes"]


def test_design_file_tells_all_its_faults(tmp_path):
    path = tmp_path / "draw.toml"
    path.write_text("drawn = 'lots'\nphases = 0\nshared_starts = ['a']\nshoe = 1\nstarts = 3\n")
    with pytest.raises(DataError, match="5 faults found"):
        read_design(path)
    path.write_text("drawn = ")
    with pytest.raises(DataError, match="must be a TOML file"):
        read_design(path)


def test_command_line_takes_facts_and_a_draw(tmp_path, capsys):
    rows = [(c, v, 50 - v + i) for i, c in enumerate("ABCD") for v in range(1, 4)]
    (tmp_path / "in").mkdir()
    small(tmp_path / "in", rows)
    (tmp_path / "draw.toml").write_text("drawn = 'lots'\n")
    (tmp_path / "map.toml").write_text(
        "[measures.fatigue_score]\nname = 'Fatigue score'\nunit = 'points'\nmin = 0\nmax = 100\n"
        "better = 'lower'\n"
    )
    given = ["case-series", "--data", str(tmp_path / "in"), "--mapping", str(tmp_path / "map.toml")]
    given += ["--measures", "fatigue_score", "--out", str(tmp_path / "paper")]
    assert main([*given, "--facts", "shoe_size"]) == 2
    assert "facts must be one of" in capsys.readouterr().err
    assert main([*given, "--design", str(tmp_path / "draw.toml")]) == 2
    assert "drawn must be one of" in capsys.readouterr().err
    assert not (tmp_path / "paper").exists()
