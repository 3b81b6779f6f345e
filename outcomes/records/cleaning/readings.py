"""Rules about single readings: sides, soft limits, moments, and what looks entered twice."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.records.cleaning.findings import findings, none_found
from outcomes.records.cleaning.records import Records, combine

__all__ = [
    "after_without_before",
    "near_duplicates",
    "outside_the_soft_range",
    "side_missing",
]


def side_missing(records: Records) -> pd.DataFrame:
    """Ask about readings of a sided measure that give no side."""
    words = records.words("side")
    known = np.array([False, *(word in ("left", "right") for word in words)])
    rows = np.flatnonzero(records.of_measure("sided").astype(bool) & ~known[records.code("side")])
    reason = "the measure has a left and a right; the row does not say which"
    return findings("measurements", rows, reason, column="side")


def outside_the_soft_range(records: Records) -> pd.DataFrame:
    """Ask about values that are possible but unusual for their measure."""
    value = records.value
    low, high = records.of_measure("soft_min"), records.of_measure("soft_max")
    slack = 1e-9 * np.maximum(1.0, np.abs(high))
    rows = np.flatnonzero((value < low - slack) | (value > high + slack))
    units = records.of_measure("unit")
    reasons = [f"usual are {low[i]:g} to {high[i]:g} {units[i]}" for i in rows]
    old = [f"{value[i]:g}" for i in rows]
    return findings("measurements", rows, reasons, column="value", old=old)


def after_without_before(records: Records) -> pd.DataFrame:
    """Ask about readings after treatment that have none before it at the same visit."""
    if records.before.all():
        return none_found()
    key = combine(records.place, records.code("mode"))
    after = np.flatnonzero(~records.before)
    lonely = after[~pd.Series(key[after]).isin(key[records.before]).to_numpy()]
    first = lonely[~pd.Series(key[lonely]).duplicated().to_numpy()]
    reason = "a reading after treatment without one before it says nothing about the visit"
    return findings("measurements", first, reason, column="moment")


def near_duplicates(records: Records) -> pd.DataFrame:
    """Ask about readings that look like another one entered twice, and are no exact copy.

    A client answers a scale once a visit: a second answer is asked about. A reading that repeats
    another's value under a second rater or instrument is asked about too.
    """
    key = combine(records.place, records.code("moment"))
    reports = np.array([False, *(measure.self_report for measure in records.measures)])
    own = np.flatnonzero(reports[records.code("measure")])
    again = own[pd.Series(key[own]).duplicated().to_numpy()]
    twice = findings(
        "measurements",
        again,
        "the client has another value of this scale at this visit; the mean is used",
        column="value",
        old=[f"{v:g}" for v in records.value[again]],
    )

    rest = np.flatnonzero(~reports[records.code("measure")])
    same = combine(
        key[rest],
        records.code("trial")[rest],
        records.code("mode")[rest],
        pd.factorize(records.value[rest])[0].astype(np.int64),
    )
    repeats = rest[pd.Series(same).duplicated().to_numpy()]
    copied = findings(
        "measurements",
        repeats,
        "the same trial with the same value stands under another rater or instrument",
        column="value",
        old=[f"{v:g}" for v in records.value[repeats]],
    )
    return pd.concat([twice, copied], ignore_index=True)
