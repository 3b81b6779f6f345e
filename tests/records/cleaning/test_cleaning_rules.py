"""Each rule asks about what it is made for, and about nothing else."""

import numpy as np
import pandas as pd
import pytest

from outcomes.records.cleaning import RULES, clean
from outcomes.records.cleaning.records import Records
from outcomes.records.ledger import balance_faults


def asked(caseload, rule):
    """Positions that a rule names."""
    return RULES[rule](Records(caseload))["position"].tolist()


def series(values, **cells):
    return [{"visit": v, "value": float(x)} | cells for v, x in enumerate(values, start=1)]


def both_sides(lefts, rights, **cells):
    return [*series(lefts, side="left", **cells), *series(rights, side="right", **cells)]


def visit(number, day, **cells):
    date = pd.Timestamp("2026-01-01") + pd.Timedelta(days=day)
    return {"client": "C1", "episode": 1, "visit": number, "date": date} | cells


def test_a_clean_clinic_is_left_alone(caseload_of, clinic_readings):
    caseload = caseload_of(clinic_readings(40))
    cleaned = clean(caseload)
    assert cleaned.ledger.empty
    assert cleaned.measurements.equals(caseload.measurements)


def test_side_missing(caseload_of):
    rows = [{"side": None}, {"side": "midline"}, {}, {"measure": "nprs", "side": "midline"}]
    assert asked(caseload_of(rows), "side missing") == [0, 1]


def test_outside_the_soft_range(caseload_of):
    # soft limits of neck rotation in the catalogue: 30 to 95 deg
    rows = series([29, 30, 95, 96])
    assert asked(caseload_of(rows), "outside the soft range") == [0, 3]


def test_after_without_before(caseload_of):
    rows = [
        {"visit": 1},
        {"visit": 1, "moment": "after"},
        {"visit": 2, "moment": "after", "trial": 1},
        {"visit": 2, "moment": "after", "trial": 2},
        {"visit": 2, "side": "right"},
    ]
    assert asked(caseload_of(rows), "after without before") == [2]


def test_near_duplicates(caseload_of):
    pain = {"measure": "nprs", "side": "midline", "mode": None, "instrument": "form"}
    rows = [
        {**pain, "value": 4.0},
        {**pain, "value": 6.0, "trial": 2},  # a second answer at one visit
        {"value": 61.0},
        {"value": 61.0, "rater": "R2"},  # one trial under two raters
        {"value": 62.0, "trial": 2},
        {"value": 61.0, "mode": "passive"},
    ]
    assert asked(caseload_of(rows), "near duplicate") == [1, 3]


@pytest.mark.parametrize(
    ("rule", "column", "words"),
    [
        ("instrument changed", "instrument", ("inclinometer 1", "goniometer")),
        ("rater changed", "rater", ("R1", "R2")),
        ("active mixed with passive", "mode", ("active", "passive")),
    ],
)
def test_changes_within_a_client(caseload_of, rule, column, words):
    first, second = words
    changed = [{"visit": v, column: first if v < 3 else second} for v in range(1, 6)]
    assert asked(caseload_of(changed), rule) == [2]
    alternating = [{"visit": v, column: words[v % 2]} for v in range(1, 6)]
    assert asked(caseload_of(alternating), rule) == [1]
    together = [
        {"visit": v, column: w, "trial": 1 + i} for v in (1, 2) for i, w in enumerate(words)
    ]
    assert asked(caseload_of(together), rule) == []
    other_client = [{"client": f"C{v}", column: words[v % 2]} for v in range(4)]
    assert asked(caseload_of(other_client), rule) == []
    unknown = [{"visit": 1, column: first}, {"visit": 2, column: None}]
    assert asked(caseload_of(unknown), rule) == []


def test_raters_who_change_by_custom_are_one_question(caseload_of):
    rows = [
        {"client": f"C{c}", "visit": v, "rater": f"R{1 + (v + c) % 2}"}
        for c in range(20)
        for v in range(1, 4)
    ]
    found = RULES["rater changed"](Records(caseload_of(rows)))
    assert found["position"].tolist() == [-1]
    assert found["reason"].iloc[0].startswith("in 20 of 20 episodes")


def test_a_jump_is_named_where_it_starts(caseload_of):
    # default error of neck rotation 4.1 deg: detectable 11.36, three times 34.1
    assert asked(caseload_of(series([60, 61, 20, 60, 62])), "jump") == [2]
    assert asked(caseload_of(series([60, 61, 30, 60])), "jump") == []
    assert asked(caseload_of(series([90, 89, 50, 51, 52])), "jump") == [2]
    two = series([60, 20, 60, 20, 60])
    assert asked(caseload_of(two), "jump") == [1, 3]


def test_a_jump_without_published_error_rests_on_the_clinics_own_changes(
    caseload_of, clinic_readings
):
    rows = clinic_readings(30, measure="tragus_to_wall", start=14.0, unit="cm", instrument="tape")
    assert asked(caseload_of(rows), "jump") == []
    rows[8]["value"] += 40.0
    assert asked(caseload_of(rows), "jump") == [8]
    assert asked(caseload_of(rows[6:12]), "jump") == []  # too few changes to know


def test_a_jump_rests_on_the_clinics_own_threshold(caseload_of):
    from dataclasses import replace

    from outcomes.measures import OwnThreshold

    own = OwnThreshold(measure="cervical_rotation", kind="standard_error_of_measurement", value=1.0)
    caseload = caseload_of(series([60, 61, 45, 60]))
    assert asked(caseload, "jump") == []
    assert asked(replace(caseload, own_thresholds=(own,)), "jump") == [2]


def test_swapped_sides(caseload_of):
    # error of external rotation 6.8 deg; a turn of the difference must pass 4 x 2 x 6.8 = 54 deg
    kind = {"measure": "shoulder_external_rotation"}
    swapped = both_sides([40, 41, 80, 42], [80, 81, 41, 82], **kind)
    (found,) = asked(caseload_of(swapped), "swapped sides")
    assert swapped[found]["visit"] == 3
    true_change = both_sides([40, 41, 80, 81], [80, 81, 82, 83], **kind)
    assert asked(caseload_of(true_change), "swapped sides") == []
    equal_sides = both_sides([60, 62, 59, 61], [61, 60, 62, 60], **kind)
    assert asked(caseload_of(equal_sides), "swapped sides") == []


def test_two_visits_on_one_day(caseload_of):
    caseload = caseload_of(visits=[visit(1, 0), visit(2, 7), visit(3, 7)])
    assert asked(caseload, "two visits on one day") == [2]


@pytest.mark.parametrize(
    ("days", "later", "first"),
    [
        ([0, 7, 14, 21], [], []),
        ([0, 14, 7, 21], [1], []),  # one of the two must move: the fewest are named
        ([30, 7, 14, 21], [], [0]),
        ([0, 7, 380, 21, 28], [2], []),
        ([0, 7, 14, 400], [3], []),  # in order, but far from all others
        ([0, 400], [1], []),
        ([0, 7, 7, 14], [], []),
    ],
)
def test_order_of_visits(caseload_of, days, later, first):
    caseload = caseload_of(visits=[visit(i, day) for i, day in enumerate(days, start=1)])
    assert asked(caseload, "visit out of order") == later
    assert asked(caseload, "follow-up before its baseline") == first


def test_episodes_are_ordered_apart(caseload_of):
    visits = [visit(1, 0), visit(2, 7), visit(1, 500, episode=2), visit(2, 507, episode=2)]
    assert asked(caseload_of(visits=visits), "visit out of order") == []


def test_visit_after_discharge(caseload_of):
    visits = [visit(1, 0), visit(2, 7, end_reason="goal reached"), visit(3, 14), visit(4, 21)]
    assert asked(caseload_of(visits=visits), "visit after discharge") == [2, 3]


def test_digit_preference(caseload_of, clinic_readings):
    rows = clinic_readings(20)
    for row in rows[:60]:
        row |= {"rater": "R5", "value": 5.0 * np.round(row["value"] / 5)}
    found = RULES["digit preference"](Records(caseload_of(rows)))
    assert found["old_value"].tolist() == ["R5"]
    assert found["position"].tolist() == [-1]
    reason = found["reason"].iloc[0]
    assert "100% end in 0 or 5" in reason
    assert "adds 1.4 deg of error" in reason  # 5 / sqrt(12) = 1.443
    assert asked(caseload_of(rows[:30]), "digit preference") == []  # too few readings


def test_digit_preference_of_a_tape_counts_tenths(caseload_of, clinic_readings):
    rows = clinic_readings(20, measure="tragus_to_wall", start=140.0, unit="cm")
    for row in rows:
        row["value"] /= 10
    assert asked(caseload_of(rows), "digit preference") == []
    for row in rows:
        row["value"] = np.round(2 * row["value"]) / 2
    reason = RULES["digit preference"](Records(caseload_of(rows)))["reason"].iloc[0]
    assert "rounding to 0.5 cm adds 0.14 cm" in reason


def test_rules_have_names_of_their_own_and_write_them(caseload_of):
    caseload = caseload_of([*series([60, 61, 20, 60]), {"visit": 5, "side": None, "value": 99.0}])
    cleaned = clean(caseload)
    assert set(cleaned.ledger["rule"]) == {"jump", "side missing", "outside the soft range"}
    assert set(cleaned.ledger["action"]) == {"asked"}
    entry = cleaned.ledger.loc[cleaned.ledger["rule"] == "jump"].iloc[0]
    assert (entry["source_row"], entry["client"], entry["column"]) == (4, "C1", "value")
    assert entry["old_value"] == "20"
    assert balance_faults(cleaned.balance) == []


def test_an_empty_caseload_is_clean(caseload_of):
    for rule in RULES.values():
        assert rule(Records(caseload_of())).empty
