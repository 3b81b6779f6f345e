"""Scores agree with the published rules, worked by hand; blanks follow the rule of each form."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.measures import get, measures
from outcomes.measures.questionnaires import (
    answer_faults,
    score,
    score_forms,
    scored_codes,
    variants,
)


def form(answers, *, first_item=1, client="C1", episode=1, visit=1):
    answers = list(answers)
    return pd.DataFrame(
        {
            "client": client,
            "episode": episode,
            "visit": visit,
            "item": range(first_item, first_item + len(answers)),
            "answer": np.array([np.nan if a is None else a for a in answers], dtype=float),
        }
    )


def value(code, answers, **how):
    first = how.pop("first_item", 1)
    return score(code, form(answers, first_item=first), **how)["value"].iloc[0]


@pytest.mark.parametrize(
    ("code", "answers", "variant", "expected"),
    [
        # QuickDASH (Beaton 2005; scoring sheet): (sum / n - 1) * 25; sum 28 over 11
        ("quickdash", [1, 2, 3, 4, 5, 1, 2, 3, 4, 1, 2], None, (28 / 11 - 1) * 25),
        ("quickdash", [1] * 11, None, 0),
        ("quickdash", [5] * 11, None, 100),
        ("quickdash", [None, *[3] * 10], None, 50),
        # DASH (scoring instructions, 2002 method): 27 of 30 are enough
        ("dash", [2] * 27 + [None] * 3, None, 25),
        ("dash", [1] * 15 + [5] * 15, None, 50),
        # NDI (Vernon & Mior 1991): 100 * sum / (5 * sections answered)
        ("ndi", [3] * 10, None, 60),
        ("ndi", [0, 1, 2, 3, 4, 5, 0, None, 2, 1], None, 100 * 18 / 45),
        ("ndi", [1] * 10, "points of 50", 10),
        ("ndi", [2, 2, 2, 2, 2, 2, 2, None, 2, 2], "points of 50", 20),
        # SPADI (Roach 1991): mean of the two subscale percentages; or 100 * sum / 130
        ("spadi", [10] * 5 + [0] * 8, None, 50),
        ("spadi", [10] * 5 + [0] * 8, "sum of 130", 100 * 50 / 130),
        ("spadi", [6, 7, 8, 9, 10, *[4] * 8], "pain", 80),
        ("spadi", [6, 7, 8, 9, 10, *[4] * 8], "disability", 40),
        ("spadi", [6, 7, 8, 9, 10, *[4] * 8], None, 60),
        ("spadi", [6, None, 8, None, 10, *[4] * 6, None, None], None, (80 + 40) / 2),
        # ODI (Fairbank & Pynsent 2000): 100 * sum / (5 * sections answered)
        ("odi", [1, 2, 3, 4, 5, 0, 1, 2, None, 3], None, 100 * 21 / 45),
        # Roland & Morris 1983: count of the statements ticked; a blank counts as no
        ("rmdq", [1] * 7 + [0] * 17, None, 7),
        ("rmdq", [1] * 7 + [None] * 17, None, 7),
        # Simple Shoulder Test: count of yes, or percent of the answered
        ("sst", [1] * 9 + [0] * 3, None, 9),
        ("sst", [1] * 9 + [0] * 3, "percent", 75),
        ("sst", [1] * 6 + [0] * 2 + [None] * 4, "percent", 75),
        # TSK-11 (Woby 2005): sum of 11 items from 1 to 4
        ("tsk11", [4] * 11, None, 44),
        ("tsk11", [1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3], None, 26),
        ("tsk11", [2] * 10 + [None], None, 22),
        # ASES, client part (from memory): (10 - pain) * 5 + sum * 5 / 3
        ("ases", [4, *[2] * 10], None, (10 - 4) * 5 + 20 * 5 / 3),
        ("ases", [0, *[3] * 10], None, 100),
        # Oxford Shoulder Score (from memory): sum 0 to 48; the older 12 to 60
        ("oss", [4] * 12, None, 48),
        ("oss", [3] * 10 + [None] * 2, None, 36),
        ("oss", [2] * 12, "12 to 60", 24),
        # UEFI-20 (Stratford 2001, from memory), UEFS (Pransky 1997, from memory): sums
        ("uefi20", [3] * 20, None, 60),
        ("uefs", [1, 2, 3, 4, 5, 6, 7, 8], None, 36),
        # ULFI (from memory): 100 - 4 * count
        ("ulfi", [1] * 10 + [0] * 15, None, 60),
        ("ulfi", [0.5] * 2 + [0] * 23, None, 96),
        # COMI: five domains on 0 to 10, mean; worse of neck and arm pain; (x - 1) * 2.5
        ("comi_neck", [6, 8, 3, 2, 4, 1, 5], None, (8 + 5 + 2.5 + 7.5 + 5) / 5),
        # PSFS (Stratford 1995): mean of the activities named
        ("psfs", [2, 4, 6, None, None], None, 4),
        ("psfs", [2, 4, 6], "version 2.0", 6),
        ("nprs", [7], None, 7),
        ("nprs", [2, 4, 6], "mean of three", 4),
        ("vas", [63.5], None, 63.5),
        ("groc", [-3], None, -3),
    ],
)
def test_worked_by_hand(code, answers, variant, expected):
    assert value(code, answers, variant=variant) == pytest.approx(expected, abs=1e-12)


def test_modules_are_scored_apart():
    # DASH and QuickDASH modules: 4 items, (mean - 1) * 25, all 4 needed
    assert value("dash", [1, 2, 3, 4], first_item=35, variant="sport or music module") == 37.5
    assert value("quickdash", [5, 5, 5, 5], first_item=12, variant="work module") == 100
    assert np.isnan(value("dash", [1, 2, 3, None], first_item=31, variant="work module"))


@pytest.mark.parametrize(
    ("code", "answers", "reason"),
    [
        ("quickdash", [3] * 9 + [None] * 2, "9 of 11 items answered, 10 needed"),
        ("dash", [3] * 26 + [None] * 4, "26 of 30 items answered, 27 needed"),
        ("ndi", [3] * 7 + [None] * 3, "7 of 10 items answered, 8 needed"),
        ("spadi", [1, 1, None, None, None, *[1] * 8], "2 of items 1 to 5 answered, 3 needed"),
        ("spadi", [1] * 10 + [None] * 3, "5 of items 6 to 13 answered, 6 needed"),
        ("tsk11", [1] * 9 + [None] * 2, "9 of 11 items answered, 10 needed"),
        ("oss", [1] * 9 + [None] * 3, "9 of 12 items answered, 10 needed"),
        ("sst", [1] * 11 + [None], "11 of 12 items answered, 12 needed"),
        ("rmdq", [None] * 24, "0 of 24 items answered, 1 needed"),
        ("comi_neck", [None, None, 1, 1, 1, 1, 1], "5 of 7 items answered, 7 needed"),
    ],
)
def test_no_score_has_its_reason(code, answers, reason):
    row = score(code, form(answers)).iloc[0]
    assert np.isnan(row["value"])
    assert row["reason"] == reason
    assert not row["complete"]


def test_absent_rows_count_as_blanks():
    answers = form([3] * 11)
    assert score("quickdash", answers.drop(index=4))["value"].iloc[0] == 50
    assert np.isnan(score("quickdash", answers.drop(index=[4, 5]))["value"].iloc[0])


def test_activities_are_fixed_at_the_start():
    answers = pd.concat(
        [
            form([2, 4, 6, None, None], visit=1),
            form([4, 6, None, 9, None], visit=4),  # activity 4 was not named at the start
            form([8, 8, 8], visit=6),
            form([None, 5, None], visit=1, episode=2),
            form([3, 7], visit=3, episode=2),
        ],
        ignore_index=True,
    )
    table = score("psfs", answers)
    assert table["value"].tolist() == [4, 5, 8, 5, 7]
    assert table["n_items"].tolist() == [3, 3, 3, 1, 1]
    assert table["complete"].tolist() == [True, False, True, True, True]


def test_two_totals_differ_only_where_subscales_do():
    answers = form([5] * 13)
    both = [score("spadi", answers, variant=v)["value"].iloc[0] for v in variants("spadi")[:2]]
    assert both == [50, 50]


@pytest.mark.parametrize("code", sorted(measures()))
def test_rules_are_consistent(code):
    measure = get(code)
    for i, rule in enumerate(measure.rules):
        sizes = [g["items"][1] - g["items"][0] + 1 for g in rule["groups"]]
        assert sum(sizes) == rule["items"] >= rule["least"] >= 1
        assert rule["least_basis"] in ("published", "from memory", "common practice, no source")
        ends = [sum(g["to"][k] for g in rule["groups"]) for k in (0, 1)]
        lowest = sum(min(g["to"]) for g in rule["groups"])
        highest = sum(max(g["to"]) for g in rule["groups"])
        assert len(ends) == 2 and lowest < highest
        if i == 0:  # the default variant is the one that the caseload holds
            assert rule["unit"] == measure.unit
            assert (lowest, highest) == (measure.hard_min, measure.hard_max)
            if code != "psfs":
                assert rule["items"] == measure.items


def test_about_twenty_are_scored_and_the_others_say_why():
    assert len(scored_codes()) == 18
    for code in ("promis_pf", "uefi15"):
        with pytest.raises(ArgumentError, match="Record the total instead"):
            score(code, form([1]))
    with pytest.raises(ArgumentError, match="must be a questionnaire"):
        score("shoulder_flexion", form([1]))
    with pytest.raises(ArgumentError, match="variant must be one of 'percent', 'points of 50'"):
        score("ndi", form([1]), variant="points")


def test_wrong_answers_are_refused_together():
    answers = pd.concat([form([6, 0, 2.5]), form([1], first_item=11), form([1])], ignore_index=True)
    with pytest.raises(DataError, match="(?s)3 faults.*form's.*allows.*once a form") as caught:
        score("ndi", answers)
    assert caught.value.rows == (0, 2, 3, 4)
    with pytest.raises(DataError, match="answers must have the columns item, answer"):
        score("ndi", answers[["client", "episode", "visit"]])


def test_answer_faults_know_every_variant():
    item = np.array([15, 12, 1, 1, 20, 1.5])
    answer = np.array([5, 6, np.nan, 2.5, 1, 1])
    unknown, wrong = answer_faults("quickdash", item, answer)
    assert unknown.tolist() == [False, False, False, False, True, True]
    assert wrong.tolist() == [False, True, False, True, False, False]
    assert not answer_faults("oss", np.array([1.0]), np.array([0.0]))[1].any()
    assert not answer_faults("oss", np.array([1.0]), np.array([5.0]))[1].any()


def test_forms_of_many_questionnaires():
    answers = pd.concat(
        [
            form([3] * 10).assign(questionnaire="ndi"),
            form([3] * 11, visit=2).assign(questionnaire="quickdash"),
            form([3], visit=2).assign(questionnaire="promis_pf"),
        ],
        ignore_index=True,
    )
    table = score_forms(answers)
    assert dict(zip(table["measure"], table["value"], strict=True)) == {
        "ndi": 60.0,
        "quickdash": 50.0,
    }
    check_result(table.columns)
    empty = score_forms(answers.head(0))
    assert len(empty) == 0
    assert list(empty.columns) == list(table.columns)


@st.composite
def any_form(draw):
    code = draw(st.sampled_from(scored_codes()))
    variant = draw(st.sampled_from(variants(code)))
    rule = get(code).rules[variants(code).index(variant)]
    rows = []
    for group in rule["groups"]:
        low, high = group["range"]
        for item in range(group["items"][0], group["items"][1] + 1):
            rows.append((item, draw(st.one_of(st.none(), st.integers(low, high)))))
    return code, variant, rule, rows


@settings(max_examples=60, deadline=None)
@given(any_form())
def test_a_score_lies_on_its_scale_or_has_a_reason(drawn):
    code, variant, rule, rows = drawn
    answers = pd.DataFrame(rows, columns=["item", "answer"]).astype({"answer": float})
    table = score(code, answers.assign(client="C", episode=1, visit=1), variant=variant)
    low = sum(min(g["to"]) for g in rule["groups"])
    high = sum(max(g["to"]) for g in rule["groups"])
    row = table.iloc[0]
    if row["reason"]:
        assert np.isnan(row["value"])
    else:
        assert low - 1e-9 <= row["value"] <= high + 1e-9
    if all(answer is not None for _, answer in rows):
        assert row["complete"] and not row["reason"]


def test_many_forms_are_scored_at_once():
    n = 20_000
    rng = np.random.default_rng(4)
    answers = pd.DataFrame(
        {
            "client": np.repeat(np.arange(n).astype(str), 11),
            "episode": 1,
            "visit": 1,
            "item": np.tile(np.arange(1, 12), n),
            "answer": rng.integers(1, 6, 11 * n).astype(float),
        }
    )
    table = score("quickdash", answers)
    by_hand = (answers["answer"].to_numpy().reshape(n, 11).mean(axis=1) - 1) * 25
    order = pd.Index(np.arange(n).astype(str)).get_indexer(table["client"])
    assert np.allclose(table["value"], by_hand[order], rtol=1e-12)
