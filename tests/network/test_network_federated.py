"""Summaries: what they reveal, and that combining them gives the numbers of the rows."""

import copy
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from data_synthetic.make_network import make_clinic
from outcomes.errors import DataError
from outcomes.network.federated import (
    REVEALS,
    combine,
    occasion_values,
    read_summary,
    summarise,
    write_summary,
)
from outcomes.network.federated.combining import equivalent_values
from outcomes.network.federated.occasions import OCCASIONS, design_cells
from outcomes.network.tally import equivalent_rows, merge_all, moments
from outcomes.records.known import OwnMeasure
from outcomes.statistics.effect_size import mean_change, standardised_change
from outcomes.statistics.individual_change import VERDICTS
from outcomes.statistics.mixed_model import fit_mixed_model
from outcomes.statistics.review import course_over_weeks, review_quarter

UNKNOWN = VERDICTS[-1]
CLINICS = [f"K{i}" for i in range(1, 7)]


@pytest.fixture(scope="module")
def network():
    """Six clinics that differ in what their clients gain."""
    rng = np.random.default_rng(11)
    return {
        code: make_clinic(rng, code=code, n_clients=260, effect=effect)
        for code, effect in zip(CLINICS, (-0.2, -0.1, 0.0, 0.0, 0.1, 0.2), strict=True)
    }


@pytest.fixture(scope="module")
def reviews(network):
    return {code: review_quarter(caseload, quarter="all") for code, caseload in network.items()}


@pytest.fixture(scope="module")
def summaries(network):
    return [summarise(caseload, clinic=code, quarter="all") for code, caseload in network.items()]


def rows_behind(summaries, reviews, code):
    """The readings at the occasions that the cells were made from, of all clinics, in one frame."""
    frames = []
    for summary in summaries:
        m = next(m for m in reviews[summary["clinic"]].measures if m.measure.code == code)
        frames.append(occasion_values(m.values).assign(clinic=summary["clinic"]))
    return pd.concat(frames, ignore_index=True)


def test_the_combined_change_is_that_of_all_rows(summaries, reviews):
    found = combine(summaries)
    for code, m in found.measures.items():
        rows = [
            m.judged.assign(better=m.measure.better)
            for review in reviews.values()
            for m in review.measures
            if m.measure.code == code
        ]
        judged = pd.concat(rows, ignore_index=True)
        theirs = mean_change(judged)
        assert m.improvement.n == len(judged)
        for name in ("estimate", "ci_low", "ci_high"):
            assert getattr(m.improvement, name) == pytest.approx(getattr(theirs, name), rel=1e-9)
        alone = standardised_change(judged)
        assert np.allclose(m.standardised["uncorrected"], alone["uncorrected"], rtol=1e-9, atol=0)


def test_the_combined_model_is_that_of_the_rows(summaries, reviews):
    """Cells large enough in every clinic: the fit is that of the readings at the occasions."""
    code = "shoulder_flexion"
    mine = combine(summaries).measures[code]
    values = rows_behind(summaries, reviews, code)
    whole = [s["clinic"] for s in summaries if _nothing_joined(s, values, code)]
    some = [s for s in summaries if s["clinic"] in whole]
    assert len(some) >= 1
    rows = values[values["clinic"].isin(whole)]
    theirs = course_over_weeks(rows, scale=mine.course.scale)
    made = equivalent_values([(s["clinic"], s["measures"][code]) for s in some])
    again = course_over_weeks(made, scale=mine.course.scale)
    assert again.n == theirs.n and again.n_readings == theirs.n_readings
    for name in ("estimate", "standard_error", "df"):
        assert np.allclose(again.fit.fixed[name], theirs.fit.fixed[name], rtol=1e-9, atol=0)
    a, b = (c.fit.random_covariances["series"].to_numpy() for c in (again, theirs))
    assert np.allclose(a, b, rtol=1e-8, atol=0)
    assert again.fit.log_likelihood == pytest.approx(theirs.fit.log_likelihood, rel=1e-9)
    free = course_over_weeks(rows).scale, course_over_weeks(made).scale
    assert free[0] == free[1]


def _nothing_joined(summary, values, code):
    own = values[values["clinic"] == summary["clinic"]]
    have = own.groupby(["client", "episode"])["week"].agg(tuple).value_counts()
    cells = {tuple(c["occasions"]): c["n"] for c in summary["measures"][code]["cells"]}
    return have.to_dict() == cells


def test_clinics_are_the_outer_level(summaries, reviews):
    """Against `fit_mixed_model` on rows with the same sums, nested levels."""
    code = "shoulder_flexion"
    mine = combine(summaries).measures[code]
    made = equivalent_values([(s["clinic"], s["measures"][code]) for s in summaries])
    scale = mine.course.scale
    time = made["week"] if np.isinf(scale) else 1 - np.exp(-made["week"] / scale)
    fit = fit_mixed_model(
        made.assign(time=time),
        "value ~ time",
        groups=["clinic", "client"],
        random={"clinic": "1 + time", "client": "1 + time"},
        degrees_of_freedom="normal",
    )
    theirs = np.sqrt(np.diagonal(fit.random_covariances["clinic"]))
    assert np.allclose(mine.clinic_spread["sd"], theirs, rtol=1e-7)
    assert mine.clinic_spread["sd"].iloc[1] > 1.0  # degrees; planted: 0.14 of a gain of 28


def everything(value):
    """All names, texts and numbers of a file."""
    if isinstance(value, dict):
        return [*value, *(x for item in value.values() for x in everything(item))]
    if isinstance(value, list):
        return [x for item in value for x in everything(item)]
    return [value]


def test_a_file_reveals_no_client_no_date_and_no_small_group(summaries, network, tmp_path):
    for summary in summaries:
        path = write_summary(summary, tmp_path / f"{summary['clinic']}.json")
        text = path.read_text("utf-8")
        caseload = network[summary["clinic"]]
        for code in caseload.clients["client"]:
            assert code not in text
        assert "practitioner" not in json.dumps(summary["measures"])
        assert not any(year in json.dumps(summary["measures"]) for year in ("2025-", "2026-"))
        assert summary["reveals"] == list(REVEALS)
        for own in summary["measures"].values():
            groups = [own["change"], *own["cells"]]
            assert all(group["n"] >= 10 for group in groups)
            for group in groups:
                k = len(group["mean"])
                assert k + k * (k + 1) / 2 < group["n"] * k  # fewer sums than readings
            for counts in (own["verdicts"], own["flow"]):
                assert all(
                    n is None or n == 0 or n >= 10 for w, n in counts.items() if w != UNKNOWN
                )
        assert read_summary(path) == json.loads(text)


def test_hidden_counts_cannot_be_worked_out(summaries, reviews):
    """One hidden count with its total would be known: at least two, or none, are hidden."""
    seen = 0
    for summary in summaries:
        for code, own in summary["measures"].items():
            hidden = [word for word, n in own["verdicts"].items() if n is None]
            shown = sum(n for w, n in own["verdicts"].items() if n is not None and w != "total")
            assert len(hidden) != 1
            seen += len(hidden)
            m = next(m for m in reviews[summary["clinic"]].measures if m.measure.code == code)
            true = m.judged["verdict"].value_counts()
            assert own["verdicts"]["total"] - shown == sum(true.get(w, 0) for w in hidden)
    assert seen > 0


def test_shares_enclose_the_true_count(summaries, reviews):
    for code, m in combine(summaries).measures.items():
        judged = pd.concat(
            [x.judged for r in reviews.values() for x in r.measures if x.measure.code == code]
        )
        true = (judged["detectable"].astype(bool) & (judged["improvement"] > 0)).sum()
        row = m.shares.set_index("quantity").loc["improved detectably"]
        known = judged["verdict"].value_counts()
        assert known.filter(like="improved: detectable").sum() == true
        assert row["count"] <= true <= row["count_high"]
        assert row["n"] == judged["detectable"].notna().sum()


def test_small_cells_join_larger_ones():
    """Twelve clients at two occasions, three at three: these lose the third."""
    weeks = [0.0, 3.0]
    rng = np.random.default_rng(3)
    rows = [(f"a{i}", 1, w, rng.normal()) for i in range(12) for w in weeks]
    rows += [(f"b{i}", 1, w, rng.normal()) for i in range(3) for w in [*weeks, 6.0]]
    values = pd.DataFrame(rows, columns=["client", "episode", "week", "value"])
    cells, left_out = design_cells(values, minimum=10)
    assert [(cell["occasions"], cell["n"]) for cell in cells] == [([0.0, 3.0], 15)]
    assert left_out == 0
    direct = moments(values[values["week"] < 6].pivot(index="client", columns="week")["value"])
    assert cells[0]["mean"] == pytest.approx(direct["mean"])
    cells, left_out = design_cells(values, minimum=16)
    assert cells == [] and left_out == 15
    same = values.assign(value=7.0)
    assert design_cells(same, minimum=10) == ([], 15)  # a mean of sevens tells each one's seven


def test_a_clinic_that_is_too_small_sends_nothing():
    tiny = make_clinic(np.random.default_rng(2), code="K9", n_clients=14)
    with pytest.raises(DataError, match="at least 40 clients in a measure.*nothing was written"):
        summarise(tiny, clinic="K9", quarter="all", minimum=40)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda s: s.update(schema_version=2), "schema_version does not"),
        (lambda s: s.update(client="C1"), "the file does not .additionalProperties"),
        (lambda s: s["measures"]["quickdash"].pop("unit"), "measures/quickdash does not"),
        (lambda s: s["measures"]["quickdash"]["cells"][0].update(n=9), "at least 10 clients in"),
        (lambda s: s["measures"]["quickdash"]["change"].update(m2=[[1, 9], [9, 1]]), "can have"),
        (lambda s: s["measures"]["quickdash"]["change"].update(mean=[1.0]), "can have"),
    ],
)
def test_files_that_are_not_what_they_should_be_are_refused(summaries, spoil, words, tmp_path):
    spoilt = copy.deepcopy(summaries[0])
    spoil(spoilt)
    path = tmp_path / "K1.json"
    path.write_text(json.dumps(spoilt))
    with pytest.raises(DataError, match=f"K1.json must.*{words}"):
        read_summary(path)


def test_summaries_must_agree(summaries):
    with pytest.raises(DataError, match="twice: K1"):
        combine([summaries[0], summaries[0]])
    other = {**copy.deepcopy(summaries[1]), "quarter": "2026Q1"}
    with pytest.raises(DataError, match="of one quarter"):
        combine([summaries[0], other])


def test_a_clinics_own_measure_stays_at_home(network, summaries):
    """It is left out by its clinic, and refused where a file has it all the same."""
    caseload = network["K1"]
    readings = caseload.measurements
    mine = readings.loc[readings["measure"] == "quickdash"].assign(measure="reach_and_lift")
    own = OwnMeasure(
        code="reach_and_lift", name="Reach and lift", unit="points", hard_min=0, hard_max=100,
        better="lower",
    )  # fmt: skip
    table = pd.concat([readings, mine], ignore_index=True)
    wider = replace(
        caseload,
        tables={**caseload.tables, "measurements": table},
        own_measures={"reach_and_lift": own},
    )
    summary = summarise(wider, clinic="K1", quarter="all")
    assert "reach_and_lift" in summary["left_out"] and "quickdash" in summary["measures"]
    sent = copy.deepcopy(summaries[1])
    sent["measures"]["reach_and_lift"] = sent["measures"]["quickdash"]
    with pytest.raises(DataError, match="measures of the catalogue; reach_and_lift is not one"):
        combine([summary, sent])


def test_equivalent_rows_have_the_moments_and_nothing_else():
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(40, 3)) @ rng.normal(size=(3, 3)) + 50
    halves = merge_all([moments(rows[:15]), moments(rows[15:])])
    made = equivalent_rows(halves)
    assert np.allclose(made.mean(axis=0), rows.mean(axis=0), rtol=1e-13)
    assert np.allclose(np.cov(made.T), np.cov(rows.T), rtol=1e-12)
    assert not np.isclose(np.sort(made[:, 0]), np.sort(rows[:, 0])).any()
    assert list(OCCASIONS) == [0.0, 3.0, 6.0, 12.0]
