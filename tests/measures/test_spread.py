"""Published values are pooled only where that is fair, and then as a reference tool does it."""

import json
from math import exp, log
from pathlib import Path

import numpy as np
import pytest

from outcomes.measures.spread import between_variance, pool, threshold_spread

REFERENCE = Path(__file__).parents[1] / "reference" / "random_effects" / "bcg.json"


def test_pooling_agrees_with_the_reference_tool():
    # 13 trials of BCG vaccine (Colditz et al. 1994, JAMA 271:698), R metafor 3.8.1, bcg.R
    reference = json.loads(REFERENCE.read_text(encoding="utf-8"))
    effects, variances = np.array(reference["yi"]), np.array(reference["vi"])
    assert between_variance(effects, variances) == pytest.approx(reference["tau2"], rel=1e-4)
    mean, half, prediction = pool(effects, variances, 0.95)
    assert mean == pytest.approx(reference["estimate"], rel=1e-5)
    assert mean - half == pytest.approx(reference["ci_low"], rel=1e-5)
    assert mean + half == pytest.approx(reference["ci_high"], rel=1e-5)
    assert prediction > half


def test_equal_weights_are_the_t_interval():
    # scipy.stats.t: 0.975 quantile at 2 df is 4.302653
    mean, half, prediction = pool(np.array([1.0, 2.0, 3.0]), None, 0.95)
    assert mean == 2
    assert half == pytest.approx(4.302653 / 3**0.5, rel=1e-6)
    assert prediction == pytest.approx(4.302653 * (1 + 1 / 3) ** 0.5, rel=1e-6)


def test_no_spread_between_studies_gives_zero():
    assert between_variance(np.array([1.0, 1.0, 1.0]), np.ones(3)) == 0


def test_important_changes_of_the_neck_index():
    spread = threshold_spread("ndi", kind="minimal_important_change")
    values = [2 * 3.5, 2 * 3.5, 2 * 7, 2 * 7, 2 * 7.5, 2 * 8.5, 19.0]
    assert sorted(spread.studies["value"]) == values
    assert spread.estimate == pytest.approx(exp(np.mean([log(v) for v in values])))
    assert spread.other_study_low < spread.ci_low < spread.estimate < spread.ci_high
    assert "equal weights" in spread.method


def test_sizes_of_studies_are_used_where_all_are_known():
    spread = threshold_spread(
        "cervical_rotation", kind="standard_error_of_measurement", rater="same rater"
    )
    assert spread.estimate is None  # two studies only
    assert (spread.minimum, spread.maximum) == (
        pytest.approx(2.9, abs=0.1),
        pytest.approx(4.1, abs=0.1),
    )


def test_unlike_studies_are_not_pooled():
    spread = threshold_spread("shoulder_flexion", kind="minimal_detectable_change")
    assert spread.estimate is None
    assert spread.method == "range over studies"
    assert any("differ in mode" in note for note in spread.notes)
    assert spread.n_studies == 4
    passive = threshold_spread("shoulder_flexion", kind="minimal_detectable_change", mode="passive")
    assert passive.n_studies == 2


def test_doubtful_figures_stay_out():
    spread = threshold_spread("shoulder_external_rotation", kind="standard_error_of_measurement")
    assert spread.maximum < 10  # the doubtful 31 deg is not among them


def test_nothing_published_gives_none():
    assert threshold_spread("pull_up", kind="minimal_detectable_change") is None
    assert threshold_spread("dash", kind="minimal_detectable_change", instrument="tape") is None
