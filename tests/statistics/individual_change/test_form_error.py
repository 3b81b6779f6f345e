"""What courses add to their form: dense algebra, planted departures, and wandering."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError
from outcomes.statistics.individual_change import PLATEAU_STATES, fit_client_courses, meeting_table
from outcomes.statistics.individual_change._course_model import (
    draw_thetas,
    normal_equations,
    solve,
    sums_of,
)
from outcomes.statistics.individual_change._form_error import _integrated_kernel, _interpolation
from outcomes.statistics.individual_change._variance_draws import _matrices

THETA = np.array([[2.0, 1.5, 0.3, 1.1], [1.0, 0.5, -0.6, 1.4]])


def caseload(seed, share, n=400, visits=9, error=2.0, wander=0.0):
    """Clients who have gained a share (a function of the week) of their whole gain."""
    rng = np.random.default_rng(seed)
    client, week = np.repeat(np.arange(n), visits), np.tile(np.arange(float(visits)), n)
    steps = rng.normal(0, wander, (n, visits))
    steps[:, 0] = 0
    level = rng.normal(50, 8, n)[client] + rng.normal(12, 4, n)[client] * share(week)
    value = level + np.cumsum(steps, axis=1).ravel() + rng.normal(0, error, client.size)
    return pd.DataFrame({"client": client, "visit": week + 1, "week": week, "value": value})


def flattening(week):
    return -np.expm1(-week / 2.6)


def late(week):
    return 1 / (1 + np.exp(3.5 - week)) - 1 / (1 + np.exp(3.5))


def test_normal_equations_against_dense_matrices():
    rng = np.random.default_rng(1)
    sizes = [1, 4, 6, 2]
    first = np.r_[0, np.cumsum(sizes)[:-1]]
    t = np.concatenate([np.arange(float(m)) for m in sizes])
    z = np.column_stack([np.ones(t.size), t])
    x = np.column_stack([z, t == 0])
    y = rng.normal(0, 5, t.size)
    whole, logs = normal_equations(sums_of(x, z, y, first), THETA)
    for g, s2, found, log in zip(*_matrices(THETA), whole, logs, strict=True):
        expected, log_det = np.zeros((4, 4)), 0.0
        for start, m in zip(first, sizes, strict=True):
            at = slice(start, start + m)
            v = z[at] @ g @ z[at].T + s2 * np.eye(m)
            data = np.column_stack([x[at], y[at]])
            expected += data.T @ np.linalg.solve(v, data)
            log_det += np.linalg.slogdet(v)[1]
        assert found == pytest.approx(expected, rel=1e-9)
        assert log == pytest.approx(log_det, rel=1e-12)


def test_drawn_variances_lie_around_the_truth():
    values = caseload(2, lambda week: week / 8, n=150)
    z = np.column_stack([np.ones(len(values)), values["week"] / 8])
    first = np.flatnonzero(np.diff(values["client"], prepend=-1))
    sums = sums_of(z, z, values["value"].to_numpy() - 50, first)
    thetas = draw_thetas(
        sums, np.array([2.0, 1.0, 0.0, 1.0]), np.random.default_rng(1), n_draws=400
    )
    low, high = np.quantile(np.exp(thetas[:, [0, 1, 3]]), [0.005, 0.995], axis=0)
    assert (low < [8, 4, 2]).all() and (high > [8, 4, 2]).all()
    # by likelihood theory the log of the scatter has an error of 1 / sqrt(2 df)
    df = len(values) - 2 * 150
    assert thetas[:, 3].std() == pytest.approx(1 / np.sqrt(2 * df), rel=0.2)
    assert solve(sums, thetas).height.min() > solve(sums, thetas).height.max() - 25


def test_kernel_is_the_variance_of_an_integral():
    kernel = _integrated_kernel(9)
    assert np.linalg.eigvalsh(kernel[1:, 1:]).min() > 0 and (kernel[0] == 0).all()
    # integrated Ornstein-Uhlenbeck process: 2 L^2 (t / L - 1 + exp(-t / L))
    t = np.arange(9) / 3
    assert np.diag(kernel) == pytest.approx(18 * (t - 1 + np.exp(-t)), rel=0.01)
    weights = _interpolation(np.array([0.0, 1.25, 30.0]), 8)
    assert weights.sum(axis=1).tolist() == [1, 1, 1] and weights[1, 1] == 0.75


def test_a_course_of_the_right_form_departs_from_nothing():
    deviation = fit_client_courses(caseload(3, flattening)).deviation
    assert np.abs(deviation.departure[:9]).max() < 0.3
    assert deviation.wander2 < 0.05


def test_a_late_start_is_seen_and_bends_the_forecast():
    courses = fit_client_courses(caseload(4, late))
    now, after = np.full(courses.n, 8.0), np.full(courses.n, 11.0)
    form = courses.gain(now, after).mean.mean()
    gain = courses.gain(0.0, after)
    mean, variance = courses.deviation.ahead(now, after, gain.mean, gain.sd)
    truth = 12 * (late(11.0) - late(8.0))
    assert form - truth > 1.5
    assert abs(form + mean.mean() - truth) < 0.5 * (form - truth)
    assert np.sqrt(variance.mean()) > 0.3


def test_wandering_is_seen():
    deviation = fit_client_courses(caseload(5, flattening, wander=1.5)).deviation
    assert 0.8 < deviation.wander2 < 4


def test_a_missed_gain_that_costs_more_stops_fewer():
    courses = fit_client_courses(caseload(6, flattening, n=80, error=3.0))
    tables = [
        meeting_table(courses, worthwhile=1.5, missed_gain_costs=cost) for cost in (1, 4, 9, 49)
    ]
    stopped = [table["state"].str.startswith("levelled off").sum() for table in tables]
    assert sorted(stopped, reverse=True) == stopped and stopped[0] > stopped[-1]
    for table, cost in zip(tables, (1, 4, 9, 49), strict=True):
        level = table["state"].str.startswith("levelled off")
        assert (table.loc[level, "chance_worthwhile"] < 1 / (1 + cost)).all()
        assert set(table["state"]) <= set(PLATEAU_STATES)
    with pytest.raises(ArgumentError, match="missed_gain_costs must be at least 1"):
        meeting_table(courses, missed_gain_costs=0.5)
