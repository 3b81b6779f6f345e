from functools import partial

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError
from outcomes.glossary import check_result
from outcomes.statistics.planning import assurance, draw_inputs, power_curve, power_paired


def test_inputs_lie_where_they_were_said_to():
    rng = np.random.default_rng(1)
    inputs = draw_inputs(
        rng=rng,
        draws=20_000,
        between={"difference": (-1, 7), "sd": (6, 14), "icc": (0.02, 0.1)},
        central=0.9,
    )
    for name, (low, high) in {"difference": (-1, 7), "sd": (6, 14), "icc": (0.02, 0.1)}.items():
        share = [(inputs[name] < low).mean(), (inputs[name] > high).mean()]
        assert share == pytest.approx([0.05, 0.05], abs=0.006)
    assert (inputs["sd"] > 0).all() and inputs["icc"].between(0, 1).all()


def test_assurance_is_the_closed_form_for_a_normal_prior():
    # power of a one-sided z test with known sd, prior N(m, s^2): Phi((m - z se) / hypot(s, se))
    rng = np.random.default_rng(2)
    mean, spread, error = 3.0, 2.0, 1.5
    cut = stats.norm.isf(0.025) * error
    draws = pd.DataFrame({"difference": rng.normal(mean, spread, 20_000)})
    found = assurance(lambda difference: stats.norm.sf((cut - difference) / error), draws)
    exact = stats.norm.cdf((mean - cut) / np.hypot(spread, error))
    assert found.assurance == pytest.approx(exact, abs=0.008)
    assert found.power_low <= found.power_median <= found.power_high
    check_result(found.table.columns)


def test_no_doubt_gives_the_power_itself():
    inputs = pd.DataFrame({"difference": [5.0] * 3, "sd": [12.0] * 3})
    found = assurance(partial(power_paired, 46), inputs)
    assert found.assurance == pytest.approx(power_paired(46, difference=5, sd=12))
    assert found.chance_of_80 == float(found.assurance >= 0.8)


def test_curve_rises():
    curve = power_curve(partial(power_paired, difference=5, sd=12), sizes=range(5, 120, 10))
    assert curve["power"].is_monotonic_increasing
    check_result(curve.columns)


def test_impossible_inputs_are_refused():
    rng = np.random.default_rng(3)
    with pytest.raises(ArgumentError, match="sd must lie inside its scale"):
        draw_inputs(rng=rng, between={"sd": (-1, 4)})
    with pytest.raises(ArgumentError, match="icc must lie inside its scale"):
        draw_inputs(rng=rng, between={"icc": (0.1, 4)})
    with pytest.raises(ArgumentError, match="difference must have a low value below its high one"):
        draw_inputs(rng=rng, between={"difference": (4, 1)})
    with pytest.raises(ArgumentError, match="inputs must have at least one row"):
        assurance(lambda: 1.0, pd.DataFrame())
