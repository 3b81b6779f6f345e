"""Sentences about the clinic over time: small shifts, dated changes, unwanted events.

As in `outcomes.reporting.sentences`, a translation replaces this page.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from outcomes.reporting.wording import interval, join_words, number, plural
from outcomes.statistics.review import Meeting

__all__ = ["SMALL_SHIFTS", "STEPS", "change_sentence", "event_sentence", "small_shift_sentence"]

SMALL_SHIFTS = (
    "One quarter far off: the quarter's mean lies outside limits that chance keeps in 99.7 of 100 "
    "quarters. Several quarters off: two of three in a row well to one side, or eight on one side. "
    "Running mean (EWMA) and running sum (CUSUM) add up small departures in one direction from all "
    "quarters before; they see a shift too small for a single quarter. Each episode counts once."
)

STEPS = (
    "Improvement within eight weeks of the first reading, by month of that reading, before and "
    "after the date; neighbouring months may be alike. Together: each measure in standard "
    "deviations of its improvement. One measure is called beyond chance only where all together "
    "are. Whatever else changed at that time moves with it."
)


def small_shift_sentence(rows: pd.DataFrame, names: Mapping[str, str]) -> str:
    """Say which measures' charts signal a small lasting shift, and how many would by chance."""
    measures = plural(rows["measure"].nunique(), "measure")
    by_chance = f"With nothing changed, the four charts of {measures} would give about "
    by_chance += f"{number(rows['false_alarm'].sum())} signals by chance."
    signals = rows[rows["signal"]]
    if signals.empty:
        return f"No chart signals a shift of the mean improvement. {by_chance}"
    found = [
        f"{direction} in {join_words([names[c] for c in mine['measure'].drop_duplicates()])}"
        for direction, mine in signals.groupby("direction")
    ]
    verb = "signals" if len(signals) == 1 else "signal"
    return f"{plural(len(signals), 'chart')} {verb} a shift: {'; '.join(found)}. {by_chance}"


def change_sentence(what: str, whole: pd.Series) -> str:
    """Say whether improvement moved with something that the clinic changed."""
    what = what[:1].upper() + what[1:]
    if not whole["flagged"]:
        return (
            f"{what}: no step in improvement beyond chance over all measures together "
            f"({number(whole['estimate'])} standard deviations, 95% interval "
            f"{interval(whole['ci_low'], whole['ci_high'])}). A small one could go unseen."
        )
    more = "more" if whole["estimate"] > 0 else "less"
    low, high = sorted((abs(whole["ci_low"]), abs(whole["ci_high"])))
    return (
        f"{what}: clients who came after it gained {more}, by {number(abs(whole['estimate']))} "
        f"standard deviations over all measures together (95% interval {interval(low, high)})."
    )


def event_sentence(meeting: Meeting) -> str:
    """Say how often something unwanted happened."""
    rate = meeting.events
    if rate is None:
        return ""
    return (
        f"{plural(rate.count, 'unwanted event')} in {rate.exposure:,.0f} visits: "
        f"{number(rate.estimate)} per 1,000 visits (95% interval "
        f"{interval(rate.ci_low, rate.ci_high)})."
    )
