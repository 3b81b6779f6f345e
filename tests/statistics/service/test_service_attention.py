import pandas as pd
import pytest

from outcomes.errors import DataError
from outcomes.glossary import check_result
from outcomes.statistics.service import attention_list
from outcomes.statistics.service.attention import REASONS


def visit(client, date, attended=True, end_reason=None, episode=1):
    return {
        "client": client,
        "episode": episode,
        "date": pd.Timestamp(date),
        "attended": attended,
        "end_reason": end_reason,
    }


@pytest.fixture
def visits():
    return pd.DataFrame(
        [
            visit("regular", "2026-06-26"),
            visit("away", "2026-05-10"),
            visit("away-said-so", "2026-05-10", end_reason="stopped coming"),
            visit("discharged", "2026-05-10", end_reason="discharged"),
            visit("booked", "2026-05-10"),
            visit("booked", "2026-07-03", attended=None),
            visit("no-show", "2026-05-01"),
            visit("no-show", "2026-06-20", attended=False),
            visit("long-ago", "2026-01-10"),
        ]
    ).astype({"attended": "boolean"})


@pytest.fixture
def values():
    rows = [("regular", "2026-04-20"), ("away", "2026-05-10"), ("booked", "2026-06-25")]
    frame = pd.DataFrame(rows, columns=["client", "date"]).assign(episode=1, measure="ndi")
    frame["date"] = pd.to_datetime(frame["date"])
    fresh = frame.head(1).assign(date=pd.Timestamp("2026-06-26"), measure="nprs")
    return pd.concat([frame, fresh], ignore_index=True)


def reasons(found):
    return {tuple(row) for row in found[["client", "reason"]].itertuples(index=False)}


def test_each_reason_finds_its_clients_and_no_others(visits, values):
    judged = pd.DataFrame(
        {
            "client": ["regular", "away", "long-ago"],
            "episode": 1,
            "measure": "ndi",
            "improvement": [-12.0, 3.0, -20.0],
            "minimal_detectable_change": 8.0,
            "worsened": pd.array([True, None, True], dtype="boolean"),
        }
    )
    events = pd.DataFrame(
        {
            "client": ["regular", "booked", "away"],
            "date": pd.to_datetime(["2026-04-05", "2026-06-01", "2026-03-31"]),
            "event": ["soreness", "dizziness", "soreness"],
            "severity": ["mild", "severe", "mild"],
        }
    )
    levelled = pd.DataFrame(
        {"client": ["regular", "discharged"], "episode": 1, "measure": "cervical_rotation"}
    )
    found = attention_list(
        visits,
        quarter="2026Q2",
        values=values,
        judged=judged,
        events=events,
        levelled_off=levelled,
        as_of="2026-06-30",
    )
    worse, event, level, stopped, overdue = REASONS
    assert reasons(found) == {
        ("regular", worse),
        ("regular", event),
        ("booked", event),
        ("regular", level),
        ("away", stopped),
        ("away-said-so", stopped),
        ("no-show", stopped),
        ("regular", overdue),
    }
    assert found["reason"].tolist() == sorted(found["reason"], key=REASONS.index)
    assert found.loc[found["reason"] == event, "severity"].tolist() == ["severe", "mild"]
    late = found[found["reason"] == overdue].iloc[0]
    assert (late["measure"], late["days"]) == ("ndi", 71)
    check_result(found.columns)


def test_the_list_holds_codes_only(visits, values):
    found = attention_list(visits, quarter="2026Q2", values=values)
    assert not any(pd.api.types.is_datetime64_any_dtype(found[name]) for name in found)


def test_records_that_end_early_do_not_make_everyone_silent(visits, values):
    early = visits[visits["date"] < "2026-05-12"]
    found = attention_list(early, quarter="2026Q2", values=values)
    # the last recorded day is 10 May: ten days of silence are no silence
    assert found.empty


def test_nothing_to_speak_about_is_an_empty_list_with_columns(visits, values):
    found = attention_list(visits.head(0), quarter="2026Q2", values=values)
    assert found.empty and "reason" in found
    with pytest.raises(DataError, match="the judged changes must have the column"):
        attention_list(visits, quarter="2026Q2", values=values, judged=values)
