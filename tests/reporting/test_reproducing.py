"""A run done again: a case series, a changed cell of the input, an environment of its own."""

import json
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from outcomes.errors import DataError
from outcomes.reporting import fresh_environment
from outcomes.reporting.case_series import run_case_series
from outcomes.reporting.input_rows import BLOCK, INPUT_ROWS, changed_inputs, write_input_rows
from outcomes.reporting.reproduce import compare_tables, reproduce

sys.path.insert(0, str(Path(__file__).parent / "case_series"))

from case_series_fixtures import schutte_caseload  # noqa: E402  # pyright: ignore

MAPPING = """
[measures.fatigue_score]
name = "Fatigue score"
unit = "points"
min = 0
max = 100
better = "lower"
"""


@pytest.fixture(scope="module")
def paper(tmp_path_factory):
    base = tmp_path_factory.mktemp("again")
    schutte_caseload(base / "in")
    (base / "mapping.toml").write_text(MAPPING)
    (base / "draw.toml").write_text("drawn = 'start'\nleast_baseline = 2\nleast_treatment = 1\n")
    run_case_series(
        data=str(base / "in"),
        mapping=str(base / "mapping.toml"),
        measures=["fatigue_score"],
        design=str(base / "draw.toml"),
        facts=["sex"],
        out=str(base / "paper"),
        seed=3,
    )
    return base


def moved(base, tmp_path):
    """The run and its data in another place."""
    place = tmp_path / "moved"
    shutil.copytree(base, place)
    return place


def test_a_case_series_is_reproduced_in_another_place(paper, tmp_path):
    found = reproduce(moved(paper, tmp_path) / "paper")
    assert found.same and found.cells > 300 and found.differences.empty


def test_a_changed_reading_is_named_and_moves_the_tables(paper, tmp_path):
    place = moved(paper, tmp_path)
    path = place / "in" / "measurements.csv"
    table = pd.read_csv(path, dtype=str)
    before = table.loc[40, "value"]
    table.loc[40, "value"] = "3"
    table.to_csv(path, index=False)
    found = reproduce(place / "paper")
    assert not found.same
    assert "Input measurements.csv is not the same file as before." in found.causes
    assert "Input measurements.csv, row 42, column value: not what it was." in found.causes
    assert "row 42, column value" in found.summary
    assert before not in found.summary


def test_without_the_key_labels_cannot_be_kept(paper, tmp_path):
    place = moved(paper, tmp_path)
    (place / "paper_keys" / "client_key.csv").unlink()
    with pytest.raises(DataError, match="paper_keys must stand beside paper"):
        reproduce(place / "paper")


def test_a_run_of_another_command_is_refused(paper, tmp_path):
    place = moved(paper, tmp_path)
    path = place / "paper" / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"command": "pack"}))
    with pytest.raises(DataError, match="must be a run of review or case-series"):
        reproduce(place / "paper")


def test_a_table_without_columns_is_compared_too(tmp_path):
    for name in ("before", "after"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "empty.csv").write_text("\n")
        (tmp_path / name / "full.csv").write_text("a,b\n1,2\n")
    cells, differences, worst = compare_tables(tmp_path / "before", tmp_path / "after")
    assert (cells, len(differences), worst) == (2, 0, 0.0)
    (tmp_path / "after" / "empty.csv").write_text("a\n1\n")
    _, differences, _ = compare_tables(tmp_path / "before", tmp_path / "after")
    assert differences["table"].tolist() == ["empty.csv"]


def test_digests_stay_out_of_the_paper_and_belong_to_their_owner(paper):
    assert not list((paper / "paper").rglob(INPUT_ROWS))
    path = paper / "paper_keys" / INPUT_ROWS
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    text = path.read_text()
    assert "Case 1" not in text and "baseline" not in text


def readings(n):
    return pd.DataFrame(
        {
            "client": [f"C{i // 4}" for i in range(n)],
            "visit": [i % 4 + 1 for i in range(n)],
            "measure": "nprs",
            "value": [i % 11 for i in range(n)],
        }
    ).astype(str)


@pytest.fixture
def recorded(tmp_path):
    """A table of three blocks and its record; gives a function that writes it anew and looks."""
    folder = tmp_path / "in"
    folder.mkdir()
    table = readings(3 * BLOCK + 40)
    table.to_csv(folder / "measurements.csv", index=False)
    record = tmp_path / INPUT_ROWS
    assert write_input_rows(record, data=str(folder)) == record

    def look(change):
        table.pipe(change).to_csv(folder / "measurements.csv", index=False)
        return changed_inputs(record, data=str(folder))

    return look


def test_cells_are_named_by_row_and_column(recorded):
    def two_blocks(table):
        table = table.copy()
        table.loc[5, "value"] = "x"
        table.loc[3 * BLOCK + 39, ["visit", "measure"]] = ["9", "ndi"]
        return table

    assert recorded(lambda table: table) == []
    assert recorded(two_blocks) == [
        "Input measurements.csv, row 7, column value: not what it was.",
        "Input measurements.csv, row 809, columns visit and measure: not what it was.",
    ]


def test_two_changes_in_one_block_are_not_told_apart_by_column(recorded):
    def one_block(table):
        table = table.copy()
        table.loc[5, "value"] = "x"
        table.loc[6, "visit"] = "9"
        return table

    assert recorded(one_block) == [
        "Input measurements.csv, row 7, column visit or value: not what it was.",
        "Input measurements.csv, row 8, column visit or value: not what it was.",
    ]


def test_rows_that_came_or_went(recorded):
    said = recorded(lambda table: table.drop(index=[9, 300]))
    assert said == [
        "Input measurements.csv has 806 rows, 808 before.",
        "Input measurements.csv, rows changed or gone: 11 and 302 (as numbered before).",
    ]
    said = recorded(lambda table: pd.concat([table, table.tail(1).assign(visit="9")]))
    assert said[1] == "Input measurements.csv, rows changed or new: 810."
    assert "other columns" in recorded(lambda table: table[["visit", "client", "value"]])[0]


def test_a_broken_record_names_nothing(tmp_path):
    (tmp_path / INPUT_ROWS).write_text("{")
    assert "cannot be read" in changed_inputs(tmp_path / INPUT_ROWS, data=str(tmp_path))[0]
    assert changed_inputs(tmp_path / "absent", data=str(tmp_path)) == []
    assert write_input_rows(tmp_path / "x.json", data="sqlite:///clinic.db") is None


def test_the_pinned_environment_is_built_and_asked(monkeypatch, tmp_path):
    """Without a network: what would be installed, and what would be run in the new environment."""
    commands = []

    def run(command, **options):
        commands.append([str(word) for word in command])
        return subprocess.CompletedProcess(command, 1, stdout="Not reproduced\n", stderr="")

    monkeypatch.setattr(fresh_environment.venv, "create", lambda place, with_pip: None)
    monkeypatch.setattr(fresh_environment.subprocess, "run", run)
    status, said = fresh_environment.reproduce_in_fresh_environment(
        tmp_path / "run", data=str(tmp_path / "in")
    )
    assert (status, said) == (1, "Not reproduced")
    install, again = commands
    assert install[1:5] == ["-m", "pip", "install", "--quiet"]
    assert install[5].endswith("[locked]") or "outcomes[locked]==" in install[5]
    assert again[1:5] == ["-m", "outcomes.cli", "reproduce", str((tmp_path / "run").resolve())]
    assert again[5:] == ["--data", str((tmp_path / "in").resolve())]
    assert install[0] == again[0] != sys.executable


def test_what_pip_said_reaches_the_reader(monkeypatch, tmp_path):
    def run(command, **options):
        said = "noise\nERROR: No matching distribution found for numpy==0.0.\nERROR: more\n"
        raise subprocess.CalledProcessError(1, command, stderr=said)

    monkeypatch.setattr(fresh_environment.venv, "create", lambda place, with_pip: None)
    monkeypatch.setattr(fresh_environment.subprocess, "run", run)
    with pytest.raises(DataError, match=r"status 1 \(No matching distribution found for numpy"):
        fresh_environment.reproduce_in_fresh_environment(tmp_path)


def test_every_dependency_is_pinned_once():
    import tomllib

    root = Path(fresh_environment.__file__).parents[2]
    project = tomllib.loads((root / "pyproject.toml").read_text())["project"]
    pins = project["optional-dependencies"]["locked"]
    assert all(pin.count("==") == 1 for pin in pins)
    names = [pin.split("==")[0].lower().replace("_", "-") for pin in pins]
    assert len(names) == len(set(names))
    wanted = [*project["dependencies"], *project["optional-dependencies"]["documents"]]
    for line in wanted:
        name = line.split(">=")[0].split("[")[0].lower().replace("_", "-")
        assert name in names, name


@pytest.mark.slow
def test_a_run_is_reproduced_in_an_environment_of_pinned_versions(paper, tmp_path):
    """Really builds the environment: some minutes, and a package index must be reachable."""
    place = moved(paper, tmp_path)
    status, said = fresh_environment.reproduce_in_fresh_environment(place / "paper")
    assert status == 0, said
    assert "none differs" in said
