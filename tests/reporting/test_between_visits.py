"""The meeting's figure, what is kept between visits, and home exercise, as the report shows."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes import prepare_meeting
from outcomes.reporting import sections, sentences
from outcomes.reporting.figures import clients_courses_figure, saw_tooth_figure, standing_figure
from outcomes.reporting.wording import percent
from outcomes.statistics.individual_change import immediate_and_kept, saw_tooth
from outcomes.statistics.review.between_visits import exercise_links, kept_gains
from outcomes.statistics.review.own_course import next_readings, own_courses
from outcomes.statistics.review.pressing import PRESSING, most_pressing


@pytest.fixture(scope="module")
def pressing(meeting):
    return most_pressing(meeting.plateau)


def test_each_client_stands_once_by_the_measure_that_presses_most(meeting, pressing):
    assert not pressing.duplicated(["client", "episode"]).any()
    assert len(pressing) == meeting.plateau.groupby(["client", "episode"]).ngroups
    worst = meeting.plateau.assign(rank=meeting.plateau["state"].map(PRESSING.index))
    worst = worst.groupby(["client", "episode"])["rank"].min()
    for row in pressing.itertuples():
        assert PRESSING.index(row.state) == worst[row.client, row.episode]
    assert pressing["state"].map(PRESSING.index).is_monotonic_increasing


def test_the_dot_plot_counts_everybody_and_names_the_pressing(review, pressing):
    picture = standing_figure(pressing, review.measures)
    counts = pressing["state"].value_counts()
    for state in PRESSING[:4]:
        assert f"{counts[state]} {state}" in picture.alt
    worse = pressing.loc[pressing["state"] == "getting worse", "client"]
    assert len(worse) and all(client in picture.alt for client in worse)
    assert f"Not drawn: {counts[PRESSING[-1]]} clients" in picture.caption
    assert picture.svg.startswith("<svg") and "<script" not in picture.svg


def test_the_dot_plot_stays_readable_with_many_clients(review, pressing):
    many = pd.concat(
        [pressing.assign(client=pressing["client"] + f"-{i}") for i in range(6)], ignore_index=True
    )
    height = []
    for rows in (pressing, many):
        drawn = re.search(r'height="([\d.]+)pt"', standing_figure(rows, review.measures).svg)
        assert drawn
        height.append(float(drawn[1]))
    assert height[1] < 1.5 * height[0]
    assert height[1] < 740  # points: fits between the margins of an A4 page
    nobody = standing_figure(pressing[pressing["state"] == PRESSING[-1]], review.measures)
    assert "too little data" in nobody.alt


def test_small_pictures_tell_what_they_draw(review, pressing):
    shown = pressing.head(5)
    picture = clients_courses_figure(shown, review.measures, title="Some clients")
    assert all(client in picture.alt for client in shown["client"])
    row = shown.iloc[0]
    m = next(m for m in review.measures if m.measure.code == row["measure"])
    mine = (m.values["client"] == row["client"]) & (m.values["episode"] == row["episode"])
    assert f"in {int(mine.sum())} visits" in picture.alt


def test_own_courses_end_where_the_next_reading_is_expected(review):
    courses = review.measures[0].courses.only(slice(0, 6))
    lines = own_courses(courses, points=5).groupby("client", sort=False)
    ahead = next_readings(courses).set_index("client")
    for client, line in lines:
        last, reading = line.iloc[-1], ahead.loc[client]
        assert last["week"] == pytest.approx(reading["week"])
        assert last["estimate"] == pytest.approx(reading["estimate"])
        assert reading["ci_low"] < last["ci_low"] < last["ci_high"] < reading["ci_high"]


def test_kept_gains_are_those_of_the_measure_alone(review, meeting):
    assert list(meeting.kept) and "kept gains" not in meeting.notes
    code = list(meeting.kept)[-1]
    m = next(m for m in review.measures if m.measure.code == code)
    visits = meeting.kept[code].per_visit
    before = m.values.merge(visits[["client", "episode", "visit"]])
    after = before.assign(
        value=before.merge(visits)["value"]
        + m.measure.sign * before.merge(visits)["immediate_gain"]
    )
    again = immediate_and_kept(before, after, better=m.measure.better, link=False).summary
    shared = meeting.kept[code].summary.set_index("quantity").loc[again["quantity"]]
    np.testing.assert_allclose(shared["estimate"], again["estimate"])


def test_planted_shares_are_found_in_the_report(review, meeting):
    # planted for the synthetic clinic: shoulder flexion keeps 55 % of a gain to the next visit,
    # neck rotation 50 % (data_synthetic/scenario.toml)
    for code, planted in (("shoulder_flexion", 0.55), ("cervical_rotation", 0.50)):
        row = meeting.kept[code].summary.set_index("quantity").loc["share kept"]
        assert row["ci_low"] < planted < row["ci_high"]
        assert row["ci_high"] - row["ci_low"] < 0.2


def test_the_trend_is_that_of_the_mean_course(review, meeting):
    for code, found in meeting.kept.items():
        m = next(m for m in review.measures if m.measure.code == code)
        row = found.summary.set_index("quantity").loc["trend of the before level per week"]
        weeks = m.values.groupby(["client", "episode"])["week"].max().mean()
        line = m.course.line.set_index("week")["estimate"]
        there = np.interp(weeks, line.index, line.to_numpy())
        assert row["estimate"] == pytest.approx(
            m.measure.sign * (there - line.iloc[0]) / weeks, rel=0.01
        )
        assert row["ci_low"] < row["estimate"] < row["ci_high"]


def test_the_section_says_what_is_kept(review, meeting):
    text = sections.immediate_and_kept(review, meeting).text
    code, found = next(iter(meeting.kept.items()))
    share = found.summary.set_index("quantity").loc["share kept", "estimate"]
    assert f"of which {percent(share)}" in text and review.names[code] in text
    assert (
        "correlation" in text and "no outcome yet" in text and "nan" not in text.split("base64")[0]
    )
    for row in saw_tooth(found).itertuples():
        assert row.n >= 10
    picture = saw_tooth_figure({code: saw_tooth(found)}, {code: review.measures[0].measure})
    assert "mean gain within visits 1 to" in picture.alt


def test_a_link_that_cannot_be_told_is_not_told(review, meeting):
    code, found = next(iter(meeting.kept.items()))
    rows = found.summary.copy()
    at = rows["quantity"] == "correlation of immediate and lasting gain"
    rows.loc[at, ["estimate", "ci_low", "ci_high"]] = [0.1, -0.4, 0.6]
    rows.loc[rows["quantity"] == "immediate gain per visit", "ci_low"] = -0.2
    unsure = replace(meeting, kept={code: replace(found, summary=rows)})
    assert "cannot be told" in sentences.kept_link_sentences(review, unsure)[0]
    assert "no share of it to keep" in sentences.kept_sentence(review, unsure)
    assert "no clear gain to keep" in sections.immediate_and_kept(review, unsure).text


def test_home_exercise_is_told_with_its_caution(review, meeting):
    text = sections.home_exercise(review, meeting).text
    assert sentences.EXERCISE_CAUTION in text and "between clients" in text
    rows = meeting.exercise[meeting.exercise["quantity"] == "within client"]
    more = int((rows["ci_low"] > 0).sum())
    assert f"in {more} of {len(rows)} measures" in sentences.exercise_sentence(review, meeting)
    assert set(meeting.exercise["measure"]) <= set(review.names)


def test_without_readings_after_and_without_a_diary_it_says_so(review, caseload):
    before = caseload.measurements[caseload.measurements["moment"] == "before"]
    bare = caseload.with_tables(measurements=before, home_exercise=caseload.home_exercise.iloc[:0])
    without = replace(review, caseload=bare)
    found = prepare_meeting(without, rng=np.random.default_rng(1))
    assert found.kept == {} and found.exercise.empty
    text = sections.immediate_and_kept(without, found).text
    assert "Not shown: kept gains must rest on readings before and after treatment" in text
    assert (
        "Not shown: home exercise must be recorded" in sections.home_exercise(without, found).text
    )
    for compute in (kept_gains, exercise_links):
        with pytest.raises(Exception, match="must"):
            compute(without)
