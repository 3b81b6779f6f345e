"""Interrupted series against nlme, dense algebra, and simulated coverage."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.glossary import check_result
from outcomes.statistics.service import interrupted_series, period_series
from outcomes.statistics.service.interrupted import conditional_fit

REFERENCE = Path(__file__).parents[2] / "reference" / "service" / "interrupted_series.json"


def correlated(rng, n, rho, sims=1):
    noise = rng.standard_normal((sims, n))
    for t in range(1, n):
        noise[:, t] = rho * noise[:, t - 1] + np.sqrt(1 - rho**2) * noise[:, t]
    return noise


def test_at_one_correlation_it_is_the_generalised_least_squares_fit_of_nlme():
    reference = json.loads(REFERENCE.read_text())
    series = pd.DataFrame(reference["series"])
    root = np.sqrt(series["n"] / series["n"].mean()).to_numpy()
    time = np.arange(len(series), dtype=float)
    design = np.column_stack([np.ones(len(series)), time, time >= reference["change_at"]])
    b, covariance, best = conditional_fit(
        series["value"].to_numpy() * root, design * root[:, None], reference["rho"]
    )
    assert b == pytest.approx(reference["coefficients"], rel=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(reference["standard_errors"], rel=1e-6)
    # and the restricted likelihood peaks there
    for step in (-0.02, 0.02):
        near = conditional_fit(
            series["value"].to_numpy() * root, design * root[:, None], reference["rho"] + step
        )
        assert near[2] < best


def test_whitening_is_the_inverse_root_of_the_correlation():
    rng = np.random.default_rng(1)
    y, x = rng.normal(size=9), np.column_stack([np.ones(9), np.arange(9.0)])
    r = 0.6 ** np.abs(np.subtract.outer(np.arange(9), np.arange(9)))
    inverse = np.linalg.inv(r)
    inner = x.T @ inverse @ x
    b = np.linalg.solve(inner, x.T @ inverse @ y)
    rest = y - x @ b
    total = rest @ inverse @ rest
    expected = -(np.linalg.slogdet(r)[1] + np.linalg.slogdet(inner)[1] + 7 * np.log(total)) / 2
    found = conditional_fit(y, x, 0.6)
    assert found[0] == pytest.approx(b)
    assert found[2] == pytest.approx(expected)


@pytest.mark.parametrize("rho", [0.0, 0.5])
def test_the_step_is_covered_under_serial_correlation(rho):
    rng = np.random.default_rng(31)
    inside, sims = 0, 80
    for noise in correlated(rng, 24, rho, sims):
        value = 5 + 2.0 * (np.arange(24) >= 12) + noise
        series = pd.DataFrame({"period": np.arange(24).astype(str), "value": value})
        step = interrupted_series(series, changes=["12"], trend=False).iloc[1]
        inside += step["ci_low"] <= 2 <= step["ci_high"]
    assert inside / sims == pytest.approx(0.95, abs=0.05)


def test_periods_without_clients_count_as_time_only():
    rng = np.random.default_rng(6)
    y, x = rng.normal(size=10), np.column_stack([np.ones(10), np.arange(10.0)])
    kept = np.array([1, 1, 0, 1, 1, 1, 0, 0, 1, 1], bool)
    times = np.flatnonzero(kept)
    for rho in (-0.4, 0.6):
        r = rho ** np.abs(np.subtract.outer(times, times)).astype(int)
        inverse = np.linalg.inv(r)
        b = np.linalg.solve(x[kept].T @ inverse @ x[kept], x[kept].T @ inverse @ y[kept])
        found = conditional_fit(y[kept], x[kept], rho, np.diff(times))
        assert found[0] == pytest.approx(b)
    series = pd.DataFrame({"period": list("abcdefghij"), "value": y, "n": 5 * kept.astype(int)})
    series.loc[~kept, "value"] = np.nan
    table = interrupted_series(series, changes=["f"], trend=False)
    assert table["n"].iloc[0] == kept.sum()


def test_a_series_holds_every_month_and_its_mean():
    dates = pd.Series(pd.to_datetime(["2025-11-30", "2026-02-01", "2026-02-28", "2025-12-01"]))
    found = period_series(dates, values=pd.Series([1.0, 2, 4, 8]))
    assert found["period"].tolist() == ["2025-11", "2025-12", "2026-01", "2026-02"]
    assert found["n"].tolist() == [1, 1, 0, 2] and found["value"].iloc[3] == 3
    assert np.isnan(found["value"].iloc[2])
    quarters = period_series(dates, by="quarter")
    assert quarters["period"].tolist() == ["2025Q4", "2026Q1"]
    assert quarters["n"].tolist() == [2, 2]
    check_result(found.columns)
    with pytest.raises(DataError, match="must be stored as a date; 1 of 1 rows"):
        period_series(pd.Series([pd.NaT]))
    with pytest.raises(DataError, match="at least one row"):
        period_series(dates.head(0))


def test_steps_and_slopes_are_recovered_and_named():
    rng = np.random.default_rng(2)
    time = np.arange(36.0)
    value = 3 + 0.1 * time + 4 * (time >= 12) - 0.3 * np.maximum(time - 24, 0)
    value += rng.normal(0, 0.05, 36)
    series = pd.DataFrame({"period": [f"m{i}" for i in range(36)], "value": value})
    both = interrupted_series(series, changes=["m12", "m24"], slope_change=True)
    found = both.set_index("term")["estimate"]
    assert found["trend per period"] == pytest.approx(0.1, abs=0.02)
    assert found["step at m12"] == pytest.approx(4, abs=0.2)
    assert found["change of trend at m24"] == pytest.approx(-0.3, abs=0.03)
    check_result(both.columns)


def test_series_that_cannot_be_judged_are_refused():
    series = pd.DataFrame({"period": list("abcdefgh"), "value": [1.0, 2, 1, 2, 5, 6, 5, 6]})
    with pytest.raises(ArgumentError, match="must name periods of the series"):
        interrupted_series(series, changes=["z"])
    with pytest.raises(
        ArgumentError, match="at least 2 periods with clients before and after, got 1"
    ):
        interrupted_series(series, changes=["b"])
    with pytest.raises(ArgumentError, match="trend must be true"):
        interrupted_series(series, changes=["e"], trend=False, slope_change=True)
    with pytest.raises(ArgumentError, match="changes must name at least one"):
        interrupted_series(series, changes=[])
    with pytest.raises(ArgumentError, match="far enough apart"):
        interrupted_series(series, changes=["e", "e"])
    with pytest.raises(DataError, match="at least 3 periods more than its 3 terms, got 5"):
        interrupted_series(series.head(5), changes=["c"])
    with pytest.raises(DataError, match="a number in every period with clients; 1 of 8 rows"):
        interrupted_series(
            series.assign(value=series["value"].where(series.index != 3)), changes=["e"]
        )
    with pytest.raises(DataError, match="n must be zero or more; 8 of 8 rows"):
        interrupted_series(series.assign(n=-1), changes=["e"])
    with pytest.raises(ModelError, match="must vary around its level"):
        interrupted_series(series.assign(value=[1.0] * 4 + [2.0] * 4), changes=["e"], trend=False)
