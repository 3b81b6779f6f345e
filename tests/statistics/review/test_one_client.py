"""One client seen whole: a worsening, a levelled and a gaining one, and those hardly measured."""

import re

import numpy as np
import pandas as pd
import pytest

from outcomes import look_at_client
from outcomes.errors import ArgumentError, DataError
from outcomes.measures import catalogue
from outcomes.reporting import client_page, client_sheet
from outcomes.reporting.client_words import (
    WARNING_SIGNS,
    best_guess,
    plain_name,
    words_for_client,
)
from outcomes.statistics.review.pressing import most_pressing

DETAILS = (
    client_page.verdicts,
    client_page.sides,
    client_page.kept,
    client_page.standing,
    client_page.exercise,
    client_page.events,
)


def first_with(meeting, state):
    rows = most_pressing(meeting.plateau)
    rows = rows[(rows["state"] == state) & (rows["n_visits"] >= 4)]
    return rows.sort_values("chance_of_state", ascending=False)["client"].iloc[0]


@pytest.fixture(scope="module")
def worsening(review, caseload):
    client = review.clients.loc[review.clients["model_verdict"] == "worse", "client"].iloc[0]
    return look_at_client(caseload, client)


@pytest.fixture(scope="module")
def levelled(meeting, caseload):
    return look_at_client(caseload, first_with(meeting, "levelled off short of the line"))


@pytest.fixture(scope="module")
def gaining(meeting, caseload):
    return look_at_client(caseload, first_with(meeting, "still gaining"))


def a_few(caseload, client):
    """Keep the client and five others: too few for a model, and quick."""
    few = [client, *caseload.clients["client"].head(5)]
    names = ("clients", "visits", "measurements", "home_exercise", "events")
    tables = {t: caseload.tables[t] for t in names}
    return caseload.with_tables(**{t: x[x["client"].isin(few)] for t, x in tables.items()})


def said(view):
    return "\n".join(" ".join([s.text, *s.items, s.then]) for s in words_for_client(view))


def without_pictures(text):
    return re.sub(r"base64,[^\"]+", "", text)


def pages(view):
    parts = [client_sheet.sheet(view), *(part(view) for part in DETAILS)]
    return without_pictures("".join(part.text for part in parts))


def test_declines_come_first_and_agree_with_the_caseload(worsening, review):
    assert worsening.measures[0].verdict["worse"]
    theirs = review.clients.set_index(["client", "measure"])["improvement"]
    for m in worsening.measures:
        key = (worsening.client, m.measure.code)
        if key in theirs.index:
            assert m.verdict["improvement"] == pytest.approx(theirs.loc[key])


def test_the_course_passes_through_the_readings(worsening):
    for m in worsening.measures:
        before = m.visits[m.visits["moment"] == "before"]
        course = np.interp(before["week"], m.course["week"], m.course["estimate"])
        spread = m.next_visit["ci_high"] - m.next_visit["ci_low"]
        assert np.abs(course - before["value"]).mean() < spread
        assert m.next_visit["week"] > before["week"].max()
        assert (m.course["ci_low"] < m.course["estimate"]).all()


def test_a_next_reading_stays_on_its_scale(gaining, levelled):
    for m in (*gaining.measures, *levelled.measures):
        assert m.next_visit["ci_low"] >= m.measure.hard_min
        assert m.next_visit["ci_high"] <= m.measure.hard_max


def test_a_decline_is_told_first_and_with_the_caution(worsening):
    short = client_sheet.in_short(worsening).text
    assert short.index("Worse:") < short.index("Look at this first")
    assert "refer promptly" in short and "licence" in short
    words = words_for_client(worsening)
    assert words[0].text.startswith("Worse than at your first visit")
    assert "before we go on as before" in words[0].then
    assert plain_name(worsening.measures[0].measure) in words[0].items[0]
    assert words[-1].text == WARNING_SIGNS


def test_a_levelled_client_is_not_promised_more(levelled):
    short = client_sheet.in_short(levelled).text
    assert "Levelled off short of an important change" in short
    states = {m.measure.code: m.standing["state"] for m in levelled.measures}
    promised = re.search(r"some more gain is likely in (.*) over the next", said(levelled))
    for m in levelled.measures:
        if states[m.measure.code] != "still gaining" and promised:
            assert plain_name(m.measure) not in promised[1]


def test_a_gaining_client_hears_what_is_likely_and_not_certain(gaining):
    text = said(gaining)
    assert "Better than at your first visit" in text and "Likely, not certain." in text
    assert "Worse" not in text
    assert "refer promptly" not in client_sheet.in_short(gaining).text or len(gaining.events)


def test_every_page_is_whole(worsening, levelled, gaining):
    for view in (worsening, levelled, gaining):
        text = pages(view)
        assert not re.search(r"\bnan\b|None|NaT", text)
        assert len(client_page.courses(view).pictures) == len(view.measures)
        names = [m.measure.name for m in view.measures]
        assert all(text.count(name) >= 2 for name in names)
        assert "no proof" in text.lower()


def test_a_client_measured_once_gets_a_start_and_no_verdict(caseload):
    visits = caseload.measurements.groupby("client")["visit"].nunique()
    view = look_at_client(caseload, visits.index[visits == 1][0])
    assert view.measures == () and view.once and view.profile.empty
    text = pages(view)
    assert "no change can be judged" in text and "Measured once so far" in text
    assert "start to measure against" in said(view) and WARNING_SIGNS in said(view)
    assert not re.search(r"\bnan\b|None|NaT|Better|Worse", text)


def test_two_visits_are_no_ground_to_build_on(caseload):
    visits = caseload.visits.groupby("client")["visit"].nunique()
    measured = caseload.measurements.groupby("client")["visit"].nunique()
    later = caseload.visits.groupby("client")["episode"].max() > 1
    both = visits.index[(visits == 2) & (measured.reindex(visits.index) == 2) & ~later]
    view = look_at_client(caseload, both[0])
    assert "Two visits only" in client_sheet.in_short(view).text
    assert not re.search(r"\bnan\b|None|NaT", pages(view))


def test_words_never_call_better_what_reads_worse(caseload):
    visits = caseload.measurements.groupby("client")["visit"].nunique()
    seen = 0
    for client in visits.index[visits == 2][:4]:
        view = look_at_client(caseload, client)
        told = {s.text: s.items for s in words_for_client(view)}
        better = [i for text, items in told.items() if "better" in text.lower() for i in items]
        for m in view.measures:
            if m.verdict["improvement"] < 0 < m.verdict["true_improvement"]:
                seen += 1
                assert not any(item.startswith(plain_name(m.measure)) for item in better)
                assert "point the other way" in client_sheet.in_short(view).text
        if seen:
            return
    raise AssertionError("no client whose readings and model point opposite ways")


def test_a_decline_in_the_latest_reading_alone_is_told_as_that(review, caseload):
    rows = review.clients
    rows = rows[rows["worse"] & (rows["model_verdict"] != "worse")]
    assert len(rows), "the synthetic quarter has a decline that all visits do not bear out"
    row = rows.iloc[0]
    view = look_at_client(caseload, row["client"])
    short = client_sheet.in_short(view).text
    assert "by first against latest only: measure again" in short
    found = next(m for m in view.measures if m.measure.code == row["measure"])
    assert best_guess(found) == pytest.approx(row["improvement"]) and best_guess(found) < 0
    assert "in the latest measurement; we measure again" in said(view)


def test_one_measure_no_diary_and_few_clients_leave_a_sensible_page(worsening, caseload):
    client, code = worsening.client, worsening.measures[0].measure.code
    rows = caseload.measurements
    one = caseload.with_tables(
        measurements=rows[(rows["client"] != client) | (rows["measure"] == code)],
        home_exercise=caseload.home_exercise[caseload.home_exercise["client"] != client],
    )
    view = look_at_client(one, client)
    assert len(view.measures) == 1 and view.adherence.empty
    text = pages(view)
    assert "No diary on record" in text and "Allowing for" not in text and "diary you" not in text
    view = look_at_client(a_few(caseload, client), client)
    assert all(m.standing is None for m in view.measures)
    text = pages(view)
    assert "too few visits in the caseload" in text and "no model: too few clients" in text
    assert not re.search(r"\bnan\b|NaT", text)


def test_sides_are_those_of_the_readings(caseload):
    rows = caseload.measurements
    rows = rows[rows["moment"].eq("before") & rows["measure"].eq("shoulder_external_rotation")]
    side = caseload.clients.set_index("client")["affected_side"]
    sided = rows[rows["side"].isin(["left", "right"]) & (rows["client"].map(side) != "both")]
    per_side = sided.groupby(["client", "side"])["visit"].nunique().unstack().min(axis=1)
    client = per_side[per_side >= 2].index[0]
    view = look_at_client(a_few(caseload, client), client, episode=1)
    row = view.sides.set_index("measure").loc["shoulder_external_rotation"]
    other = {"left": "right", "right": "left"}[side[client]]
    mine = sided[(sided["client"] == client) & (sided["side"] == other)]
    mine = mine[(mine["mode"] == row["mode"]) & (mine["instrument"] == row["instrument"])]
    by_visit = mine.groupby("visit")["value"].mean()
    assert row["affected_side"] == side[client]
    assert row["other_latest"] == pytest.approx(by_visit.iloc[-1])
    assert row["latest_deficit"] == pytest.approx(row["other_latest"] - row["affected_latest"])
    assert "Affected side" in client_page.sides(view).text


def test_an_earlier_episode_is_named(caseload):
    later = caseload.visits.loc[caseload.visits["episode"] == 2, "client"].iloc[0]
    view = look_at_client(a_few(caseload, later), later)
    assert view.episode == 2
    text = client_sheet.in_short(view).text
    assert "episode 2" in text and "1 earlier episode" in text


def test_events_are_those_of_the_episode(caseload):
    client = caseload.events["client"].iloc[0]
    day = caseload.visits.loc[caseload.visits["client"] == client, "date"].min()
    early = caseload.events.iloc[[0]].assign(date=day - pd.Timedelta(days=400))
    few = a_few(caseload, client)
    more = few.with_tables(events=pd.concat([few.events, early], ignore_index=True))
    view = look_at_client(more, client, episode=1)
    assert 1 <= len(view.events) < (more.events["client"] == client).sum()
    assert "Unwanted events on record" in client_sheet.in_short(view).text
    assert "tell us or a doctor at once" in said(view)


def test_every_measure_has_words_for_a_client():
    for code, measure in catalogue.measures().items():
        words = plain_name(measure)
        assert words and "_" not in words and words[0].islower(), code


def test_unknown_clients_are_refused_without_naming_them(caseload):
    with pytest.raises(ArgumentError, match="must be a code of the caseload") as error:
        look_at_client(caseload, "Ms Example")
    assert "Example" not in str(error.value)
    with pytest.raises(ArgumentError, match="episode"):
        look_at_client(caseload, caseload.clients["client"].iloc[0], episode=9)


def test_a_client_never_measured_is_refused(caseload):
    first = caseload.measurements["client"].iloc[0]
    keep = caseload.measurements["client"] != first
    bare = caseload.with_tables(measurements=caseload.measurements[keep])
    with pytest.raises(DataError, match="Measure at the next visit"):
        look_at_client(bare, first)
