"""Units, origins, row order and labels change numbers only as they must."""

from pathlib import Path
from runpy import run_path

import numpy as np
import pytest

from outcomes.statistics.mixed_model import fit_mixed_model

growth = run_path(str(Path(__file__).parent / "helpers.py"))["growth"]
STRUCTURES = [
    {},
    {"residual": "autoregressive", "time": "week"},
    {"residual": "variance_per_level", "by": "instrument"},
]


@pytest.mark.parametrize("options", STRUCTURES, ids=["independent", "autoregressive", "per level"])
@pytest.mark.parametrize("rule", ["small_sample", "satterthwaite"])
def test_degrees_to_radians_and_weeks_to_days_change_only_units(options, rule):
    frame = growth(n=10, seed=2)
    other = frame.assign(value=np.deg2rad(frame.value), week=7 * frame.week)
    call = {"random": "1 + week", "degrees_of_freedom": rule, **options}
    a = fit_mixed_model(frame, "value ~ week * site", **call)
    b = fit_mixed_model(other, "value ~ week * site", **call)
    unit = np.deg2rad(1.0) * np.where(a.fixed.term.str.contains("week"), 1 / 7, 1.0)
    assert b.fixed.estimate.to_numpy() == pytest.approx(a.fixed.estimate * unit, rel=1e-7)
    assert b.fixed.standard_error.to_numpy() == pytest.approx(
        a.fixed.standard_error * unit, rel=1e-6
    )
    for column in ("df", "statistic", "p_value"):
        assert b.fixed[column].to_numpy() == pytest.approx(a.fixed[column].to_numpy(), rel=2e-5)
    assert b.boundary == a.boundary and b.converged
    assert b.residual_variance == pytest.approx(a.residual_variance * np.deg2rad(1) ** 2, rel=1e-6)


def test_a_far_origin_of_time_does_not_hurt():
    """Days counted from an old date: slopes, df and likelihood stay."""
    frame = growth(n=10, seed=2)
    far = frame.assign(week=frame.week + 6_000.0)
    a = fit_mixed_model(frame, "value ~ week", random="1 + week")
    b = fit_mixed_model(far, "value ~ week", random="1 + week")
    assert b.log_likelihood == pytest.approx(a.log_likelihood, abs=1e-6)
    assert b.fixed.iloc[1, 1:5].astype(float).tolist() == pytest.approx(
        a.fixed.iloc[1, 1:5].astype(float).tolist(), rel=1e-5
    )


@pytest.mark.parametrize("options", STRUCTURES, ids=["independent", "autoregressive", "per level"])
def test_row_order_and_labels_do_not_matter(options):
    frame = growth(n=10, seed=4)
    shuffled = frame.sample(frac=1, random_state=1)
    shuffled["client"] = "c" + shuffled.client.astype(str)
    a = fit_mixed_model(frame, "value ~ week * site", random="1 + week", **options)
    b = fit_mixed_model(shuffled, "value ~ week * site", random="1 + week", **options)
    assert b.log_likelihood == pytest.approx(a.log_likelihood, abs=1e-8)
    assert b.fixed.df.to_numpy() == pytest.approx(a.fixed.df.to_numpy(), rel=1e-6)
    mine = a.client_effects().set_index(["client", "term"]).estimate
    theirs = b.client_effects()
    theirs["client"] = theirs.client.str[1:].astype(int)
    theirs = theirs.set_index(["client", "term"]).estimate
    assert theirs.loc[mine.index].to_numpy() == pytest.approx(mine.to_numpy(), abs=1e-6)


def test_nested_groups_may_come_in_any_order():
    frame = growth(n=12, seed=6)
    options = {"groups": ["clinic", "client"], "random": "1 + week"}
    a = fit_mixed_model(frame, "value ~ week", **options)
    b = fit_mixed_model(frame.sample(frac=1, random_state=3), "value ~ week", **options)
    assert b.log_likelihood == pytest.approx(a.log_likelihood, abs=1e-8)
    for level in ("clinic", "client"):
        mine = a.client_effects(level).set_index([level, "term"]).estimate
        theirs = b.client_effects(level).set_index([level, "term"]).estimate
        assert theirs.loc[mine.index].to_numpy() == pytest.approx(mine.to_numpy(), abs=1e-6)


def test_intervals_of_variances_know_no_units():
    frame = growth(n=10, seed=2, slope_sd=0.0)
    small = frame.assign(value=frame.value * 1e-5)
    a = fit_mixed_model(frame, "value ~ week", random="1 + week").variances
    b = fit_mixed_model(small, "value ~ week", random="1 + week").variances
    unit = np.where(a.other_term == "", 1e-5, 1.0)
    for end in ("ci_low", "ci_high"):
        assert b[end].to_numpy() == pytest.approx(a[end] * unit, rel=1e-5)
    assert (a.ci_high > a.scaled_estimate).all()
