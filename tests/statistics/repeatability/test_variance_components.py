"""Variance components against lme4, analysis of variance, and the shape of the likelihood."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import DataError
from outcomes.statistics.repeatability.analysis_of_variance import crossed_mean_squares
from outcomes.statistics.repeatability.study_design import read_design
from outcomes.statistics.repeatability.variance_components import fit_components, profile_interval

REFERENCE = Path(__file__).parents[2] / "reference" / "repeatability"


def test_unbalanced_crossed_components_equal_lme4():
    # R 4.2.2, lme4 1.1.31, script beside the data; agreement to 7 digits.
    expected = json.loads((REFERENCE / "reference.json").read_text())["components"]
    study = read_design(pd.read_csv(REFERENCE / "unbalanced_study.csv"))
    terms = [study.groups(term) for term in study.terms]
    fit = fit_components(study.values, np.ones((len(study.values), 1)), terms)
    assert len(study.terms) == 7
    for term, estimate in zip((*study.terms, ("Residual",)), fit.theta, strict=True):
        name = ":".join(term)
        assert estimate == pytest.approx(expected[name], rel=1e-5), term


def test_balanced_components_equal_analysis_of_variance(rng):
    table = rng.normal(size=(9, 3, 2)) + 4 * rng.normal(size=(9, 1, 1)) + rng.normal(size=(9, 3, 1))
    squares = crossed_mean_squares(table, ("client", "rater"))
    client, rater, _ = (i.ravel() for i in np.indices(table.shape))
    fit = fit_components(
        table.ravel(), np.ones((table.size, 1)), [client, rater, client * 3 + rater]
    )
    expected = squares.components
    if (expected >= 0).all():
        assert fit.theta == pytest.approx(expected, rel=1e-6)
    else:
        assert (fit.theta[expected < 0] == 0).all()


def test_negative_analysis_of_variance_estimate_becomes_zero_and_pools():
    # Client means equal, readings not: between mean square 0, REML pools both sums of squares.
    y = np.array([1, 3, 3, 1, 2, 2.0, 1, 3])
    fit = fit_components(y, np.ones((8, 1)), [np.repeat(np.arange(4), 2)])
    assert fit.theta[0] == 0
    assert fit.theta[1] == pytest.approx(y.var(ddof=1), rel=1e-8)


def test_scale_of_the_readings_does_not_matter(rng):
    y = rng.normal(size=40) + np.repeat(rng.normal(size=10), 4)
    group = np.repeat(np.arange(10), 4)
    one = fit_components(y, np.ones((40, 1)), [group]).theta
    other = fit_components(1e4 * y + 1e6, np.ones((40, 1)), [group]).theta
    assert other == pytest.approx(1e8 * one, rel=1e-6)


def test_profile_interval_ends_where_the_likelihood_says(rng):
    # Residual variance alone: deviance (n-1) log t + S / t has its ends in closed form to check.
    y = rng.normal(size=12)
    fit = fit_components(y, np.ones((12, 1)), [])
    square = float(y.var(ddof=1))
    assert fit.theta[0] == pytest.approx(square, rel=1e-8)
    low, high = profile_interval(
        fit,
        lambda t: (np.ones(1), t / fit.scale**2),
        square,
        confidence=0.95,
        low=0.0,
        high=float("inf"),
    )
    for end in (low, high):
        rise = 11 * (np.log(end / square) + square / end - 1)
        assert rise == pytest.approx(3.841459, abs=1e-4)
    assert low < square < high


def test_too_many_readings_are_refused():
    with pytest.raises(DataError, match="at most 3,000, got 3,001"):
        fit_components(np.arange(3001.0), np.ones((3001, 1)), [])
