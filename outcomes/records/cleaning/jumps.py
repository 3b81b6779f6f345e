"""Rules about changes too large to be true: jumps, and left taken for right.

How far a value may move is measured where possible in the caseload itself: the spread of the
changes from one visit to the next, by a robust scale (1.4826 times the median absolute deviation
from the median change). A published error, which is careful by choice, stands in for it where
there are too few changes, and is the rule for jumps.
"""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist

import numpy as np
import pandas as pd

from outcomes.records.cleaning.findings import findings, none_found
from outcomes.records.cleaning.records import Records, VisitMeans, combine, starts_of
from outcomes.records.lookup import error_of

__all__ = ["jump", "swapped_sides"]

#: A jump is a change of more than this many minimal detectable changes (95%).
TIMES = 3
#: Changes needed before the caseload's own spread is used.
ENOUGH = 30
_TO_MDC = NormalDist().inv_cdf(0.975) * sqrt(2)


def jump(records: Records) -> pd.DataFrame:
    """Ask about visits that differ from the one before by more than three detectable changes.

    A single value that leaves and comes back is asked about once, not on its way back.
    """
    means = records.means
    if not means.follows.any():
        return none_found()
    step = np.r_[0.0, np.diff(means.value)]
    step[~means.follows] = 0.0
    limit = TIMES * _detectable(records, means, step)
    large = np.abs(step) > limit
    back = np.r_[False, large[:-1]] & large & (np.abs(step + np.r_[0.0, step[:-1]]) <= limit)
    at = np.flatnonzero(large & ~_alternate(back))
    unit = records.of_measure("unit")[means.row[at]]
    reasons = [
        f"differs by {step[i]:+.3g} {u} from the visit before, more than {TIMES} times what error "
        f"explains ({limit[i] / TIMES:.3g} {u})"
        for i, u in zip(at, unit, strict=True)
    ]
    old = [f"{means.value[i]:g}" for i in at]
    return findings("measurements", means.row[at], reasons, column="value", old=old)


def swapped_sides(records: Records) -> pd.DataFrame:
    """Ask about visits at which left and right seem to have been taken for one another.

    The difference between the sides turns round from one visit to the next, by more than error
    explains, and turning it back restores the visit before: a mirrored jump.
    """
    words = records.words("side")
    if not {"left", "right"} <= set(words):
        return none_found()
    pairs = _side_differences(records, words.index("left") + 1, words.index("right") + 1)
    if not len(pairs):
        return none_found()
    difference = pairs["difference"].to_numpy()
    follows = pairs["follows"].to_numpy()
    turn = np.r_[0.0, np.diff(difference)]
    turn[~follows] = 0.0
    before = np.r_[0.0, difference[:-1]]
    kind = pairs["kind"].to_numpy()
    scale = np.empty(len(pairs))
    for number in np.unique(kind):
        here = kind == number
        moved = turn[here & follows]
        known = _robust(moved) if len(moved) >= ENOUGH else None
        if known is None:
            error = _published(records, int(pairs["row"].to_numpy()[here][0]))
            known = np.inf if error is None else 2 * error  # four readings make one turn
        scale[here] = known
    mirrored = follows & (np.sign(difference) * np.sign(before) < 0)
    mirrored &= np.abs(turn) > 4 * scale
    mirrored &= np.abs(difference + before) < np.minimum(2.5 * scale, np.abs(turn) / 2)
    at = np.flatnonzero(mirrored & ~_alternate(np.r_[False, mirrored[:-1]] & mirrored & follows))
    rows = pairs["row"].to_numpy()[at]
    reason = "left and right look swapped: exchanging them restores the visit before"
    return findings("measurements", rows, reason, column="side")


def _alternate(back: np.ndarray) -> np.ndarray:
    """Of a run of marks, keep the first, third and so on: a way back is not a way out."""
    place = np.arange(len(back))
    before_run = np.maximum.accumulate(np.where(back, 0, place))
    return back & ((place - before_run) % 2 == 1)


def _kinds(records: Records, row: np.ndarray) -> np.ndarray:
    """Give one number per measure, mode and instrument."""
    key = combine(*(records.code(name)[row] for name in ("measure", "mode", "instrument")))
    return pd.factorize(key)[0]


def _detectable(records: Records, means: VisitMeans, step: np.ndarray) -> np.ndarray:
    """Minimal detectable change (95%) of each visit's measure; infinite where unknowable."""
    kind = _kinds(records, means.row)
    first = np.full(int(kind.max()) + 1, -1)
    first[kind[::-1]] = np.arange(len(kind))[::-1]
    found = np.empty(len(first))
    for number, at in enumerate(first):
        error = _published(records, int(means.row[at]))
        if error is not None:
            found[number] = _TO_MDC * error
            continue
        moved = step[(kind == number) & means.follows]
        scale = _robust(moved) if len(moved) >= ENOUGH else None
        found[number] = np.inf if scale is None else NormalDist().inv_cdf(0.975) * scale
    return found[kind]


def _published(records: Records, row: int) -> float | None:
    """Look up the standard error of measurement of a reading, the clinic's own first."""
    told = {
        name: records.words(name)[code - 1] if (code := int(records.code(name)[row])) else ""
        for name in ("measure", "instrument", "mode")
    }
    error = error_of(
        records.caseload, told["measure"], instrument=told["instrument"], mode=told["mode"]
    )
    return None if error is None else error.value


def _robust(changes: np.ndarray) -> float | None:
    """Robust standard deviation; None where more than half of the changes are equal."""
    scale = 1.4826 * float(np.median(np.abs(changes - np.median(changes))))
    return scale if scale > 0 else None


def _side_differences(records: Records, left: int, right: int) -> pd.DataFrame:
    """Left minus right at the visits where both were read, in the order of visits."""
    means = records.means
    side = records.code("side")[means.row]
    both = (side == left) | (side == right)
    row = means.row[both]
    group = combine(
        *(records.code(name)[row] for name in ("client", "episode", "measure", "mode")),
        records.code("instrument")[row],
    )
    day = means.day[both] - means.day.min(initial=0)
    key = combine(group, day, means.visit[both])
    order = np.lexsort((side[both], key))
    key, row, group = key[order], row[order], group[order]
    value, side = means.value[both][order], side[both][order]
    pair = np.flatnonzero((key[1:] == key[:-1]) & (side[1:] != side[:-1]))
    sign = np.where(side[pair] == left, 1.0, -1.0)
    return pd.DataFrame(
        {
            "row": row[pair],
            "difference": sign * (value[pair] - value[pair + 1]),
            "follows": ~starts_of(group[pair]),
            "kind": _kinds(records, row[pair]),
        }
    )
