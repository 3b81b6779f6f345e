"""One client seen whole: a worsening, a gaining and an unknown one."""

import numpy as np
import pytest

from outcomes import look_at_client
from outcomes.errors import ArgumentError, DataError
from outcomes.reporting import client_page


@pytest.fixture(scope="module")
def worsening(review, caseload):
    client = review.clients.loc[review.clients["model_verdict"] == "worse", "client"].iloc[0]
    return look_at_client(caseload, client)


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


def test_the_page_says_it_in_words(worsening):
    text = client_page.in_short(worsening).text
    assert "Worse beyond measurement error in" in text
    told = client_page.words_for_client(worsening).text
    assert "look at why before going on" in told and "not a diagnosis" in told
    for part in (client_page.verdicts, client_page.kept, client_page.standing):
        assert "nan" not in part(worsening).text
    assert len(client_page.courses(worsening).pictures) == len(worsening.measures)


def test_unknown_clients_are_refused_without_naming_them(caseload):
    with pytest.raises(ArgumentError, match="must be a code of the caseload") as error:
        look_at_client(caseload, "Ms Example")
    assert "Example" not in str(error.value)
    with pytest.raises(ArgumentError, match="episode"):
        look_at_client(caseload, caseload.clients["client"].iloc[0], episode=9)


def test_a_client_measured_once_is_refused(caseload):
    visits = caseload.measurements.groupby("client")["visit"].nunique()
    once = visits.index[visits == 1]
    if not len(once):
        first = caseload.measurements["client"].iloc[0]
        keep = (caseload.measurements["client"] != first) | (caseload.measurements["visit"] == 1)
        caseload, once = caseload.with_tables(measurements=caseload.measurements[keep]), [first]
    with pytest.raises(DataError, match="measured twice"):
        look_at_client(caseload, once[0])
