"""The quarter's review: who is in it, what is judged, and that it degrades with its data."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes import (
    judged_side,
    read_settings,
    review_quarter,
    synthetic_settings,
    visit_values,
)
from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.review import episode_rows, prepare_meeting
from outcomes.statistics.review.over_time import (
    ALL_MEASURES,
    _flagged,
    self_starting_z,
    small_shifts,
    steps_at_changes,
)
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
    assert meeting.digits["flagged"].sum() == 1
    drift = meeting.drift.set_index("instrument")
    assert drift["estimate"].idxmax() == "inclinometer 2" and drift.loc["inclinometer 2", "flagged"]
    assert meeting.notes == {}


def test_nobody_is_named_unless_asked(meeting):
    names = {"T1", "T2", "T3", "T4"}
    for found in meeting.practitioners.values():
        shown = found.groups.loc[found.groups["level"] == "practitioner", "group"]
        assert not names & set(shown)
    assert not names & set(meeting.funnel["group"])
    assert not names & set(meeting.completeness["group"])
    for table in (meeting.digits, meeting.raters):
        assert set(table["rater"]) == {f"rater {i}" for i in range(1, 5)}
    assert not meeting.raters["compared_with"].str.contains("T").any()


def test_a_planted_change_moves_all_measures_together(review):
    """Longer first visits at one site, worth a fifth of a full gain: see scenario.toml."""
    settings = read_settings(synthetic_settings())
    steps = steps_at_changes(review, settings.changes).set_index("measure")
    together = steps.loc[ALL_MEASURES]
    assert together["flagged"] and 0 < together["ci_low"] < together["estimate"]
    assert (steps["notes"] == settings.changes[0].what).all()
    assert steps_at_changes(review, ()).empty


def test_a_measure_is_called_only_where_all_together_are():
    steps = pd.DataFrame({"measure": [ALL_MEASURES, "ndi", "nprs"], "notes": "moved house"})
    quiet = _flagged(steps.assign(p_value=[0.20, 0.0001, 0.9]), 0.05)
    assert quiet.tolist() == [False, False, False]
    moved = _flagged(steps.assign(p_value=[0.01, 0.0001, 0.9]), 0.05)
    assert moved.tolist() == [True, True, False]
    both = pd.concat([steps, steps.assign(notes="new couch")], ignore_index=True)
    once = _flagged(both.assign(p_value=[0.04, 0.01, 0.9, 0.9, 0.0001, 0.9]), 0.05)
    assert not once.any()  # 0.04 is no finding among two changes


def test_a_small_lasting_shift_is_seen_by_running_charts_before_single_quarters():
    """A fall by 0.3 of a client's SD in the last of three years, 30 clients a quarter."""
    quarters = np.repeat([f"{y}Q{q}" for y in (2023, 2024, 2025) for q in (1, 2, 3, 4)], 30)
    rows = pd.DataFrame({"quarter": quarters, "client": np.arange(360), "episode": 1})
    rows["measure"] = "ndi"
    fall = 2.5 * (np.arange(360) >= 240)
    running, single, worse = [], [], []
    for seed in range(60):
        rows["improvement"] = np.random.default_rng(seed).normal(10, 8, 360) - fall
        found = small_shifts(rows).set_index("chart")
        assert found["false_alarm"].between(0, 0.06).all()
        running.append(found.loc[["running mean", "running sum"], "signal"].any())
        single.append(found.loc["quarter's mean", "signal"])
        worse += found.loc[found["signal"], "direction"].tolist()
    assert np.mean(running) > 0.3 and np.mean(running) > 2 * np.mean(single)
    assert worse.count("worse") > 0.9 * len(worse)


def test_z_of_quarters_is_the_two_sample_t_against_all_before():
    rng = np.random.default_rng(8)
    parts = [rng.normal(5, 2, n) for n in (9, 14, 6)]
    mean, sd, n = (
        np.array([[f(p) for p in parts]]) for f in (np.mean, lambda p: p.std(ddof=1), np.size)
    )
    before = np.concatenate(parts[:2])
    t = (parts[2].mean() - before.mean()) / (before.std(ddof=1) * np.sqrt(1 / 6 + 1 / 23))
    expected = stats.norm.ppf(stats.t.cdf(t, 22))
    assert self_starting_z(mean, sd, n)[0, 1] == pytest.approx(expected, rel=1e-9)


def test_who_is_named_when_asked_is_who_was_planted(review):
    named = prepare_meeting(review, rng=np.random.default_rng(1), names_shown=True)
    rounding = named.digits.set_index("rater")["flagged"]
    assert rounding["T3"] and rounding.sum() == 1
    people = named.completeness[named.completeness["by"] == "practitioner"]
    assert set(people["group"]) == {"T1", "T2", "T3", "T4"}


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
