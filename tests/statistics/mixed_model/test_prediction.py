"""Predictions, differences, contrasts and means say the same thing wherever they overlap."""

from pathlib import Path
from runpy import run_path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import COLUMNS
from outcomes.statistics.mixed_model import fit_mixed_model

growth = run_path(str(Path(__file__).parent / "helpers.py"))["growth"]


@pytest.fixture(scope="module")
def frame():
    return growth(n=16, seed=12, slope_sd=2.0)


@pytest.fixture(scope="module")
def fit(frame):
    return fit_mixed_model(frame, "value ~ week * site", random="1 + week")


@pytest.fixture(scope="module")
def nested(frame):
    return fit_mixed_model(
        frame, "value ~ week", groups=["clinic", "client"], random=["1", "1 + week"]
    )


def ends(frame):
    """First and last row of every client."""
    ordered = frame.sort_values(["client", "week"])
    return ordered.groupby("client").head(1), ordered.groupby("client").tail(1)


def test_a_clients_course_is_the_mean_course_plus_its_effects(frame, fit):
    predicted = fit.predict(frame)
    mean = fit.predict(frame, level="population").estimate
    effects = fit.client_effects().pivot(index="client", columns="term", values="estimate")
    own = effects.loc[frame.client]
    expected = mean + own.Intercept.to_numpy() + own.week.to_numpy() * frame.week.to_numpy()
    assert predicted.estimate.to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-9)


@pytest.mark.parametrize("which", ["fit", "nested"])
def test_a_difference_is_the_difference(frame, which, request):
    model = request.getfixturevalue(which)
    first, last = ends(frame)
    change = model.predict_contrast(first, last)
    expected = model.predict(last).estimate - model.predict(first).estimate
    assert change.estimate.to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-9)
    swapped = model.predict_contrast(last, first)
    assert swapped.estimate.to_numpy() == pytest.approx(-change.estimate.to_numpy(), abs=1e-9)
    assert swapped.standard_error.to_numpy() == pytest.approx(change.standard_error.to_numpy())


def test_a_difference_of_courses_is_the_slope_times_time(frame, fit):
    """Two weeks of one client: twice the standard error of its own slope."""
    start = pd.DataFrame({"client": [3], "week": [0.0], "site": ["south"]})
    later = start.assign(week=2.0)
    one = fit.predict_contrast(start, start.assign(week=1.0))
    two = fit.predict_contrast(start, later)
    assert two.estimate[0] == pytest.approx(2 * one.estimate[0])
    assert two.standard_error[0] == pytest.approx(2 * one.standard_error[0])
    assert two.df[0] == pytest.approx(one.df[0])


def test_the_uncertainty_of_the_variances_widens_small_samples_only(frame):
    small = growth(n=6, seed=2)
    fit = fit_mixed_model(small, "value ~ week", random="1 + week")
    plain = fit_mixed_model(small, "value ~ week", random="1 + week", degrees_of_freedom="normal")
    assert (fit.predict(small).standard_error > plain.predict(small).standard_error).all()
    assert np.isinf(plain.predict(small).df).all()
    many = growth(n=600, seed=2)
    wide = fit_mixed_model(many, "value ~ week", random="1 + week").predict(many)
    narrow = fit_mixed_model(
        many, "value ~ week", random="1 + week", degrees_of_freedom="normal"
    ).predict(many)
    ratio = wide.standard_error / narrow.standard_error
    assert ratio.median() == pytest.approx(1.0, abs=0.01)


def test_population_rows_are_contrasts_of_coefficients(fit):
    new = pd.DataFrame({"week": [0.0, 3.0], "site": ["north", "south"]})
    rows = fit.predict(new, level="population")
    south = "site[T.south]"
    names = fit.fixed.term.tolist()
    weights = {"Intercept": 1.0, "week": 3.0, names[2]: 1.0, names[3]: 3.0}
    assert south in names[2]
    contrast = fit.contrast({"start": {"Intercept": 1.0}, "south, week 3": weights})
    for column in ("estimate", "standard_error", "df", "ci_low", "ci_high"):
        assert rows[column].to_numpy() == pytest.approx(contrast[column].to_numpy(), rel=1e-9)
    means = fit.estimated_means(new)
    assert means.columns.tolist()[:2] == ["week", "site"]
    assert means.estimate.to_numpy() == pytest.approx(rows.estimate.to_numpy())
    # A new reading of a new client varies by all variances of the model.
    g = fit.random_covariances["client"].to_numpy()
    z = np.array([1.0, 3.0])
    total = rows.standard_error[1] ** 2 + z @ g @ z + fit.residual_variance
    half = stats.t.ppf(0.975, rows.df[1]) * np.sqrt(total)
    assert rows.prediction_high[1] - rows.estimate[1] == pytest.approx(half, rel=1e-6)


def test_a_new_client_gets_the_mean_course_with_its_own_spread(frame, fit):
    new = pd.DataFrame({"client": [999], "week": [2.0], "site": ["north"]})
    mean = fit.predict(new, level="population")
    own = fit.predict(new)
    assert own.estimate[0] == pytest.approx(mean.estimate[0])
    g, z = fit.random_covariances["client"].to_numpy(), np.array([1.0, 2.0])
    least = np.sqrt(mean.standard_error[0] ** 2 + z @ g @ z)
    assert least * 0.99 < own.standard_error[0] < 1.2 * least


def test_a_new_client_of_a_known_clinic_starts_from_the_clinic(frame, nested):
    new = pd.DataFrame({"clinic": [1, 77], "client": [999, 999], "week": [0.0, 0.0]})
    rows = nested.predict(new)
    clinics = nested.client_effects("clinic").set_index("clinic").estimate
    intercept = nested.coefficients[0]
    assert rows.estimate.tolist() == pytest.approx([intercept + clinics[1], intercept])


def test_a_joint_contrast_of_one_row_is_t_squared(fit):
    one = {"slope": {"week": 1.0}}
    t = fit.contrast(one)
    f = fit.contrast(one, joint=True)
    assert f.statistic[0] == pytest.approx(t.statistic[0] ** 2)
    assert f.p_value[0] == pytest.approx(t.p_value[0])
    assert f.df2[0] == pytest.approx(t.df[0])


def test_ten_thousand_rows_at_once(fit):
    """Speed is measured elsewhere; here the rows must not be walked one by one."""
    new = pd.DataFrame({"client": np.arange(10_000) % 16, "week": 1.0, "site": "north"})
    rows = fit.predict_contrast(new, new.assign(week=5.0))
    assert len(rows) == 10_000
    assert rows.estimate.nunique() == 16


def test_columns_are_in_the_glossary(frame, fit):
    first, last = ends(frame)
    tables = [
        fit.fixed,
        fit.variances,
        fit.client_effects(),
        fit.predict(frame),
        fit.predict_contrast(first, last),
        fit.residuals(),
        fit.term_tests,
        fit.robust(),
        fit.influence(),
        fit.explained(),
        fit.intraclass_correlation(),
        fit.bootstrap(rng=np.random.default_rng(1), replicates=3),
        fit.contrast({"a": {"week": 1.0}}, joint=True),
    ]
    for table in tables:
        assert [c for c in table.columns if c not in COLUMNS] == []
        assert not [c for c in table.columns if table[c].isna().any()]


def test_refusals(frame, fit):
    first, last = ends(frame)
    with pytest.raises(DataError, match="belong to the same groups"):
        fit.predict_contrast(first, last.iloc[::-1])
    with pytest.raises(DataError, match="same number of rows, got 16 and 15"):
        fit.predict_contrast(first, last.iloc[1:])
    with pytest.raises(DataError, match="the new rows must have the column client"):
        fit.predict(frame.drop(columns="client"))
    with pytest.raises(DataError, match="must use the same factor levels"):
        fit.predict(frame.assign(site="east"))
    with pytest.raises(DataError, match=r"the new rows must be complete; 1 of .* \(row 2\)"):
        fit.predict(frame.assign(week=frame.week.where(frame.index != 2)))
    with pytest.raises(ArgumentError, match="level must be one of 'client', 'population'"):
        fit.predict(frame, level="clinic")
    with pytest.raises(ArgumentError, match="weights of terms of the fit, got month"):
        fit.contrast({"a": {"month": 1.0}})
    with pytest.raises(ArgumentError, match="must not repeat each other"):
        fit.contrast({"a": {"week": 1.0}, "b": {"week": 2.0}}, joint=True)
    with pytest.raises(ArgumentError, match="a weight that is not zero"):
        fit.contrast({"a": {"week": 0.0}})
    bare = fit_mixed_model(
        frame, "value ~ week", random=None, residual="autoregressive", time="week"
    )
    with pytest.raises(ArgumentError, match="client_effects needs random terms"):
        bare.client_effects()
