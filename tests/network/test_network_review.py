"""A review over partitions gives the numbers of a review on one machine.

The synthetic caseload is packed by clinic and bucket of clients. Once the measures' readings are
gathered (few series), once everything is summed up part by part: the limits from which that is
done are lowered for both ways alike.
"""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.network import planning
from outcomes.network import review as network_module
from outcomes.network.assembling import as_quarter_review
from outcomes.network.review import review_network
from outcomes.network.store import pack
from outcomes.statistics.individual_change import _course_parts
from outcomes.statistics.review import review_quarter

#: The interval of a standardised change rests on scipy's noncentral t, right to seven digits.
SEVEN_DIGITS = {"standardised_ci_low": 1e-7, "standardised_ci_high": 1e-7}
MEASURES = ["shoulder_flexion", "nprs"]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return pack("data_synthetic/caseload", tmp_path_factory.mktemp("net") / "store", buckets=3)


@pytest.fixture(scope="module", params=["gathered", "summed"])
def both(request, store):
    """The two reviews; "summed" takes both through the way of more than 1,500 series."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "summed":
            patch.setattr(_course_parts, "_VARIANCES_KNOWN", 50)
            patch.setattr(network_module, "GATHERED", 50)
            patch.setattr(planning, "_TASK_ROWS", 8_000)
        network = review_network(store, measures=MEASURES)
        alone = review_quarter(store.caseload(), measures=MEASURES)
        yield network, alone


def relative(a, b):
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    assert (np.isnan(a) == np.isnan(b)).all()
    both_known = ~np.isnan(a)
    gap = np.abs(a - b)[both_known] / np.maximum(np.abs(b[both_known]), 1e-12)
    return float(gap.max(initial=0.0))


def test_the_summary_is_the_same(both):
    network, alone = both
    mine, theirs = network.summary, alone.summary
    assert mine.columns.tolist() == theirs.columns.tolist()
    assert mine["measure"].tolist() == theirs["measure"].tolist()
    for column in mine.columns.drop(["measure", "unit"]):
        assert relative(mine[column], theirs[column]) < SEVEN_DIGITS.get(column, 1e-9), column


def test_shares_are_the_same_row_by_row(both):
    network, alone = both
    mine, theirs = network.shares, alone.shares
    for column in ("measure", "quantity", "method"):
        assert mine[column].tolist() == theirs[column].tolist()
    for column in ("count", "n", "share", "ci_low", "ci_high", "ci_level"):
        assert relative(mine[column].astype(float), theirs[column].astype(float)) < 1e-9


def test_every_client_has_the_same_verdict_and_chance(both):
    network, alone = both
    for m in alone.measures:
        theirs = m.everyone.sort_values(["client", "episode"])
        mine = network.rows.verdicts(m.measure.code)
        for column in ("client", "verdict", "model_verdict", "reconciliation"):
            assert mine[column].tolist() == theirs[column].tolist()
        for column in ("improvement", "true_improvement", "true_ci_low", "chance_improved"):
            assert (
                np.abs(mine[column].to_numpy(float) - theirs[column].to_numpy(float)).max() < 1e-9
            )


def test_the_mixed_model_is_the_same(both):
    network, alone = both
    for mine, theirs in zip(network.measures, alone.measures, strict=True):
        a, b = mine.course.fit, theirs.course.fit
        assert relative(a.fixed["estimate"], b.fixed["estimate"]) < 1e-9
        assert relative(a.fixed["df"], b.fixed["df"]) < 1e-9
        covariances = a.random_covariances["series"], b.random_covariances["series"]
        assert relative(*covariances) < 1e-9
        assert relative(a.residual_variance, b.residual_variance) < 1e-9
        assert relative(mine.course.line, theirs.course.line) < 1e-9
        assert relative(a.log_likelihood, b.log_likelihood) < 1e-9
        assert mine.scale == pytest.approx(theirs.courses.scale, rel=1e-9)


def test_a_report_gets_the_same_courses_and_doubts_about_their_form(both, store):
    """What forecasts rest on: the posteriors, and how far courses stray from their form."""
    network, alone = both
    if not network.rows.plan.every_column and network.rows.models:
        network = review_network(store, measures=MEASURES, every_column=True)
    found = as_quarter_review(network, alone.caseload)
    for mine, theirs in zip(found.measures, alone.measures, strict=True):
        a, b = mine.courses, theirs.courses
        assert a is not None and b is not None
        assert a.deviation is not None and b.deviation is not None
        assert relative(a.gain(0, 6).mean, b.gain(0, 6).mean) < 1e-9
        assert relative(a.deviation.departure, b.deviation.departure) < 1e-8
        assert a.deviation.wander2 == pytest.approx(b.deviation.wander2, rel=1e-8)


def test_counts_add_up_to_those_of_one_machine(both):
    network, alone = both
    for mine, theirs in zip(network.measures, alone.measures, strict=True):
        assert mine.flow == theirs.flow
        assert mine.worse == theirs.judged["worse"].sum()
        assert mine.verdicts["count"].sum() == len(theirs.judged)
        words = theirs.judged["model_verdict"].value_counts()
        found = mine.model_verdicts.set_index("model_verdict")["count"]
        assert found[found > 0].to_dict() == words.to_dict()


def test_the_quarter_is_chosen_as_on_one_machine(store):
    assert planning.chosen_quarter(store, "latest") == "2026Q2"
    with pytest.raises(ArgumentError, match="must have attended visits, got '2031Q1'"):
        planning.chosen_quarter(store, "2031Q1")
    with pytest.raises(DataError, match="no measure in 2026Q2 has them"):
        review_network(store, measures=["oss"])


def test_an_earlier_quarter_looks_no_further(store):
    mine = review_network(store, quarter="2025Q3", measures=["nprs"])
    theirs = review_quarter(store.caseload(), quarter="2025Q3", measures=["nprs"])
    assert relative(mine.summary["estimate"], theirs.summary["estimate"]) < 1e-9
    assert isinstance(mine.left_out, pd.DataFrame) and mine.left_out.empty
