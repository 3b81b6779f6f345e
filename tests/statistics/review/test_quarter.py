"""The quarter's review: who is in it, what is judged, and that it degrades with its data."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from outcomes import judged_side, review_quarter, visit_values
from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.review import episode_rows, prepare_meeting
from outcomes.statistics.service import eligible_episodes, quarter_dates


def test_only_clients_seen_in_the_quarter_are_judged(review, caseload):
    seen = pd.MultiIndex.from_frame(eligible_episodes(caseload.visits, quarter="2026Q2"))
    judged = pd.MultiIndex.from_frame(review.clients[["client", "episode"]])
    assert judged.isin(seen).all()
    assert (review.clients["latest_date"] <= quarter_dates("2026Q2")[1]).all()


def test_the_flow_never_grows_and_ends_with_those_judged(review):
    for m in review.measures:
        counts = list(m.flow.values())
        assert counts == sorted(counts, reverse=True)
        assert m.flow["analysed"] == len(m.judged) == m.improvement.n


def test_improvement_is_start_to_latest_in_the_good_direction(review, caseload):
    values = judged_side(visit_values(caseload), caseload.clients)
    for m in review.measures:
        row = m.judged.iloc[0]
        mine = values[
            (values["client"] == row["client"])
            & (values["episode"] == row["episode"])
            & (values["measure"] == m.measure.code)
            & (values["instrument"] == row["instrument"])
            & (values["date"] <= quarter_dates("2026Q2")[1])
        ].sort_values("visit")
        expected = (mine["value"].iloc[-1] - mine["value"].iloc[0]) * m.measure.sign
        assert row["improvement"] == pytest.approx(expected)


def test_declines_come_first(review):
    worse = review.clients["worse"].to_numpy()
    assert worse.sum() > 0
    assert worse[: worse.sum()].all()


def test_the_model_leads_and_the_cut_off_stands_beside_it(review):
    for m in review.measures:
        known = m.judged["chance_improved"].dropna()
        assert known.between(0, 1).all()
        if m.importance is not None:
            assert (m.judged["chance_important"] <= m.judged["chance_improved"] + 1e-9).all()
        assert m.judged["verdict"].ne("").all()
        assert set(m.judged["reconciliation"].dropna()) != {""}


def test_the_course_starts_where_clients_start(review):
    for m in review.measures:
        first = m.values.sort_values("visit").groupby(["client", "episode"])["value"].first()
        line = m.course.line
        spread = first.std() / np.sqrt(len(first))
        assert abs(line["estimate"].iloc[0] - first.mean()) < 4 * spread
        assert (line["ci_low"] < line["estimate"]).all() and (line["week"].diff()[1:] > 0).all()
        assert m.course.fit.converged


def test_a_mean_of_two_sides_has_less_error(review):
    flexion = next(m for m in review.measures if m.measure.code == "shoulder_flexion")
    error = flexion.everyone.groupby("side")["standard_error_of_measurement"].first()
    assert error["both"] == pytest.approx(error["left"] / np.sqrt(2))


def test_latest_is_the_quarter_of_the_last_visit(caseload):
    assert review_quarter(caseload, measures=["ndi"]).quarter == "2026Q2"


def test_unknown_and_empty_quarters_are_refused(caseload):
    with pytest.raises(ArgumentError, match="runs from 2025Q1 to 2026Q2"):
        review_quarter(caseload, quarter="2031Q1")
    with pytest.raises(ArgumentError):
        review_quarter(caseload, quarter="spring")
    with pytest.raises(DataError, match="at least 5000 clients measured twice"):
        review_quarter(caseload, least_clients=5000)


def test_rows_judge_an_episode_once_a_quarter_and_agree_with_the_review(review):
    rows = episode_rows(review, ["2026Q1", "2026Q2"])
    assert not rows.duplicated(["quarter", "client", "episode", "measure"]).any()
    now = rows[rows["quarter"] == "2026Q2"].set_index(["client", "episode", "measure"])
    then = review.clients.set_index(["client", "episode", "measure"])
    both = now.join(then, suffixes=("", "_review"), how="inner")
    assert len(both) == len(now)
    np.testing.assert_allclose(both["improvement"], both["improvement_review"])


def test_the_meeting_finds_what_was_planted(meeting):
    rounding = meeting.digits.set_index("rater")["flagged"]
    assert rounding["T3"] and rounding.sum() == 1
    drift = meeting.drift.set_index("instrument")
    assert drift["estimate"].idxmax() == "inclinometer 2" and drift.loc["inclinometer 2", "flagged"]
    assert meeting.notes == {}


def test_nobody_is_named_unless_asked(meeting):
    names = {"T1", "T2", "T3", "T4"}
    for found in meeting.practitioners.values():
        shown = found.groups.loc[found.groups["level"] == "practitioner", "group"]
        assert not names & set(shown)
    assert not names & set(meeting.funnel["group"])


def test_small_groups_are_hidden(meeting):
    hidden = meeting.groups["hidden"].astype(bool)
    shown = meeting.groups.loc[~hidden, "n"]
    assert (shown >= 10).all()
    assert meeting.groups.loc[hidden, ["observed", "estimate"]].isna().all(axis=None)


def test_a_bare_caseload_gets_the_rest_of_the_report(caseload):
    """One measure, no practitioner, no side tables: each absent part says why."""
    bare = caseload.with_tables(
        clients=caseload.clients.assign(
            clinic=None, practitioner=None, complaint=None, sex=None, birth_year=pd.NA
        ),
        visits=caseload.visits.assign(practitioner=None),
        events=caseload.events.iloc[:0],
        home_exercise=caseload.home_exercise.iloc[:0],
    )
    bare = dataclasses.replace(
        bare, sources=tuple(s for s in bare.sources if s.table in ("measurements", "visits"))
    )
    review = review_quarter(bare, measures=["nprs"])
    meeting = prepare_meeting(review, rng=np.random.default_rng(2))
    assert {"practitioners", "events", "home exercise", "groups"} <= set(meeting.notes)
    assert all(reason.endswith(".") for reason in meeting.notes.values())
    assert len(meeting.comparisons) and len(meeting.gain_charts) == 1


def test_clients_measured_once_can_be_overdue(review, caseload):
    """Whoever was measured at the start only is the first to be measured again."""
    seen = review.clients[review.clients["measure"] == "nprs"]
    early = seen["start_date"] <= pd.Timestamp("2026-05-01")
    late = seen["latest_date"] >= pd.Timestamp("2026-06-20")
    client, episode = seen.loc[early & late, ["client", "episode"]].iloc[0]

    def mine(table):
        return (table["client"] == client) & (table["episode"] == episode)

    readings, visits = caseload.measurements, caseload.visits
    later = mine(readings) & (readings["visit"] > 1)
    once = caseload.with_tables(
        measurements=readings[~later],
        visits=visits.assign(end_reason=visits["end_reason"].mask(mine(visits))),
    )
    again = review_quarter(once, quarter="2026Q2", measures=["nprs", "psfs"])
    assert client not in set(again.clients["client"])
    listed = prepare_meeting(again, rng=np.random.default_rng(3)).attention
    reasons = set(listed.loc[listed["client"] == client, "reason"])
    assert "overdue for re-measurement" in reasons
