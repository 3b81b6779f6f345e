"""Readings that look as if they were counted from the other end, or on another scale."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure

__all__ = ["suspect_zero"]

_ENOUGH = 8


def suspect_zero(values: pd.Series, measure: Measure) -> str:
    """Say what is odd about where the values of a column lie; empty if nothing is.

    A joint reading is suspected to count down from 180 degrees (or 90) when most values lie
    outside the usual range of the measure, and most would lie inside it if they were counted
    from there. A scale is suspected to run to 1, 5 or 10 where the measure runs to 10 or 100,
    when no value exceeds that end.

    Examples
    --------
    >>> from outcomes.measures.catalogue import get
    >>> suspect_zero(pd.Series([40.0, 55, 35, 50, 45, 30, 52, 41]), get("shoulder_flexion"))
    'values look as if they were counted down from 180; if so, set zero_at = 180'
    """
    found = values.dropna().to_numpy(dtype=float)
    if len(found) < _ENOUGH:
        return ""
    if measure.unit == "deg" and measure.kind == "range":
        usual = _share_inside(found, measure)
        for zero in (180, 90):
            if usual < 0.2 and _share_inside(zero - found, measure) > 0.8:
                return (
                    f"values look as if they were counted down from {zero}; if so, set "
                    f"zero_at = {zero}"
                )
    if measure.kind in ("rating", "questionnaire") and measure.hard_min == 0:
        top = float(found.max())
        for end in (1.0, 10.0):
            if measure.hard_max >= 10 * end and 0.3 * end < top <= end and np.median(found) > 0:
                factor = measure.hard_max / end
                return (
                    f"no value is above {end:g} where the measure runs to {measure.hard_max:g}; "
                    f"if the scale ends at {end:g}, set multiply = {factor:g}"
                )
    return ""


def _share_inside(values: np.ndarray, measure: Measure) -> float:
    return float(np.mean((values >= measure.soft_min) & (values <= measure.soft_max)))
