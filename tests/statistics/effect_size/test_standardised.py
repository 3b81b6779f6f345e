"""Standardised change against Lakens 2013, Hedges 1981 and scipy's noncentral t."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.effect_size import (
    hedges_correction,
    mean_change,
    noncentral_t_interval,
    standardised_change,
)

# Lakens 2013, Front Psychol 4:863, table 1: the ten pairs of the worked example.
FIRST = [9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9]
SECOND = [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7]


@pytest.fixture
def lakens():
    return pd.DataFrame({"start_value": SECOND, "latest_value": FIRST})


def test_the_worked_example_of_lakens_2013(lakens):
    rows = standardised_change(lakens).set_index("quantity")
    check_result(rows.reset_index().columns)
    assert rows.loc["d_z", "uncorrected"] == pytest.approx(1.50, abs=5e-3)  # printed
    assert rows.loc["d_z", "ci_low"] == pytest.approx(0.5605, abs=5e-4)
    assert rows.loc["d_z", "ci_high"] == pytest.approx(2.4034, abs=5e-4)
    d_av = rows.loc["d_av", "uncorrected"]
    # Printed g_av 1.08 corrects with 18 degrees of freedom; with 9 it is 1.031. Ours lie between.
    assert d_av * hedges_correction(18) == pytest.approx(1.08, abs=5e-3)
    assert d_av * hedges_correction(9) == pytest.approx(1.031, abs=5e-4)
    assert 9 < rows.loc["d_av", "df"] < 18
    assert 1.031 < rows.loc["d_av", "estimate"] < 1.08


def test_the_t_behind_lakens_2013(lakens):
    mean = mean_change(lakens)
    t = mean.estimate / (np.subtract(FIRST, SECOND).std(ddof=1) / np.sqrt(10))
    assert t == pytest.approx(4.74, abs=5e-3)  # printed
    reference = stats.ttest_rel(FIRST, SECOND).confidence_interval(0.95)
    assert mean.interval[:2] == pytest.approx((reference.low, reference.high))


def test_hedges_correction_is_exact():
    # Hedges 1981 (computed values); and the definition E[1/s] for a normal sample, by quadrature.
    assert hedges_correction([2, 5, 10, 20]) == pytest.approx(
        [0.5642, 0.8407, 0.9227, 0.9619], abs=5e-5
    )
    for df in (3, 7, 40):
        mean_inverse = stats.chi(df).expect(lambda u, df=df: np.sqrt(df) / u)
        assert hedges_correction(df) == pytest.approx(1 / mean_inverse, rel=1e-7)


@pytest.mark.parametrize(("t", "df"), [(4.743, 9), (0.3, 9), (-6.0, 30), (25.0, 399), (0.0, 4)])
def test_noncentral_t_limits_by_root_finding(t, df):
    # 2e-6: the accuracy of the library's inversion, seven digits.
    low, high = noncentral_t_interval(t, df)
    for end, tail in ((low, 0.975), (high, 0.025)):
        root = optimize.brentq(
            lambda nc, tail=tail: stats.nct.cdf(t, df, nc) - tail, end - 0.5, end + 0.5, xtol=1e-12
        )
        assert end == pytest.approx(root, rel=2e-6, abs=2e-6)


def test_definitions_by_plain_arithmetic():
    rng = np.random.default_rng(63)
    x = rng.normal(20, 6, 35)
    y = 0.6 * x + rng.normal(2, 4, 35)
    d = x - y  # lower is better
    frame = pd.DataFrame({"start_value": x, "latest_value": y})
    rows = standardised_change(frame, better="lower").set_index("quantity")
    r = np.corrcoef(x, y)[0, 1]
    expected = {
        "d_z": d.mean() / d.std(ddof=1),
        "d_av": d.mean() / ((x.std(ddof=1) + y.std(ddof=1)) / 2),
        "d_rm": d.mean() / d.std(ddof=1) * np.sqrt(2 * (1 - r)),
        "becker": d.mean() / x.std(ddof=1),
    }
    for name, value in expected.items():
        assert rows.loc[name, "uncorrected"] == pytest.approx(value)
        assert rows.loc[name, "uncorrected"] * hedges_correction(
            rows.loc[name, "df"]
        ) == pytest.approx(rows.loc[name, "estimate"])
    assert rows.loc["d_z", "df"] == pytest.approx(34)
    assert rows.loc["becker", "df"] == pytest.approx(34)


def test_matched_df_is_the_published_one_when_spreads_are_equal():
    # Cousineau 2020: 2 (n - 1) / (1 + r^2), for equal standard deviations.
    rng = np.random.default_rng(64)
    x = rng.normal(size=30)
    y = 0.5 * x + rng.normal(size=30)
    y = (y - y.mean()) / y.std(ddof=1) * x.std(ddof=1) + 1
    rows = standardised_change(pd.DataFrame({"start_value": x, "latest_value": y}))
    r = np.corrcoef(x, y)[0, 1]
    df = rows.set_index("quantity")["df"]
    assert df["d_av"] == pytest.approx(2 * 29 / (1 + r**2))
    assert df["d_rm"] == pytest.approx(2 * 29 / (1 + r**2))


def test_units_do_not_matter():
    rng = np.random.default_rng(65)
    frame = pd.DataFrame({"start_value": rng.normal(50, 9, 20)})
    frame["latest_value"] = frame["start_value"] + rng.normal(5, 4, 20)
    columns = ["estimate", "ci_low", "ci_high", "df"]
    radians = standardised_change(frame * np.pi / 180)[columns]
    pd.testing.assert_frame_equal(standardised_change(frame)[columns], radians)


def test_refusals(lakens):
    with pytest.raises(DataError, match="at least 3 clients, got 2"):
        standardised_change(lakens.head(2))
    with pytest.raises(DataError, match="must have clients that differ"):
        standardised_change(lakens.assign(latest_value=lakens["start_value"] + 1))
    with pytest.raises(ArgumentError, match="which must be one of 'd_z'"):
        standardised_change(lakens, which=("d_x",))
    with pytest.raises(DataError, match="at least 2 clients measured twice, got 1"):
        mean_change(lakens.head(1))
    with pytest.raises(ArgumentError, match="df must be above 1"):
        hedges_correction(1)
