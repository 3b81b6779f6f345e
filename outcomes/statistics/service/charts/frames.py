"""What every control chart shares: its points in order, its phases, its limits.

centre       the level around which points vary by chance
sigma        standard deviation of a point when nothing changes
limits       centre -/+ 3 sigma unless the chart says otherwise
phase        points that share a centre; a new one starts where the clinic changed something
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_count, rows_must

__all__: list[str] = []


def numbers(name: str, values: object, *, least: int) -> np.ndarray:
    """Turn points into a plain array; refuse empty cells, text and too few points."""
    try:
        array = np.asarray(values, dtype=float).ravel()
    except (TypeError, ValueError):
        raise DataError(f"{name} must hold numbers only. Set other cells aside first.") from None
    if not np.isfinite(array).all():
        raise rows_must(name, "be a finite number", ~np.isfinite(array), "Leave these points out")
    if array.size < least:
        raise DataError(
            f"a chart of {name} must have at least {least} points, got {array.size}. "
            "Wait for more periods, or use shorter ones."
        )
    return array


def counts(name: str, values: object, *, least: int) -> np.ndarray:
    """Turn counts into a plain array; refuse what is no count."""
    array = numbers(name, values, least=least)
    wrong = (array < 0) | (array != np.floor(array))
    if wrong.any():
        raise rows_must(name, "be a count", wrong, "Correct the cells")
    return array


def point_labels(labels: Sequence[str] | pd.Series | None, size: int) -> list[str]:
    """Give every point a label: the caller's, or its number from 1."""
    if labels is None:
        return [str(i) for i in range(1, size + 1)]
    listed = [str(label) for label in labels]
    if len(listed) != size:
        raise ArgumentError(f"periods must have one label per point, got {len(listed)} for {size}.")
    return listed


def phase_numbers(labels: list[str], starts: Sequence[str], least: int) -> np.ndarray:
    """Count the phases from 1; each label in `starts` opens a new one."""
    unknown = [start for start in starts if start not in labels]
    if unknown:
        raise ArgumentError(
            f"phase_starts must name periods of the chart; {len(unknown)} of {len(starts)} do not."
        )
    opening = np.isin(labels, list(starts))
    opening[0] = False
    phases = 1 + np.cumsum(opening)
    sizes = np.bincount(phases)[1:]
    if sizes.min() < least:
        raise ArgumentError(
            f"phase_starts must leave at least {least} points in every phase, got {sizes.min()}. "
            "Wait for more periods before a new phase."
        )
    return phases


def baseline_mask(phases: np.ndarray, baseline: int | None, least: int) -> np.ndarray:
    """Mark the points that set centre and limits: all, or the first `baseline` of each phase."""
    if baseline is None:
        return np.ones(phases.size, dtype=bool)
    baseline = check_count("baseline", baseline, least=least)
    place = np.concatenate([np.arange(size) for size in np.bincount(phases)[1:]])
    return place < baseline
