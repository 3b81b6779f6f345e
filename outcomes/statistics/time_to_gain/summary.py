"""Time to each gain in one table: visits and weeks to a detectable and to an important change."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError
from outcomes.statistics.time_to_gain.intervals import gain_intervals
from outcomes.statistics.time_to_gain.turnbull import turnbull, turnbull_median

__all__ = ["gain_summary"]


def gain_summary(
    values: pd.DataFrame,
    *,
    lines: Mapping[str, float],
    rng: np.random.Generator,
    better: str = "higher",
    confirmed: bool = False,
    samples: int = 200,
    level: float = 0.95,
) -> pd.DataFrame:
    """Give the median weeks and visits until clients reach each of several gains.

    Use for one measure over a year or more. Do not read it as the time that treatment takes: some
    of the gain would have come without it.

    Parameters
    ----------
    values : DataFrame
        As for `gain_intervals`: readings of one measure.
    lines : mapping of str to float
        Gains by name, as ``{"detectable": 9.7, "important": 15}``, in the unit of the measure.
    rng : numpy Generator
        Source of the bootstrap samples.
    better, confirmed
        As for `gain_intervals`.
    samples : int
        Bootstrap samples, at least 100.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        line, line_value, unit (weeks or visits), n, reached (clients seen to reach it), estimate
        (Turnbull median; infinite where fewer than half were), ci_low, ci_high, ci_level,
        share_reached (by the last time at which the estimate is known), optimality (largest
        violation of the estimate's condition), method.

    Raises
    ------
    ArgumentError
        If no line is given, or one is not above zero.
    DataError
        If no client was measured twice.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> values = pd.DataFrame({"client": np.repeat(range(20), 5), "week": [*range(5)] * 20})
    >>> values = values.assign(episode=1, visit=values["week"] + 1)
    >>> values["value"] = 50 + 4 * values["week"] + rng.normal(0, 2, 100)
    >>> found = gain_summary(values, lines={"detectable": 6}, rng=rng, samples=100)
    >>> found["unit"].tolist(), found["n"].tolist()
    (['weeks', 'visits'], [20, 20])
    """
    if not lines:
        raise ArgumentError("lines must name at least one gain.")
    rows = []
    for name, line in lines.items():
        for scale, unit in (("week", "weeks"), ("visit", "visits")):
            times = gain_intervals(
                values, line=line, better=better, scale=scale, confirmed=confirmed
            )
            curve = turnbull(times["left"], times["right"])
            seen = np.isfinite(curve.masses["right"])
            median = turnbull_median(
                times["left"],
                times["right"],
                rng=rng,
                level=level,
                samples=samples,
                unit=unit,
            )
            rows.append(
                {
                    "line": name,
                    "line_value": float(line),
                    "unit": unit,
                    "n": median.n,
                    "reached": int(times["reached"].sum()),
                    "estimate": median.estimate,
                    "ci_low": median.ci_low,
                    "ci_high": median.ci_high,
                    "ci_level": level,
                    "share_reached": float(curve.masses.loc[seen, "mass"].sum()),
                    "optimality": curve.optimality,
                    "method": median.method,
                }
            )
    return pd.DataFrame(rows)
