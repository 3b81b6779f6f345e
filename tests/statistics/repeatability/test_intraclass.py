"""Intraclass correlations against printed tables, exactness properties and planted truth."""

import numpy as np
import pandas as pd
import pytest
from evidence_scripts import load, stored

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.repeatability import intraclass_correlation
from outcomes.statistics.repeatability.intraclass import two_way_intraclass
from outcomes.statistics.repeatability.intraclass_unbalanced import unbalanced_rows

# Shrout & Fleiss 1979, Psychol Bull 86:420, table 2: six targets, four judges.
JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7.0]]
)
# Weir 2005, J Strength Cond Res 19:231, data set A.
WEIR = np.array(
    [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218.0]]
)


def by_form(ratings, **options):
    return intraclass_correlation(ratings, **options).set_index("form")


@pytest.mark.parametrize(
    ("form", "also", "printed"),
    [
        ("ICC(1)", "ICC(1,1)", 0.17),
        ("ICC(A,1)", "ICC(2,1)", 0.29),
        ("ICC(C,1)", "ICC(3,1)", 0.71),
        ("ICC(k)", "ICC(1,k)", 0.44),
        ("ICC(A,k)", "ICC(2,k)", 0.62),
        ("ICC(C,k)", "ICC(3,k)", 0.91),
    ],
)
def test_shrout_fleiss_1979(form, also, printed):
    row = by_form(JUDGES).loc[form]
    assert row["also_called"] == also
    assert row["estimate"] == pytest.approx(printed, abs=5e-3)


@pytest.mark.parametrize(
    ("form", "low", "high"),
    [
        # Computed from the formulas of McGraw & Wong 1996 by an independent program.
        ("ICC(1)", -0.1329, 0.7226),
        ("ICC(A,1)", 0.0188, 0.7611),
        ("ICC(C,1)", 0.3425, 0.9459),
    ],
)
def test_shrout_fleiss_intervals(form, low, high):
    row = by_form(JUDGES).loc[form]
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((low, high), abs=5e-5)


def test_average_agreement_interval_uses_satterthwaite_df():
    # McGraw & Wong 1996, table 7, worked by hand for ICC(A,k): df from c and d at the estimate.
    from scipy.stats import f

    n, k, msr, msc, mse = 6, 4, 11.241667, 32.486111, 1.019444
    rho = (msr - mse) / (msr + (msc - mse) / n)
    c, d = rho / (n * (1 - rho)), 1 + rho * (n - 1) / (n * (1 - rho))
    df = (c * msc + d * mse) ** 2 / (
        (c * msc) ** 2 / (k - 1) + (d * mse) ** 2 / ((n - 1) * (k - 1))
    )
    above, below = f.ppf(0.975, n - 1, df), f.ppf(0.975, df, n - 1)
    low = n * (msr - above * mse) / (above * (msc - mse) + n * msr)
    high = n * (below * msr - mse) / (msc - mse + n * below * msr)
    row = by_form(JUDGES).loc["ICC(A,k)"]
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((low, high), abs=1e-5)


@pytest.mark.parametrize(
    ("form", "printed"), [("ICC(1)", 0.9501), ("ICC(A,1)", 0.9500), ("ICC(C,1)", 0.9470)]
)
def test_weir_2005(form, printed):
    assert by_form(WEIR).loc[form, "estimate"] == pytest.approx(printed, abs=1e-4)


@pytest.mark.parametrize("form", ["ICC(1)", "ICC(C,1)", "ICC(k)", "ICC(C,k)"])
def test_incomplete_table_route_agrees_where_nothing_is_missing(form):
    complete, general = by_form(JUDGES).loc[form], unbalanced_rows(JUDGES, 0.95)[form]
    for name in ("estimate", "ci_low", "ci_high", "statistic", "df1", "df2", "p_value"):
        assert general[name] == pytest.approx(complete[name], rel=1e-6)


def test_incomplete_agreement_estimate_is_the_analysis_of_variance_where_nothing_is_missing():
    general = unbalanced_rows(JUDGES, 0.95)["ICC(A,1)"]["estimate"]
    assert general == pytest.approx(by_form(JUDGES).loc["ICC(A,1)", "estimate"], rel=1e-6)


def test_large_sample_interval_of_agreement_holds_the_estimate():
    row = by_form(JUDGES, agreement_interval="modified large sample").loc["ICC(A,1)"]
    assert 0 <= row["ci_low"] < row["estimate"] < row["ci_high"] < 1
    assert "modified large-sample" in row["method"]


def test_long_table_gives_the_same():
    long = pd.DataFrame(JUDGES).stack().rename_axis(["client", "rater"]).rename("value")
    wide, tall = intraclass_correlation(JUDGES), intraclass_correlation(long.reset_index())
    pd.testing.assert_frame_equal(wide, tall)


def test_shifting_and_scaling_readings_changes_nothing():
    other = by_form(1e6 + 3 * JUDGES)
    assert other["estimate"].tolist() == pytest.approx(by_form(JUDGES)["estimate"].tolist())


def test_batch_equals_one_by_one(rng):
    tables = rng.normal(size=(7, 5, 3)) + rng.normal(size=(7, 5, 1))
    batch = two_way_intraclass(tables)
    for i, table in enumerate(tables):
        single = by_form(table)
        for form, columns in batch.items():
            assert columns["ci_high"][i] == pytest.approx(single.loc[form, "ci_high"])


def test_below_zero_is_reported_as_estimated():
    table = [[1, 5], [5, 1], [2, 4.0], [4, 2], [3, 3]]
    row = by_form(table).loc["ICC(1)"]
    assert row["estimate"] == pytest.approx(-1.0)
    assert "Below zero" in row["notes"]


def test_few_clients_are_noted():
    assert "Only 3 clients" in by_form(JUDGES[:3]).loc["ICC(1)", "notes"]


def test_raters_who_always_agree():
    table = by_form([[1, 1], [2, 2], [4, 4.0]])
    assert table["estimate"].tolist() == [1.0] * 6
    assert table[["ci_low", "ci_high"]].to_numpy().tolist() == [[1.0, 1.0]] * 6
    assert "check that readings were blind" in table.loc["ICC(1)", "notes"]


def test_raters_apart_by_a_constant():
    table = by_form([[1, 3], [2, 4], [4, 6.0], [7, 9]])
    assert table.loc["ICC(C,1)", "estimate"] == 1.0
    assert 0.5 < table.loc["ICC(A,1)", "estimate"] < 1
    assert np.isfinite(table[["ci_low", "ci_high"]].to_numpy()).all()


def test_clients_who_do_not_differ():
    table = by_form([[1, 3], [3, 1], [2, 2.0], [1, 3]])
    assert table.loc["ICC(1)", "estimate"] == -1.0
    # The mean of two readings that cancel in every client: reliability falls without bound.
    assert table.loc["ICC(k)", "estimate"] == -np.inf
    assert not table[["estimate", "ci_low", "ci_high"]].isna().to_numpy().any()


@pytest.mark.parametrize(
    ("ratings", "message"),
    [
        ([[1.0], [2.0], [3.0]], "two or more raters"),
        ([[1.0, 2.0]], "two or more clients"),
        ([[2.0, 2.0], [2.0, 2.0]], "must vary; all readings are equal"),
        ([["a", "b"], ["c", "d"]], "must be numbers"),
        ([1.0, 2.0], "must be a table"),
        ([[1.0, np.inf], [2.0, 3.0]], "must be finite; 1 of 2 rows does not"),
        ([[1.0, np.nan], [np.nan, 2.0]], "two or more readings of some client"),
        ([[1.0, np.nan, 3.0], [np.nan, 2.0, np.nan]], "readings to estimate the error from"),
        (
            [[-1.0, -1.0], [0.0, np.nan], [-1.0, -1.0], [2.0, np.nan]],
            "readings to estimate the error from",
        ),
    ],
)
def test_ratings_that_cannot_be_used(ratings, message):
    with pytest.raises(DataError, match=message):
        intraclass_correlation(ratings)


def test_repeated_readings_of_one_rater_are_refused():
    long = pd.DataFrame({"client": [1, 1, 2], "rater": ["a", "a", "a"], "value": [1.0, 2.0, 3.0]})
    with pytest.raises(DataError, match="one reading per client and rater") as caught:
        intraclass_correlation(long)
    assert caught.value.rows == (1,)


def test_confidence_outside_its_range():
    with pytest.raises(ArgumentError, match="confidence"):
        intraclass_correlation(JUDGES, confidence=95)


def test_stored_coverage():
    result = stored("repeatability_intraclass_coverage")
    assert {row["sets"] for row in result["complete"]} == {10_000}
    bounds = {
        "exact F": (0.943, 0.957),
        "modified large sample": (0.935, 0.98),
        # Two raters with 15% of the variance between them: the published interval fails.
        "satterthwaite": (0.73, 0.965),
    }
    for row in result["complete"]:
        low, high = bounds[row["interval"]]
        assert low <= row["coverage"] <= high, row
    for row in result["incomplete"]:
        # 1,000 sets: simulation error 0.7 points; four standard errors about the nominal level.
        assert 0.92 <= row["coverage"] <= 0.98, row


def test_small_rerun_of_the_coverage_simulation(rng):
    for row in load("repeatability_intraclass_coverage").complete(rng, 400):
        if row["interval"] != "satterthwaite":
            # 400 sets: four standard errors below the stored bounds.
            assert row["coverage"] > 0.89, row
