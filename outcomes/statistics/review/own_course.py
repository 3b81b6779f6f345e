"""The lines to draw of clients' own courses: from the first visit to the next one expected."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import check_between, check_count
from outcomes.statistics.individual_change import ClientCourses
from outcomes.statistics.individual_change._mixture import Mixture

__all__ = ["next_readings", "own_courses"]


def own_courses(
    courses: ClientCourses, *, confidence: float = 0.95, points: int = 25
) -> pd.DataFrame:
    """Give each client's own course with its interval, from the first visit to the next expected.

    Parameters
    ----------
    courses : ClientCourses
        Those to draw: `ClientCourses.only` picks some.
    confidence : float
        Level of the interval, in (0, 1).
    points : int
        Places on each line, at least 2.

    Returns
    -------
    DataFrame
        `points` rows per series, series by series: its keys, week, estimate, ci_low, ci_high,
        ci_level.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    points = check_count("points", points, least=2)
    series = courses.series
    first = series["first_time"].to_numpy(float)
    length = series["latest_time"].to_numpy(float) - first + courses.usual_gap
    rows = []
    for part in np.linspace(0, 1, points):
        level = courses.level(part * length)
        rows.append((first + part * length, level.mean, *_ends(level, confidence)))
    week, estimate, low, high = np.stack(rows, axis=-1)
    keys = series[[c for c in ("client", "episode") if c in series.columns]]
    return keys.loc[keys.index.repeat(points)].assign(
        week=week.ravel(),
        estimate=estimate.ravel(),
        ci_low=low.ravel(),
        ci_high=high.ravel(),
        ci_level=confidence,
    ).reset_index(drop=True)  # fmt: skip


def next_readings(courses: ClientCourses, *, confidence: float = 0.95) -> pd.DataFrame:
    """Say where each client's next before-treatment reading should fall, error included.

    Returns
    -------
    DataFrame
        One row per series: its keys, week, estimate, ci_low, ci_high (of a reading, not of the
        course), ci_level.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    series = courses.series
    ahead = series["latest_time"] - series["first_time"] + courses.usual_gap
    reading = courses.level(ahead.to_numpy(float)).widened(courses.scatter_sd**2)
    low, high = _ends(reading, confidence)
    keys = series[[c for c in ("client", "episode") if c in series.columns]]
    return keys.assign(
        week=ahead + series["first_time"],
        estimate=reading.mean,
        ci_low=low,
        ci_high=high,
        ci_level=confidence,
    )


def _ends(level: Mixture, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    tail = (1 - confidence) / 2
    return level.quantile(tail), level.quantile(1 - tail)
