"""The plan's sentences and figures say what its formulas give."""

import re
from html import unescape

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.reporting import planning_page
from outcomes.reporting.figures import power_figure
from outcomes.reporting.planning_inputs import learn
from outcomes.reporting.planning_protocol import protocol
from outcomes.statistics.planning import (
    clients_two_groups,
    power_curve,
    power_paired,
    simulate_slope,
    smallest_detectable,
)


@pytest.fixture(scope="module")
def inputs(caseload):
    return learn(caseload, "cervical_rotation", quarter="2026Q2")


def text_of(part):
    return unescape(re.sub(r"<[^>]+>", " ", re.sub(r'src="data:[^"]+"', "", part._repr_html_())))


def test_inputs_are_those_of_the_caseload(caseload, review, inputs):
    from outcomes import judged_side, start_and_latest, visit_values

    values = judged_side(visit_values(caseload, measures=["cervical_rotation"]), caseload.clients)
    starters = start_and_latest(values, least_visits=1)
    pairs = starters.dropna(subset=["latest_value"])
    change = pairs["latest_value"] - pairs["start_value"]
    assert inputs.sd == pytest.approx(change.std())
    assert inputs.drop_out == pytest.approx(1 - len(pairs) / len(starters))
    assert inputs.n_now == next(
        m.flow["analysed"] for m in review.measures if m.measure.code == "cervical_rotation"
    )
    ends = inputs.sd * np.sqrt((len(pairs) - 1) / stats.chi2.ppf([0.9, 0.1], len(pairs) - 1))
    assert (inputs.sd_low, inputs.sd_high) == pytest.approx(tuple(ends))
    assert 0 <= inputs.practitioner_icc < 1 and inputs.practitioners == 4


def test_what_is_given_comes_before_what_is_learnt(caseload):
    given = learn(caseload, "cervical_rotation", quarter="2026Q2", sd=12, drop_out=0.2)
    assert (given.sd, given.drop_out) == (12.0, 0.2)
    assert len([n for n in given.notes if "was given" in n]) == 2
    course = given.course([0, 4, 8])
    assert (1 - course.stopping) ** 2 == pytest.approx(0.8)


def test_a_planted_course_is_learnt_again(caseload, inputs):
    """Simulated clients with known spreads of level, slope and error, on the planned weeks."""
    from outcomes.reporting.planning_inputs import _course
    from outcomes.statistics.planning import Course
    from outcomes.statistics.planning.simulation import study

    course = Course(weeks=tuple(range(8)), intercept_sd=9, slope_sd=1.2, error_sd=4)
    rows = study(300, 1.0, course, np.random.default_rng(5), jitter=0.0)
    rows = rows.assign(episode=1, side="left", mode="active", instrument="g")
    series = ["client", "episode", "side", "mode", "instrument"]
    found, notes = _course(rows, rows[series].drop_duplicates(), 12.0)
    assert not notes
    assert found["intercept_sd"] == pytest.approx(9, rel=0.15)
    assert found["slope_sd"] == pytest.approx(1.2, rel=0.15)
    assert found["error_sd"] == pytest.approx(4, rel=0.05)


def test_the_sentence_on_what_can_be_seen_keeps_its_word(inputs):
    text = text_of(planning_page.can_be_seen(inputs, power=0.8))
    seen, unseen = re.search(r"of ([\d.]+)°, not ([\d.]+)°", text).groups()
    least = smallest_detectable(inputs.n_now, sd=inputs.sd)
    assert float(seen) == pytest.approx(least, abs=0.05)
    assert power_paired(inputs.n_now, difference=least, sd=inputs.sd) == pytest.approx(0.8)
    assert power_paired(inputs.n_now, difference=float(unseen), sd=inputs.sd) < 0.3
    assert f"{inputs.n_now} clients" in text


def test_precision_and_plans_list_clients(inputs):
    text = text_of(planning_page.precision(inputs, half_width=2.0))
    assert "Mean change to ±2.0°" in text and "Wilson" in text
    # Cohen 1988: d = 0.5, two-sided 5%, power 80%: 64 a group
    plan = clients_two_groups(difference=5.0, sd=10.0)
    shown = text_of(planning_page.plans({"Two groups": plan}, inputs, difference=5.0))
    assert re.search(r"Two groups\s+128\s+64\s+128", shown)


def test_the_power_figure_names_the_number_needed():
    curve = power_curve(lambda n: power_paired(n, difference=0.5, sd=1), sizes=range(4, 60))
    picture = power_figure({"half an SD": curve}, title="x", here=20)
    # Cohen 1988: 34 pairs for d = 0.5, two-sided 5%, power 80%
    assert "half an SD: 80% from 34 clients" in picture.alt
    now = power_paired(20, difference=0.5, sd=1)
    assert f"{now * 100:.0f}% with 20" in picture.alt
    short = power_figure({"half an SD": curve.head(10)}, title="x")
    assert "under 80% up to 13 clients" in short.alt


def test_power_curves_reach_the_wanted_power(inputs):
    for groups, words in ((1, "in one group"), (2, "between two groups")):
        alt = planning_page.power_curves(inputs, difference=5.0, groups=groups).alt
        assert words in alt and alt.count("80% from") == 3


def test_a_course_is_told_with_its_simulation(inputs):
    from outcomes.statistics.planning import clients_for_slope

    course = inputs.course([0, 3, 6, 9])
    plan = clients_for_slope(slope=1.5, course=course, groups=2)
    rng = np.random.default_rng(1)
    simulated = simulate_slope(plan.n_per_group, slope=1.5, course=course, rng=rng, groups=2,
                               studies=20)  # fmt: skip
    text = text_of(planning_page.course_words(plan, simulated, inputs, weeks=9))
    assert "difference of 13.5°" in text and f"{plan.n_per_group} clients must start" in text
    assert "Of 20 simulated studies" in text


def test_more_single_cases_show_more():
    text = planning_page.single_cases(
        rng=np.random.default_rng(1), clients=(3, 8), studies=150
    ).text
    power = [int(x) for x in re.findall(r">(\d+)%</td>", text)]
    assert len(power) == 2 and power[1] > power[0] + 10


def test_practitioners_who_differ_more_are_needed_in_larger_number(inputs):
    text = planning_page.practitioners(inputs, difference=5.0).text
    needed = [int(x) for x in re.findall(r'<td class="right">(\d+)</td><td', text)][::2]
    assert needed == sorted(needed) and needed[-1] > needed[0]


def test_assurance_lies_below_the_power_at_one_difference(inputs):
    plan = clients_two_groups(
        difference=5.0, sd=inputs.latest_sd, start_correlation=inputs.correlation
    )
    found, words = planning_page.assured(
        inputs, n=plan.n_per_group, difference=[3.0, 7.0], rng=np.random.default_rng(1)
    )
    assert found.assurance < plan.achieved
    assert f"{found.assurance * 100:.0f}% to show it" in words.text


def test_the_protocol_holds_the_plan(inputs):
    plan = clients_two_groups(difference=5.0, sd=10.0, drop_out=0.25)
    text = text_of(protocol(plan, inputs, weeks=[0, 6, 12]))
    assert "64 clients in each group must be analysed" in text
    assert f"{plan.n_to_recruit:,} are recruited" in text and plan.n_to_recruit == 172
    assert "weeks 0, 6 and 12" in text and "ethical approval" in text
    assert "assurance" not in text


def test_the_inputs_are_listed(inputs):
    text = text_of(planning_page.inputs_table(inputs))
    assert "SD of the change" in text and "nan" not in text
    assert isinstance(inputs.table, pd.DataFrame)
