"""The model's verdict: against the mixed model's own prediction, planted truth and arithmetic."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.individual_change import (
    MODEL_VERDICTS,
    _course_parts,
    fit_client_courses,
    judge_change,
    judge_with_model,
    reconcile,
    start_and_latest,
)
from outcomes.statistics.individual_change._course_parts import time_scale
from outcomes.statistics.individual_change._mixture import Mixture
from outcomes.statistics.individual_change._variance_draws import (
    Sums,
    draw_variances,
    profile_height,
    solve_course,
)
from outcomes.statistics.mixed_model import fit_mixed_model


def caseload(seed, n=60, error=3.0, gain=10.0, gain_sd=5.0, scale=2.5, visits=(3, 9), day_sd=0.0):
    rng = np.random.default_rng(seed)
    many = rng.integers(*visits, n)
    client = np.repeat(np.arange(n), many)
    visit = np.concatenate([np.arange(m) for m in many])
    week = np.where(visit == 0, 0.0, visit + rng.uniform(-0.3, 0.3, visit.size))
    start, total = rng.normal(50, 8, n), rng.normal(gain, gain_sd, n)
    day = rng.normal(0, day_sd, visit.size)
    level = start[client] + total[client] * -np.expm1(-week / scale) + day
    values = pd.DataFrame(
        {
            "client": np.char.add("c", client.astype(str)),
            "episode": 1,
            "visit": visit + 1,
            "week": week,
            "value": level + rng.normal(0, error, visit.size),
            "true": level,
        }
    )
    ends = values.groupby("client", sort=False)["true"].agg(["first", "last"])
    return values, (ends["last"] - ends["first"]).to_numpy()


def test_posterior_is_the_mixed_models_own_prediction(monkeypatch):
    # with the variances taken as known, as a caseload of thousands does
    monkeypatch.setattr(_course_parts, "_VARIANCES_KNOWN", 0)
    monkeypatch.setattr(_course_parts, "_OFFSETS", np.zeros(1))  # one scale for all clients
    values, _ = caseload(1)
    courses = fit_client_courses(values)
    series = courses.series
    for part in courses.parts:
        data = values.assign(h=time_scale(values["week"].to_numpy(), part.scale))
        fit = fit_mixed_model(
            data, "value ~ h", groups="client", random="1 + h", degrees_of_freedom="normal"
        )
        ends = [
            pd.DataFrame({"client": series["client"], "h": time_scale(t.to_numpy(), part.scale)})
            for t in (series["first_time"], series["latest_time"])
        ]
        found = fit.predict_contrast(*ends)
        assert part.change == pytest.approx(found["estimate"].to_numpy(), rel=1e-6, abs=1e-6)
        assert np.sqrt(part.change_variance) == pytest.approx(
            found["standard_error"].to_numpy(), rel=1e-6
        )
    assert sum(part.weight for part in courses.parts) == pytest.approx(np.ones(60))
    same = courses.gain(series["first_time"], series["latest_time"])
    assert same.mean == pytest.approx(courses.first_to_latest().mean)


def test_known_error_agrees_with_the_full_normal_posterior(monkeypatch):
    # the same posterior by brute force: joint normal of readings and true levels of one client
    monkeypatch.setattr(_course_parts, "_VARIANCES_KNOWN", 0)
    monkeypatch.setattr(_course_parts, "_OFFSETS", np.zeros(1))  # one scale for all clients
    values, _ = caseload(2, n=40, day_sd=2.0)
    part = fit_client_courses(values, standard_error_of_measurement=2.5).parts[0]
    fit = fit_mixed_model(
        values.assign(h=time_scale(values["week"].to_numpy(), part.scale)),
        "value ~ h",
        groups="client",
        random="1 + h",
        degrees_of_freedom="normal",
    )
    g, phi = fit.random_covariances["client"].to_numpy(), fit.covariance
    day = fit.residual_variance - 2.5**2
    assert day > 0
    for i, name in enumerate(values["client"].unique()[:5]):
        rows = values[values["client"] == name]
        z = np.column_stack([np.ones(len(rows)), time_scale(rows["week"].to_numpy(), part.scale)])
        true = z @ g @ z.T + day * np.eye(len(rows))
        seen = true + 2.5**2 * np.eye(len(rows))
        a = np.zeros(len(rows))
        a[-1], a[0] = 1, -1
        residual = rows["value"].to_numpy() - z @ fit.coefficients
        gain = a @ true @ np.linalg.inv(seen)
        mean = a @ z @ fit.coefficients + gain @ residual
        b = (a - gain) @ z
        variance = a @ true @ a - gain @ true @ a + b @ phi @ b
        assert part.change[i] == pytest.approx(mean, rel=1e-6)
        assert part.change_variance[i] == pytest.approx(variance, rel=1e-6)


def test_restricted_likelihood_is_the_mixed_models():
    values, _ = caseload(3)
    h = time_scale(values["week"].to_numpy(), 2.5)
    fit = fit_mixed_model(values.assign(h=h), "value ~ h", groups="client", random="1 + h")
    g, s2 = fit.random_covariances["client"].to_numpy(), fit.residual_variance
    z = np.column_stack([np.ones(h.size), h])
    first = np.flatnonzero(values["visit"] == 1)
    y = values["value"].to_numpy()
    sums = Sums(
        np.add.reduceat(z[:, :, None] * z[:, None, :], first),
        np.add.reduceat(z * y[:, None], first),
        float(y @ y),
        y.size,
    )
    solved = solve_course(sums, np.stack([g, 0.9 * g, 1.1 * g]), np.full(3, s2))
    # the constant of the restricted likelihood: (n - p) / 2 log 2 pi
    constant = -(y.size - 2) / 2 * np.log(2 * np.pi)
    assert solved.height[0] + constant == pytest.approx(fit.log_likelihood, abs=1e-6)
    assert solved.beta[0] == pytest.approx(fit.coefficients, rel=1e-6)
    assert np.all(solved.height[1:] < solved.height[0])
    height, top = profile_height(sums, np.array([2.0, 1.0, 0.0, 1.0]))
    ml = fit_mixed_model(
        values.assign(h=h), "value ~ h", groups="client", random="1 + h", method="ML"
    )
    assert height - y.size / 2 * np.log(2 * np.pi) == pytest.approx(ml.log_likelihood, abs=1e-5)
    assert np.exp(2 * top[3]) == pytest.approx(ml.residual_variance, rel=1e-3)
    draws = draw_variances(sums, top, n_draws=64)
    weight = np.array([d.weight for d in draws])
    assert weight.sum() == pytest.approx(1, abs=0.03)
    assert 1 / np.sum(weight**2) > 15  # no few draws carry it all
    assert weight @ [d.scatter for d in draws] == pytest.approx(s2, rel=0.1)


def test_truth_is_recovered_and_intervals_cover():
    inside, errors, raw = [], [], []
    for seed in range(10):  # clients of one caseload share its variances: take many caseloads
        values, truth = caseload(1000 + seed, n=60)
        rows = judge_with_model(values, minimal_important_change=6)
        inside.append(((rows["ci_low"] <= truth) & (truth <= rows["ci_high"])).mean())
        errors.append(np.mean((rows["estimate"] - truth) ** 2))
        pairs = start_and_latest(values.assign(measure="m"))
        raw.append(np.mean((pairs["latest_value"] - pairs["start_value"] - truth) ** 2))
    assert 0.92 < np.mean(inside) < 0.98  # standard error about 1 point
    assert np.mean(errors) < 0.5 * np.mean(raw)


def test_known_error_helps_when_levels_truly_fluctuate():
    with_error, without = [], []
    for seed in range(3):
        values, truth = caseload(200 + seed, n=80, error=2.0, day_sd=4.0)
        a = judge_with_model(values, standard_error_of_measurement=2.0)
        b = judge_with_model(values)
        with_error.append(np.mean((a["estimate"] - truth) ** 2))
        without.append(np.mean((b["estimate"] - truth) ** 2))
        inside = ((a["ci_low"] <= truth) & (truth <= a["ci_high"])).mean()
        assert 0.86 < inside < 1
    assert np.mean(with_error) < 0.7 * np.mean(without)


def test_direction_and_unit_change_nothing_else():
    values, _ = caseload(3)
    rows = judge_with_model(values, minimal_important_change=6)
    turned = judge_with_model(
        values.assign(value=-values["value"] * np.pi / 180),
        better="lower",
        minimal_important_change=6 * np.pi / 180,
    )
    check_result(rows.columns)
    assert rows["chance_important"].to_numpy() == pytest.approx(
        turned["chance_important"].to_numpy(),
        abs=1e-3,  # the climb stops at a gradient of 1e-4
    )
    assert rows["model_verdict"].to_list() == turned["model_verdict"].to_list()
    assert set(rows["model_verdict"]) <= set(MODEL_VERDICTS)


def test_threshold_uncertainty_is_carried_through():
    values, _ = caseload(4)
    gain = fit_client_courses(values).first_to_latest()
    sharp = judge_with_model(values, minimal_important_change=6)
    blunt = judge_with_model(values, minimal_important_change=6, minimal_important_change_error=4)
    assert sharp["chance_important"].to_numpy() == pytest.approx(gain.chance_above(6.0))
    # the same by averaging over possible thresholds
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    expected = sum(
        w * gain.chance_above(6 + 4 * z) for z, w in zip(nodes, weights, strict=True)
    ) / np.sqrt(2 * np.pi)
    # 1e-4: forty nodes on a mixture with narrow parts
    assert blunt["chance_important"].to_numpy() == pytest.approx(expected, abs=1e-4)
    assert blunt["chance_improved"].to_numpy() == pytest.approx(sharp["chance_improved"])
    none = judge_with_model(values)
    assert none["chance_important"].isna().all()
    assert "improved" in set(none["model_verdict"])


def test_straight_and_flattening_courses_are_told_apart():
    values, _ = caseload(5, n=150, gain=15, scale=1.5)
    assert fit_client_courses(values).shape == "flattening"
    values, _ = caseload(6, n=150, gain=15, scale=1e3, gain_sd=1)
    straight = values.assign(value=values["value"] + 2 * values["week"])
    assert fit_client_courses(straight).shape == "straight"


def test_one_visit_is_not_judged_and_errors_per_row_are_used():
    values, _ = caseload(7)
    once = pd.concat([values, values.head(1).assign(client="alone")])
    rows = judge_with_model(once).set_index("client")
    assert rows.loc["alone", "model_verdict"] == "cannot be judged: one visit"
    assert np.isnan(rows.loc["alone", "estimate"])
    noisy = values["visit"].to_numpy() % 2 == 0
    rng = np.random.default_rng(8)
    blurred = values.assign(value=values["value"] + noisy * rng.normal(0, 6, len(values)))
    errors = np.where(noisy, np.hypot(3, 6), 3.0)
    courses = fit_client_courses(blurred, standard_error_of_measurement=errors)
    plain = fit_client_courses(blurred)
    assert courses.first_to_latest().sd.mean() != pytest.approx(plain.first_to_latest().sd.mean())
    much = fit_client_courses(values, standard_error_of_measurement=30.0)
    assert "scatter less" in much.notes[0]


def test_reconcile_says_why():
    values, _ = caseload(9, n=100, gain=6, error=4)
    pairs = start_and_latest(values.assign(measure="m"))
    judged = judge_change(pairs, standard_error_of_measurement=4.0, minimal_important_change=6)
    both = reconcile(judged, judge_with_model(values, minimal_important_change=6))
    check_result(both.columns)
    assert len(both) == 100 and both["verdict"].notna().all()
    within = both["reconciliation"].str.startswith("First against latest stays within")
    assert within.any() and both.loc[within, "verdicts_differ"].all()
    agree = both["reconciliation"].isin(["Both agree.", "Both see no clear change."])
    assert (agree == ~both["verdicts_differ"]).all()


def test_mixture_by_numerical_integration():
    mixture = Mixture(np.array([[0.3], [0.7]]), np.array([[0.0], [4.0]]), np.array([[1.0], [9.0]]))
    assert mixture.mean[0] == pytest.approx(2.8)
    assert mixture.sd[0] == pytest.approx(np.sqrt(0.3 * 1 + 0.7 * 9 + 0.3 * 0.7 * 16))
    expected = 0.3 * stats.norm.sf(1, 0, 1) + 0.7 * stats.norm.sf(1, 4, 3)
    assert mixture.chance_above(1.0)[0] == pytest.approx(expected)
    q = mixture.quantile(0.9)[0]
    assert mixture.chance_above(q)[0] == pytest.approx(0.1)
    point = Mixture(np.ones((1, 2)), np.array([[2.0, -1.0]]), np.zeros((1, 2)))
    assert point.chance_above(0.0).tolist() == [1, 0]


def test_refusals():
    values, _ = caseload(10)
    with pytest.raises(ModelError, match="at least 10 clients of whom 5 came three times, got 5"):
        fit_client_courses(values[values["client"].isin([f"c{i}" for i in range(5)])])
    with pytest.raises(ModelError, match="and 0"):
        fit_client_courses(values[values["visit"] <= 2])
    with pytest.raises(ModelError):
        fit_client_courses(values.iloc[:0])
    with pytest.raises(DataError, match="a visit must have one value per client"):
        fit_client_courses(pd.concat([values, values.head(1)]))
    with pytest.raises(DataError, match="must have the column week"):
        fit_client_courses(values.drop(columns="week"))
    with pytest.raises(DataError, match="week must be a number"):
        fit_client_courses(values.assign(week=np.nan))
    with pytest.raises(DataError, match="must vary"):
        fit_client_courses(values.assign(value=1.0))
    with pytest.raises(ArgumentError, match="clock must be one of 'week', 'visit'"):
        fit_client_courses(values, clock="day")
    with pytest.raises(ArgumentError, match="sure must be in"):
        judge_with_model(values, sure=0.4)
