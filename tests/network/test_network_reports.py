"""The page of a store is that of the same records read from their files."""

import os
import re
import signal

import numpy as np
import pandas as pd
import pytest

from data_synthetic.make_network import make_clinic
from outcomes.cli import main
from outcomes.glossary import check_result
from outcomes.network import commands, planning
from outcomes.network.clinics import CASE_MIX, compare_clinics
from outcomes.network.commands import run_combine, run_network_review, run_pack, run_summarise
from outcomes.network.reports import network_tables
from outcomes.network.review import review_network
from outcomes.network.store import open_store
from outcomes.records.write import write_caseload
from outcomes.reporting.runs import run_review


def without_provenance(html):
    """Drop where the numbers come from; anchors and everything else stay."""
    assert html.count('<h2 id="where-the-numbers-come-from">') == 1
    return re.sub(r'<h2 id="where-the-numbers-come-from">.*?</main>', "", html, flags=re.DOTALL)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    out = tmp_path_factory.mktemp("net") / "store"
    said = run_pack("data_synthetic/caseload", out=str(out), buckets=2)
    assert said.startswith("Packed: 2 clinics, 4 partitions, 2,656 visits, 45,195 readings")
    return out


def test_the_page_differs_in_nothing_but_provenance(store, tmp_path, monkeypatch, cluster_by_hand):
    """Two worker processes started by hand, one killed in the middle, against one process."""
    monkeypatch.setattr(planning, "_TASK_ROWS", 8_000)
    killed = []
    with cluster_by_hand(tmp_path) as (address, workers):

        def watch(done, total, words):
            if not killed and done < total:
                killed.append(workers[0].pid)
                os.kill(workers[0].pid, signal.SIGKILL)

        said = run_network_review(
            data=str(store), out=str(tmp_path / "net"), scheduler=address, progress=watch
        )
        assert killed and workers[0].wait() == -signal.SIGKILL and workers[1].poll() is None
    alone = run_review(data="data_synthetic/caseload", out=str(tmp_path / "alone"))
    assert said.splitlines()[:5] == alone.summary.splitlines()[:5]
    mine = (tmp_path / "net" / alone.report.name).read_text("utf-8")
    theirs = alone.report.read_text("utf-8")
    assert without_provenance(mine) == without_provenance(theirs)
    assert not (tmp_path / "net" / ".stages").exists()


def test_a_large_network_gets_a_page_without_clients(store, tmp_path, monkeypatch):
    monkeypatch.setattr(commands, "LISTED", 10)
    said = run_network_review(data=str(store), out=str(tmp_path), quarter="all", keep=True)
    assert said.startswith("Network review, all: 2 clinics, 412 episodes seen, 13 measures.")
    page = (tmp_path / "network_all.html").read_text("utf-8")
    assert "C0001" not in page and "Improvement is positive when clients are better" in page
    assert (tmp_path / "tables" / "model_verdicts.csv").is_file()
    assert (tmp_path / ".stages").is_dir()


def test_a_store_can_be_checked(store):
    assert run_pack("", out=str(store), check=True).startswith("Checked, all whole: 2 clinics")
    assert run_pack("", out=str(store), update=True).startswith("Up to date: 2 clinics")


def test_summaries_go_out_and_come_together(tmp_path):
    files = []
    for number in range(1, 6):
        caseload = make_clinic(np.random.default_rng(number), code=f"K{number}", n_clients=240)
        write_caseload(caseload, tmp_path / f"clinic{number}")
        said = run_summarise(
            str(tmp_path / f"clinic{number}"),
            clinic=f"K{number}",
            quarter="all",
            out=str(tmp_path / f"K{number}.json"),
        )
        assert "no group has fewer than 10 clients" in said and "- It holds no client code" in said
        files.append(str(tmp_path / f"K{number}.json"))
    said = run_combine(files, out=str(tmp_path / "network"))
    assert said.startswith("Network of 5 clinics, all: 2 measures, from sums that the clinics sent")
    page = (tmp_path / "network" / "network_all.html").read_text("utf-8")
    assert "Clinics are not adjusted for whom they treat" in page and "K1-0" not in page
    assert (tmp_path / "network" / "tables" / "clinic_spread.csv").is_file()


def test_columns_of_the_tables_are_defined(store, tmp_path):
    found = review_network(open_store(store), quarter="all", measures=["nprs"])
    frames = [*network_tables(found, {}).values()]
    frames.append(compare_clinics(_cells()).funnel)
    for frame in frames:
        check_result(frame.columns)


def _cells():
    cells = pd.DataFrame({"clinic": list("abcdef"), "n": 50, "count": [20, 22, 25, 18, 24, 21]})
    return cells.assign(**dict.fromkeys(CASE_MIX, "all"))


def test_the_commands_reach_these_functions(store, tmp_path, capsys):
    assert main(["pack", "--out", str(store), "--check"]) == 0
    summary = tmp_path / "hall.json"
    assert main(["summarise", "--clinic", "hall", "--out", str(summary)]) == 0
    assert main(["combine", str(summary), "--out", str(tmp_path / "net")]) == 0
    said = capsys.readouterr().out
    assert "Checked, all whole" in said and "Network of 1 clinic" in said
    assert main(["review", "--data", str(tmp_path), "--workers", "2"]) == 2
    assert "must be a store" in capsys.readouterr().err
