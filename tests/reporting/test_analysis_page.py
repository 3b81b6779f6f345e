"""The rebuilt analysis gives the report's number, and its words and figures say what it found."""

import json
import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes import fit_mixed_model, judge_change, judged_side, start_and_latest, visit_values
from outcomes.errors import ArgumentError, DataError
from outcomes.records.lookup import importance_of, measure_of
from outcomes.reporting import (
    analysis_checks,
    analysis_choices,
    analysis_gain,
    analysis_missing,
    analysis_model,
    analysis_page,
)
from outcomes.reporting.figures import specification_figure, threshold_figure
from outcomes.reporting.figures.thresholds import short_source
from outcomes.reporting.manifest import MANIFEST, Manifest
from outcomes.reporting.scripting import notebook_as_script, show
from outcomes.statistics.effect_size import mean_change
from outcomes.statistics.important_change import compare_thresholds
from outcomes.statistics.review import review_quarter
from outcomes.statistics.review.judging import row_errors
from outcomes.statistics.sensitivity import agreement, run_grid
from outcomes.statistics.time_to_gain import (
    gain_intervals,
    hazard_by_visit,
    interval_score_test,
    kaplan_meier,
    log_rank,
    visit_rows,
)

QUARTER = "2026Q2"


class Rebuilt:
    """One measure from its rows to the headline, as the notebook does it."""

    def __init__(self, caseload, code):
        self.measure, self.line = measure_of(caseload, code), importance_of(caseload, code)
        values = judged_side(visit_values(caseload, measures=[code]), caseload.clients)
        self.values = analysis_page.in_scope(values, caseload, QUARTER)
        self.pairs = start_and_latest(self.values)
        self.judged = judge_change(
            self.pairs,
            standard_error_of_measurement=row_errors(caseload, code, self.pairs),
            minimal_important_change=self.line.value if self.line else None,
            better=self.measure.better,
        )
        self.rows = analysis_page.one_series(self.values, self.pairs)
        self.rows["time"] = np.log1p(self.rows["week"])
        self.fit = fit_mixed_model(self.rows, "value ~ time", groups="care", random="1 + time")


@pytest.fixture(scope="module")
def pain(caseload):
    return Rebuilt(caseload, "nprs")


@pytest.fixture(scope="module")
def neck(caseload):
    return Rebuilt(caseload, "cervical_rotation")


@pytest.fixture(scope="module")
def grid(caseload, neck):
    return run_grid(
        analysis_choices.versions(caseload, "cervical_rotation", QUARTER),
        lines=analysis_choices.lines(caseload, "cervical_rotation"),
        errors=analysis_choices.errors(caseload, "cervical_rotation"),
        windows={"whole episode": np.inf, "first 6 weeks": 6},
        courses=("first to latest, mean", "first to latest, trimmed mean"),
    )


def text_of(part):
    return unescape(re.sub(r"<[^>]+>", " ", re.sub(r'src="data:[^"]+"', "", part._repr_html_())))


@pytest.mark.parametrize("which", ["pain", "neck"])
def test_the_rebuilt_headline_is_the_reports(which, request, review):
    found = request.getfixturevalue(which)
    own = mean_change(found.judged, better=found.measure.better)
    theirs = next(m for m in review.measures if m.measure.code == found.measure.code)
    assert own.estimate == theirs.improvement.estimate
    assert (own.ci_low, own.ci_high) == (theirs.improvement.ci_low, theirs.improvement.ci_high)
    assert own.n == theirs.flow["analysed"]


def test_the_headline_says_when_a_run_said_otherwise(caseload, pain, tmp_path):
    report = review_quarter(caseload, quarter=QUARTER, measures=["nprs"])
    own = mean_change(pain.judged, better="lower", measure="nprs", unit="points")
    (tmp_path / "tables").mkdir()
    table = tmp_path / "tables" / "measures.csv"
    for written, words in ((own.estimate, "the same number"), (own.estimate + 0.25, "0.25")):
        pd.DataFrame({"measure": ["nprs"], "estimate": [written]}).to_csv(table, index=False)
        origin = analysis_page.Origin("", "", "", QUARTER, tmp_path)
        text = text_of(
            analysis_page.headline(own, report=report, origin=origin, measure=pain.measure)
        )
        assert re.search(rf"run's table of measures: [^.]*{words}", text)


def test_a_run_gives_its_arguments_and_what_is_not_as_it_was(tmp_path):
    data = tmp_path / "data"
    data.mkdir()
    (data / "clients.csv").write_text("client\na\n")
    folder = tmp_path / "run"
    folder.mkdir()
    inputs = [{"path": "../data/clients.csv", "sha256": "0" * 64, "bytes": 9}]
    parameters = {"data": "../data", "mapping": "", "thresholds": "", "quarter": "2026Q1"}
    made = Manifest(command="review", parameters=parameters, inputs=inputs, outputs=[])
    (folder / MANIFEST).write_text(made.to_json())
    origin = analysis_page.find_origin(str(folder))
    assert (Path(origin.data), origin.quarter, origin.mapping) == (data.resolve(), "2026Q1", "")
    assert origin.differs == ("Input clients.csv is not the same file as before.",)
    assert json.loads(made.to_json())["command"] == "review"


def test_a_folder_without_manifest_is_refused(tmp_path):
    with pytest.raises(DataError, match="must hold a manifest.json"):
        analysis_page.find_origin(str(tmp_path))


def test_one_series_an_episode_in_order(pain):
    assert pain.rows["care"].nunique() == len(pain.pairs)
    assert pain.rows.groupby("care")["week"].apply(lambda w: w.is_monotonic_increasing).all()


def test_the_checks_find_what_is_planted(neck):
    """A serial correlation of 0.8 from week to week, and errors with heavy tails."""
    rng = np.random.default_rng(3)
    care, weeks = np.repeat(np.arange(60), 12), np.tile(np.arange(12.0), 60)
    error = rng.normal(0, 5, (60, 12))
    for t in range(1, 12):
        error[:, t] = 0.8 * error[:, t - 1] + 0.6 * error[:, t]
    tails = stats.t.rvs(2, size=720, random_state=rng) * 3
    words = []
    for noise in (error.ravel(), tails, rng.normal(0, 3, 720)):
        level = rng.normal(50, 6, 60)[care] + 2 * weeks
        rows = pd.DataFrame({"care": care, "week": weeks, "time": weeks, "value": level + noise})
        fit = fit_mixed_model(rows, "value ~ time", groups="care", random="1 + time")
        checks = analysis_checks.check_model(fit, rows, rng=rng, simulations=40)
        words.append(text_of(analysis_checks.in_words(checks)))
    assert "try residual='autoregressive'" in words[0]
    assert "Not normal: residuals" in words[1]
    assert "No sign that readings close in time" in words[2]
    assert "as normal as simulated ones" in words[2]
    assert "a straight course in weeks fits as well" in words[2]


def test_every_check_can_be_shown(pain):
    rng = np.random.default_rng(1)
    checks = analysis_checks.check_model(pain.fit, pain.rows, rng=rng, simulations=30)
    pictures = [
        analysis_checks.residuals(checks, pain.measure),
        analysis_checks.quantiles(checks),
        analysis_checks.variogram(checks, pain.measure),
        analysis_checks.influence(checks),
    ]
    assert f"{len(pain.rows)} readings" in pictures[0].alt
    assert checks.influence["care"].iloc[0] in pictures[3].alt
    tables = [
        analysis_checks.shape_and_terms(checks),
        analysis_checks.caseload_like(checks),
        analysis_model.model(pain.fit, pain.rows, pain.measure),
    ]
    assert all("nan" not in text_of(part) for part in tables)


def test_the_course_in_words_is_the_models(pain):
    text = text_of(analysis_model.model(pain.fit, pain.rows, pain.measure))
    week, size = re.search(r"to week ([\d.]+), .* improves by ([\d.]+) points", text).groups()
    slope = float(pain.fit.fixed.set_index("term").loc["time", "estimate"])
    assert float(size) == pytest.approx(-slope * np.log1p(float(week)), abs=0.06)


def test_other_software_agrees(neck):
    text = text_of(analysis_model.engines(neck.rows, "value ~ time"))
    assert "statsmodels GEE" in text
    assert re.search(r"agrees in the slope to \d+(e−0[4-9]|\.?\d*) standard errors", text)


def test_versions_of_a_measure_differ_from_the_one_in_use(caseload, neck):
    found = analysis_choices.versions(caseload, "cervical_rotation", QUARTER)
    assert list(found)[0] == "as judged"
    pd.testing.assert_frame_equal(found["as judged"], neck.values)
    assert set(found) >= {"first trial only", "both sides averaged"}
    assert set(found["both sides averaged"]["side"]) >= {"both"}
    assert list(analysis_choices.versions(caseload, "nprs", QUARTER)) == ["as judged"]


def test_lines_and_errors_start_with_those_in_use(caseload):
    lines = analysis_choices.lines(caseload, "nprs")
    assert next(iter(lines.values())) == importance_of(caseload, "nprs").value
    assert min(lines.values()) < next(iter(lines.values())) < max(lines.values())
    detectable = analysis_choices.lines(caseload, "cervical_rotation")
    error = next(iter(analysis_choices.errors(caseload, "cervical_rotation").values()))
    assert list(detectable.values()) == [pytest.approx(1.959964 * np.sqrt(2) * error)]
    assert "no line known" in next(iter(detectable))
    scatter = analysis_choices.errors(caseload, "tragus_to_wall", scatter=0.7)
    assert scatter == {"scatter of own readings": 0.7}
    with pytest.raises(DataError, match="a measurement error must be known"):
        analysis_choices.errors(caseload, "tragus_to_wall")


def test_the_specification_figure_counts_what_the_grid_holds(grid, neck):
    found = agreement(grid)
    assert found.n_analyses == len(grid) >= 200
    alt = specification_figure(grid, found, neck.measure).alt
    assert f"{len(grid)} analyses" in alt
    told = {w: int(n) for w, n in re.findall(r"(better[^:;]*|no change shown|worse): (\d+)", alt)}
    shown = grid.drop_duplicates(["version", "window", "outliers", "missing", "course", "line"])
    assert told == shown["verdict"].value_counts().to_dict()


def test_agreement_is_said_in_words(grid, neck):
    found = agreement(grid)
    text = text_of(analysis_choices.specification(grid, neck.measure))
    share = f"{found.share_same_verdict * 100:.0f}%" if found.share_same_verdict < 1 else "all"
    assert f"{share} reach its verdict: {found.main_verdict}" in text
    assert "Moves the mean by" in text_of(analysis_choices.what_moves(grid, neck.measure))


def test_the_story_of_the_missing_has_its_fence(pain):
    starters = start_and_latest(pain.values, least_visits=1)
    lost = int(starters["latest_value"].isna().sum())
    rng = np.random.default_rng(1)
    text = text_of(analysis_missing.missing(starters, pain.measure, line=pain.line.value, rng=rng))
    assert f"{lost} of {len(starters)}" in text
    worst = text.index("every leaver at the worst value")
    assert worst < text.index("every leaver at the best value") and "nan" not in text
    stayed = starters.dropna(subset=["latest_value"])
    same = text_of(analysis_missing.missing(stayed, pain.measure, line=None, rng=rng))
    assert "Everybody with a first reading was measured again" in same


def test_thresholds_stand_beside_each_other(caseload, pain):
    found = compare_thresholds(pain.judged, measure="nprs")
    alt = threshold_figure(found, pain.measure).alt
    assert f"{len(found)} thresholds" in alt
    reached = (pain.judged["improvement"] >= found["value"].min()).mean()
    assert f"{reached * 100:.0f}%" in alt
    text = text_of(analysis_choices.thresholds(pain.judged, caseload, "nprs"))
    assert "The clinic's own line" in text
    assert short_source("michener2011") == "Michener 2011" and short_source("own") == "own"


def test_time_to_a_gain_is_told_with_its_numbers_at_risk(caseload, pain):
    sizes = analysis_gain.gains(pain.judged)
    assert set(sizes) == {"detectable", "important"}
    rng = np.random.default_rng(1)
    part = analysis_gain.time_to_gain(
        pain.values, caseload, pain.measure, sizes=sizes, rng=rng, samples=100
    )
    times = gain_intervals(pain.values, line=sizes["important"], better="lower")
    assert f"{int(times['reached'].sum())} of {len(times)} clients" in part.text
    curve = kaplan_meier(times["time"], times["reached"])
    assert curve["at_risk"].iloc[0] == len(times)
    columns = re.findall(r"<td[^>]*>(\d+)%</td>", part.text)
    shares = np.array(columns, dtype=float).reshape(-1, 2 if len(columns) % 2 == 0 else 1)
    assert np.allclose(shares.sum(axis=0), 100, atol=2)  # all who start end in one way
    nothing = analysis_gain.time_to_gain(pain.values, caseload, pain.measure, sizes={}, rng=rng)
    assert "Neither a detectable nor an important gain" in nothing.text


def test_the_restricted_mean_and_the_endings_are_told(caseload, pain):
    sizes = {"important": pain.line.value}
    part = analysis_gain.time_to_gain(
        pain.values, caseload, pain.measure, sizes=sizes, rng=np.random.default_rng(1), samples=100
    )
    times = gain_intervals(
        pain.values, line=sizes["important"], better="lower", visits=caseload.visits
    )
    curve = kaplan_meier(times["time"], times["reached"])
    until = min(12.0, np.floor(curve["time"].iloc[-1]))
    area = np.trapezoid(
        1 - np.interp(grid_ := np.linspace(0, until, 200_001), *_steps(curve)), grid_
    )
    assert f"Counted up to week {until:g}, a client spends {area:.1f} weeks short" in text_of(part)
    alts = re.findall(r'alt="([^"]+)"', part.text)
    endings = next(alt for alt in alts if "what comes first" in alt)
    assert "the gain" in endings and "stopped coming before it" in endings


def _steps(curve):
    """A right-continuous step curve as points for linear interpolation."""
    time = np.repeat(curve["time"].to_numpy(float), 2)[1:]
    share = np.repeat(1 - curve["survival"].to_numpy(float), 2)[:-1]
    return time + np.arange(len(time)) * 1e-12, share


def test_the_chance_at_each_visit_has_its_numbers_at_risk(pain):
    sizes = {"important": pain.line.value}
    part = analysis_gain.chance_by_visit(pain.values, pain.measure, sizes=sizes)
    times = gain_intervals(pain.values, line=sizes["important"], better="lower", scale="visit")
    rows = hazard_by_visit(visit_rows(times))
    rows = rows[rows["at_risk"] >= analysis_gain.LEAST_AT_RISK]
    best = rows.loc[rows["share"].idxmax()]
    assert f"highest at visit {best['visit']:g} ({100 * best['share']:.0f}%" in text_of(part)
    alt = unescape(re.findall(r'alt="([^"]+)"', part.text)[0])
    assert all(f"of {n:,}" in alt for n in rows["at_risk"])
    none = analysis_gain.chance_by_visit(pain.values, pain.measure, sizes={})
    assert "Neither a detectable nor" in none.text


def test_groups_are_compared_in_time_by_two_tests(caseload, pain):
    sizes = {"important": pain.line.value}
    part = analysis_gain.groups(pain.values, caseload, pain.measure, sizes=sizes, by="clinic")
    text = re.sub(r"\s+", " ", text_of(part))
    times = gain_intervals(pain.values, line=sizes["important"], better="lower")
    clinic = caseload.clients.set_index("client")["clinic"]
    group = times["client"].map(clinic)
    for test, words in (
        (log_rank(times["time"], times["reached"], group), "Log-rank test"),
        (interval_score_test(times["left"], times["right"], group), "Score test"),
    ):
        p = f"p = {test['p_value'].iloc[0]:.3f}".replace("0.", ".")
        assert re.search(rf"{words}[^:]*: chi-square [\d.]+, {re.escape(p)}", text)
    assert re.search(r"ratio \d\.\d\d \(\d\.\d\d to \d\.\d\d\)", text)
    alone = analysis_gain.groups(pain.values, caseload, pain.measure, sizes=sizes, by="")
    assert "No two groups" in alone.text


def test_every_published_threshold_is_an_option(caseload):
    from outcomes.measures.matching import all_thresholds

    lines = analysis_choices.lines(caseload, "nprs")
    published = all_thresholds("nprs", "minimal_important_change")["value"]
    for value in published:
        assert np.isclose(list(lines.values()), value, atol=0.051).any(), value
    assert next(iter(lines)).endswith("in use")
    assert any("Farrar 2001 and Ostelo 2008" in name for name in lines)  # one value, two sources
    assert len(set(np.round(list(lines.values()), 3))) == len(lines)


def test_a_run_is_read_by_its_own_settings(tmp_path):
    run = tmp_path / "run"
    run.mkdir()
    (tmp_path / "own.toml").write_text(
        "[[threshold]]\nmeasure = 'nprs'\nkind = 'minimal_important_change'\nvalue = 3.5\n"
        "unit = 'points'\ndesign = 'anchor study'\n"
    )
    (tmp_path / "clinic.toml").write_text("thresholds = 'own.toml'\n")
    made = Manifest(
        command="review",
        parameters={"data": "", "settings": "../clinic.toml", "quarter": "2026Q2"},
        inputs=[],
        outputs=[],
    )
    (run / MANIFEST).write_text(made.to_json())
    origin = analysis_page.find_origin(str(run))
    assert Path(origin.settings) == (tmp_path / "clinic.toml").resolve()
    line = importance_of(origin.read(), "nprs")
    assert line is not None and line.value == 3.5
    assert origin.used["settings"] == origin.settings and origin.used["quarter"] == "2026Q2"


def test_worse_leavers_are_told_in_the_unit(pain):
    starters = start_and_latest(pain.values, least_visits=1)
    text = text_of(
        analysis_missing.missing(
            starters, pain.measure, line=pain.line.value, rng=np.random.default_rng(1)
        )
    )
    assert "leavers worse by 1.1 points" in text and "1.085" not in text


def test_two_groups_come_with_what_could_explain_them(caseload, pain):
    starters = start_and_latest(pain.values, least_visits=1)
    text = text_of(analysis_choices.two_groups(starters, caseload, pain.measure, by="clinic"))
    assert "Adjusted for the start value" in text and "E-value" in text
    none = analysis_choices.two_groups(starters, caseload, pain.measure, by="shoe_size")
    assert "No two groups" in none.text


def test_a_notebook_becomes_a_script_that_runs(tmp_path):
    import nbformat
    from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

    cells = [
        new_markdown_cell("# Title"),
        new_code_cell("from outcomes.reporting.picture import Html"),
        new_code_cell("n = 3", metadata={"tags": ["parameters"]}),
        new_code_cell('part = Html(f"<p>{n} clients &amp; more</p>")\npart'),
        new_code_cell("(\n    n\n    + 1\n)"),
        new_code_cell("pass"),
    ]
    path = tmp_path / "x.ipynb"
    nbformat.write(new_notebook(cells=cells), path)
    script = notebook_as_script(path)
    assert script.startswith("# # Title") and "In[" not in script
    (tmp_path / "x.py").write_text(script)
    ran = subprocess.run(
        [sys.executable, str(tmp_path / "x.py")], capture_output=True, text=True, check=True
    )
    assert ran.stdout.split("\n\n")[:2] == ["3 clients & more", "4"]
    with pytest.raises(DataError, match="notebook must exist"):
        notebook_as_script(tmp_path / "y.ipynb")


def test_ready_made_notebooks_become_valid_scripts():
    from outcomes.carried import carried_folder

    for path in carried_folder("notebooks").glob("*.ipynb"):
        compile(notebook_as_script(path), path.name, "exec")


def test_figures_and_tables_are_printed_as_words(capsys, pain):
    from outcomes.reporting.tables import table

    show(None)
    show(analysis_checks.table(pd.DataFrame({"a": ["x"], "b": [2]}), {"a": "A", "b": "B"},
                               caption="Two"))  # fmt: skip
    show(threshold_figure(compare_thresholds(pain.judged, measure="nprs"), pain.measure))
    out = capsys.readouterr().out
    assert out.startswith("Two\nA | B\nx | 2\n") and "[Figure] Numeric pain rating" in out
    assert table is analysis_checks.table


def test_the_script_is_saved_with_the_parameters_in_use(tmp_path):
    target = tmp_path / "analysis.py"
    told = analysis_page.save_script("reproduce_analysis", str(target), measure="ndi", seed=1)
    assert "Saved as analysis.py" in told.text
    script = target.read_text()
    assert "fit_mixed_model(" in script
    assert (
        script.index('measure = "nprs"')
        < script.index("measure = 'ndi'")
        < script.index("measure_of(")
    )
    assert script.count("seed = ") == 1
    assert "Name a file" in analysis_page.save_script("reproduce_analysis", "").text
    with pytest.raises(ArgumentError, match="parameters must be known to the notebook"):
        analysis_page.save_script("reproduce_analysis", str(target), measur="ndi")
