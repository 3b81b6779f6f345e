"""Consistency of scales against an independent factor analysis, identities and planted loadings."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.repeatability import (
    coefficient_omega,
    conditional_error,
    cronbach_alpha,
    floor_and_ceiling,
    intraclass_correlation,
    questionnaire_error,
)

REFERENCE = Path(__file__).parents[2] / "reference" / "repeatability"
ITEMS = pd.read_csv(REFERENCE / "items.csv")


def test_alpha_is_the_average_consistency_form_with_its_interval():
    alpha = cronbach_alpha(ITEMS)
    row = intraclass_correlation(ITEMS).set_index("form").loc["ICC(C,k)"]
    assert [alpha.estimate, alpha.ci_low, alpha.ci_high] == pytest.approx(
        [row["estimate"], row["ci_low"], row["ci_high"]], rel=1e-9
    )


def test_omega_equals_factor_analysis_in_r():
    # factanal of R 4.2.2 (maximum likelihood, one factor), script beside the data.
    reference = json.loads((REFERENCE / "reference.json").read_text())
    common, own = sum(reference["loadings"]) ** 2, sum(reference["own"])
    assert coefficient_omega(ITEMS).estimate == pytest.approx(common / (common + own), abs=1e-5)


def test_omega_interval_holds_the_planted_value(rng):
    loadings, own = np.array([0.9, 0.7, 0.5, 0.8, 0.4]), np.array([0.5, 0.7, 0.9, 0.6, 1.0])
    true = loadings.sum() ** 2 / (loadings.sum() ** 2 + (own**2).sum())
    held = 0
    for _ in range(200):
        x = rng.normal(size=(120, 1)) * loadings + rng.normal(size=(120, 5)) * own
        found = coefficient_omega(x)
        held += found.ci_low <= true <= found.ci_high
    # 200 sets at 95%: 3.2 standard errors below.
    assert held >= 180


def test_omega_equals_alpha_for_parallel_items(rng):
    x = rng.normal(size=(20_000, 1)) + rng.normal(size=(20_000, 4))
    assert coefficient_omega(x).estimate == pytest.approx(cronbach_alpha(x).estimate, abs=2e-3)
    assert cronbach_alpha(x).estimate == pytest.approx(0.8, abs=0.01)


def test_reversed_item_is_named():
    x = ITEMS.copy()
    x["item2"] = -x["item2"]
    assert "column 2" in cronbach_alpha(x).notes[0]


def test_alpha_below_zero_is_reported():
    found = cronbach_alpha([[1, 5], [5, 2], [2, 4.0], [4, 1], [3, 3]])
    assert found.estimate < 0
    assert found.notes[0].startswith("Below zero")


def test_errors_by_every_route(rng):
    true = rng.normal(50, 10, 80)
    retest = true[:, None] + rng.normal(0, 4, (80, 2))
    retest[3, 1] = np.nan
    table = questionnaire_error(ITEMS, retest=retest)
    check_result(table.columns)
    by = table.set_index("quantity")
    sd, alpha = ITEMS.sum(axis=1).std(), cronbach_alpha(ITEMS)
    row = by.loc["standard error of measurement from Cronbach alpha"]
    assert row["estimate"] == pytest.approx(sd * np.sqrt(1 - alpha.estimate))
    assert row["ci_low"] == pytest.approx(sd * np.sqrt(1 - alpha.ci_high))
    over_time = by.loc["standard error of measurement from test and retest"]
    assert over_time["ci_low"] < 4 < over_time["ci_high"]


def test_conditional_error_averages_to_that_of_alpha():
    table = conditional_error(ITEMS, bands=5)
    check_result(table.columns)
    mean_square = np.average(table["standard_error_of_measurement"] ** 2, weights=table["n"])
    overall = ITEMS.sum(axis=1).var() * (1 - cronbach_alpha(ITEMS).estimate)
    assert mean_square == pytest.approx(overall, rel=1e-10)


def test_conditional_error_falls_at_the_ends_of_a_bounded_scale(rng):
    ability = rng.normal(0, 1.5, (600, 1))
    answers = np.clip(np.round(2 + ability + rng.normal(size=(600, 8))), 0, 4)
    ratio = conditional_error(answers, bands=5)["ratio"]
    assert ratio.iloc[0] < 0.9
    assert ratio.iloc[4] < 0.9
    assert ratio.iloc[2] > 1.05


def test_floor_and_ceiling():
    # Newcombe 1998, Stat Med 17:857: Wilson interval of 15/148 is .0624 to .1605 (recalled).
    table = floor_and_ceiling([0] * 15 + [5] * 133, minimum=0, maximum=10)
    check_result(table.columns)
    assert (table.loc[0, "ci_low"], table.loc[0, "ci_high"]) == pytest.approx(
        (0.0624, 0.1605), abs=5e-5
    )
    assert table.loc[1, "count"] == 0
    assert (
        floor_and_ceiling([0, 0, 5], minimum=0, maximum=10).loc[0, "notes"].startswith("More than")
    )


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (lambda: cronbach_alpha([[1.0], [2.0]]), DataError, "two or more clients by 2 or more"),
        (lambda: cronbach_alpha([[1, 2.0]]), DataError, "two or more clients"),
        (lambda: cronbach_alpha([["a", "b"], ["c", "d"]]), DataError, "must be numbers"),
        (lambda: cronbach_alpha([[1, np.nan], [2, 3.0]]), DataError, "be complete; 1 of 2"),
        (lambda: cronbach_alpha([[1, 2], [2, 1.0]]), DataError, "total scores must vary"),
        (lambda: coefficient_omega([[1, 2], [2, 3.0]]), DataError, "three or more for one factor"),
        (lambda: coefficient_omega(np.eye(3)[:, :3] + [[0], [1], [2]]), DataError, "outnumber"),
        (
            lambda: coefficient_omega([[1, 1, 2], [2, 1, 3], [3, 1, 3], [5, 1, 4.0]]),
            DataError,
            "every item must vary",
        ),
        (lambda: questionnaire_error(), ArgumentError, "got neither"),
        (lambda: floor_and_ceiling([], minimum=0, maximum=1), DataError, "one column"),
        (lambda: floor_and_ceiling([2], minimum=0, maximum=1), DataError, "lie on the scale"),
        (lambda: floor_and_ceiling([2], minimum=1, maximum=1), ArgumentError, "below maximum"),
        (lambda: conditional_error(ITEMS[:10], bands=5), DataError, "three or more per band"),
        (
            lambda: conditional_error([[1, 1], [2, 2], [3, 3.0]], bands=1),
            DataError,
            "answers must scatter",
        ),
    ],
)
def test_answers_that_cannot_be_used(call, error, message):
    with pytest.raises(error, match=message):
        call()
