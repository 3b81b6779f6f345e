"""The page of evidence: outside checks as stated, stored results signed, nothing hidden."""

import json
import re
from datetime import date
from html import escape

import make_page
import outside_checks
import pandas as pd
import pytest
import stored_results
from published_check import Check
from trust_blocks import Table
from trust_simulations import MARGIN, alarm_rates, held_shares


@pytest.fixture(scope="module")
def checks():
    return outside_checks.run()


@pytest.fixture(scope="module")
def records():
    return stored_results.read_all()


@pytest.fixture(scope="module")
def blocks(records):
    return make_page.blocks(records)


def test_every_outside_check_is_as_stated(checks):
    wrong = [
        f"{c.source}, {c.what}: {c.published}, ours {c.found:.9g}" for c in checks if not c.holds
    ]
    assert not wrong, "\n".join(wrong)
    assert len(checks) >= 200
    assert sum(c.agrees for c in checks) >= 0.95 * len(checks)
    assert {c.known for c in checks} == {"printed", "recalled", "computed"}
    for c in checks:
        assert re.search(r"\d{4}|NIST|Handbook|Montgomery", c.source), c.source


def test_stored_checks_are_those_of_the_code_as_it_is(checks):
    stored = json.loads(outside_checks.RESULT.read_text())["checks"]
    assert [(s["source"], s["what"], s["published"]) for s in stored] == [
        (c.source, c.what, c.published) for c in checks
    ]
    found = [c.found for c in checks]
    assert [s["found"] for s in stored] == pytest.approx(found, rel=1e-6, abs=1e-9)
    assert all(s["holds"] for s in stored)


def _check(published, found, **more):
    return Check(topic="t", source="s", what="w", published=published, found=found, **more)


def test_a_check_can_fail():
    assert _check("0.17", 0.1657).holds and _check("0.17", 0.1657).digits == 2
    assert not _check("0.17", 0.1649).holds
    assert _check("-1.337", -1.33744).digits == 4
    assert not _check("-1.337", 1.33744).holds
    assert not _check("23", 24).holds
    # a reason must be needed, and the digits that it leaves must agree
    assert _check("20.947", 20.9463, why="rounding", least=4).holds
    assert not _check("20.947", 20.9463, why="rounding", least=5).holds
    assert not _check("20.947", 20.9469, why="rounding", least=4).holds
    assert not _check("20.947", float("nan")).holds


def test_every_stored_result_says_how_it_was_made(records):
    assert len(records) >= 12
    for record in records:
        assert record.seed, f"{record.name}: no seed, and no reason for none"
        assert record.date, record.name
        for day in record.date.split(", "):
            assert date.fromisoformat(day), record.name
        assert {"numpy", "pandas"} & set(record.versions), record.name
        assert record.script is not None and record.title, record.name


def test_a_result_without_seed_or_date_is_noticed(tmp_path):
    (tmp_path / "made_up.json").write_text('{"coverage": 0.5}')
    record = stored_results.read(tmp_path / "made_up.json")
    assert (record.seed, record.date, record.versions) == ("", "", {})


def test_coverages_are_found_wherever_they_stand(tmp_path):
    content = {
        "seed": 1,
        "nominal": 0.9,
        "sets": 50,
        "complete": [{"form": "x", "clients": 8, "coverage": 0.88, "true_below": 0.1}],
        "figures": {"one": {"0.2": {"nap_interval_covers": 0.91, "nap_test_rejects": 0.09}}},
        "rows": [{"clients": 6, "coverage_sets": 20, "course_covered": 0.93,
                  "rejected": {"normal": 0.11}}],
    }  # fmt: skip
    (tmp_path / "made_up.json").write_text(json.dumps(content))
    record = stored_results.read(tmp_path / "made_up.json")
    held = stored_results.coverages(record)
    assert held["share"].tolist() == [0.88, 0.91, 0.93]
    assert held["sets"].tolist() == [50, 50, 20]
    assert held["nominal"].tolist() == [0.9] * 3
    assert held["what"].tolist() == [
        "x, 8 clients",
        "one, correlation 0.2, nap interval covers",
        "6 clients, course covered",
    ]
    rates = stored_results.false_alarms(record)
    assert rates["share"].tolist() == [0.09, 0.11]


def test_every_simulation_has_its_figures_on_the_page(records):
    held, rates = held_shares(records), alarm_rates(records)
    assert held["share"].between(0, 1).all() and rates["share"].between(0, 1).all()
    assert len(held) > 150 and len(rates) > 80
    elsewhere = {"mixed_model_agreement", "mixed_model_benchmark"} | stored_results.OWN_SECTION
    for record in records:
        found = len(stored_results.coverages(record)) + len(stored_results.false_alarms(record))
        assert found or record.name in elsewhere, f"{record.name}: nothing of it is shown"


def test_what_falls_short_is_named(blocks, records):
    page = make_page.as_page(blocks, title=make_page.TITLE)
    held = held_shares(records)
    short = held[held["share"] < held["nominal"] - MARGIN]
    assert len(short) == int(held["short"].sum()) > 0
    for what in short["what"]:
        assert page.count(escape(what)) >= 2, what  # among the short ones, and among all


def test_the_page_stands_alone_and_reads_without_pictures(blocks, records):
    page = make_page.as_page(blocks, title=make_page.TITLE)
    assert page.count("<h1>") == 1 and make_page.TITLE in page
    assert not re.search(r'<script|<link|src="(?!data:)|href="(?!#)', page)
    pictures = re.findall(r'<img alt="([^"]*)"', page)
    assert len(pictures) >= 2 and all(len(words) > 80 for words in pictures)
    assert "nan" not in re.sub(r'src="data:[^"]*"', "", page).lower().split()
    for record in records:
        assert f"<strong>{record.name.replace('_', ' ')}.</strong>" in page
        assert record.date in page


def test_the_short_version_is_that_of_the_stored_results(blocks):
    """Run `python tests/evidence/make_page.py` after a result was stored anew."""
    assert make_page.SHORT.read_text(encoding="utf-8") == make_page.as_markdown(blocks)


def test_tables_are_whole_in_both_versions():
    frame = pd.DataFrame({"a": ["x|y"], "b": [0.5]})
    table = Table(frame, {"a": "A", "b": ("B", str)}, "Cap")
    assert table.markdown().splitlines()[2:] == ["| A | B |", "| --- | --- |", "| x/y | 0.5 |"]
    assert "<caption>Cap</caption>" in table.html()
    folded = Table(frame, {"a": "A"}, "Cap", folded="All")
    assert folded.markdown() == "" and "<summary>All</summary>" in folded.html()
