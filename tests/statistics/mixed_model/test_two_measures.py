"""Two measures at once: planted correlations, and a check by another route."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import COLUMNS
from outcomes.statistics.mixed_model import fit_two_measures


def made(n=80, slope_correlation=-0.7, seed=2):
    rng = np.random.default_rng(seed)
    week = np.tile(np.arange(7.0), n)
    client = np.repeat(np.arange(n), 7)
    start = rng.normal(0, 1, (n, 2)) * [10, 1]
    shared = rng.normal(0, 1, (n, 2))
    slope_first = 1.5 * shared[:, 0]
    slope_second = 0.25 * (
        slope_correlation * shared[:, 0] + np.sqrt(1 - slope_correlation**2) * shared[:, 1]
    )
    flexion = 120 + 2 * week + start[client, 0] + slope_first[client] * week
    pain = 6 - 0.3 * week + start[client, 1] + slope_second[client] * week
    rows = {"client": client, "week": week}
    return pd.concat(
        [
            pd.DataFrame(
                {**rows, "measure": "flexion", "value": flexion + rng.normal(0, 5, week.size)}
            ),
            pd.DataFrame(
                {**rows, "measure": "pain", "value": pain + rng.normal(0, 0.8, week.size)}
            ),
        ]
    )


def test_a_planted_correlation_is_found_and_observed_changes_hide_it():
    frame = made(seed=7)
    found = fit_two_measures(frame, first="flexion", second="pain", ci_level=0.99)
    assert found.ci_low < -0.7 < found.ci_high
    assert found.p_value < 0.001
    assert [column for column in found.table.columns if column not in COLUMNS] == []
    assert abs(found.start_correlation) < 0.45
    # The two error variances are told apart.
    residual = found.fit.variance_rows.query("level == 'residual'").scaled_estimate
    assert residual.tolist() == pytest.approx([5.0, 0.8], rel=0.1)
    # Changes from first to last visit are diluted by error.
    wide = frame.pivot(index=["client", "week"], columns="measure", values="value").unstack("week")
    change = pd.DataFrame({name: wide[name][6.0] - wide[name][0.0] for name in ("flexion", "pain")})
    assert abs(change.corr().iloc[0, 1]) < abs(found.slope_correlation)


def test_without_correlation_the_test_is_quiet():
    found = fit_two_measures(made(slope_correlation=0.0, seed=4), first="flexion", second="pain")
    assert found.p_value > 0.05
    assert found.ci_low < 0 < found.ci_high


def test_units_do_not_matter():
    frame = made(n=40, seed=6)
    other = frame.assign(value=np.where(frame.measure == "pain", frame.value * 1000, frame.value))
    a = fit_two_measures(frame, first="flexion", second="pain")
    b = fit_two_measures(other, first="flexion", second="pain")
    assert b.slope_correlation == pytest.approx(a.slope_correlation, abs=1e-6)
    assert b.ci_low == pytest.approx(a.ci_low, abs=1e-4)
    assert b.p_value == pytest.approx(a.p_value, rel=1e-4)


def test_refusals():
    frame = made(n=5)
    with pytest.raises(ArgumentError, match="different measures"):
        fit_two_measures(frame, first="pain", second="pain")
    with pytest.raises(DataError, match="rows of both measures; none of strength"):
        fit_two_measures(frame, first="pain", second="strength")
    with pytest.raises(DataError, match="must have the column measure"):
        fit_two_measures(frame.drop(columns="measure"), first="pain", second="flexion")
