"""The course over weeks: a mean line for the caseload, from every visit of every client.

The model is a random intercept and slope per episode of care in ``h(week) = 1 - exp(-week / s)``,
which flattens as clinical gains do, or in weeks themselves (``s`` infinite). The scale ``s`` is the
one of the clients' own courses where these were fitted, else the most likely of a few.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ModelError, check_columns, check_positive
from outcomes.results import Claim
from outcomes.statistics.individual_change import time_scale
from outcomes.statistics.mixed_model import fit_mixed_model

__all__ = ["Course", "course_over_weeks"]

#: Scales tried where none is given, in weeks; infinite is a straight course.
_SCALES = (1.5, 3.0, 6.0, np.inf)


@dataclass(frozen=True, eq=False, kw_only=True)
class Course(Claim):
    """The caseload's course in one measure.

    Attributes
    ----------
    fit : MixedModelFit
        The fitted model; its time variable is `time`.
    scale : float
        Weeks in which the course makes 63% of its way; infinite if straight.
    line : DataFrame
        week, estimate, ci_low, ci_high: the mean course.
    n : int
        Clients' episodes in the model.
    n_readings : int
        Values in the model.
    """

    fit: Any
    scale: float
    line: pd.DataFrame
    n: int
    n_readings: int

    @property
    def shape(self) -> str:
        """``"straight"`` or ``"flattening"``."""
        return "straight" if np.isinf(self.scale) else "flattening"


def course_over_weeks(
    values: pd.DataFrame,
    *,
    scale: float | None = None,
    longest: float = 26.0,
    confidence: float = 0.95,
) -> Course:
    """Fit the mean course of one measure over the weeks of care.

    Use for the caseload's course and as the base of each client's own. Do not read the line as
    the effect of treatment: there is no comparison group.

    Parameters
    ----------
    values : DataFrame
        One row per client, episode and visit: client, episode, week (>= 0), value. One series
        per episode: instruments and sides are not mixed here.
    scale : float, optional
        Weeks in which the course makes 63% of its way, above 0; infinite for a straight course.
        Left out: the most likely of 1.5, 3, 6 and infinite.
    longest : float
        Weeks kept; later visits are left out.
    confidence : float
        Level of the line's interval, in (0, 1).

    Returns
    -------
    Course

    Raises
    ------
    DataError
        If columns are missing.
    ModelError
        If there is too little to fit: fewer than 3 episodes, or none with two visits.

    Notes
    -----
    value = b0 + b1 h(week) + u0 + u1 h(week) + e by REML, intervals by Kenward and Roger. Missing
    visits are missing at random given the visits that took place.
    """
    check_columns(values, ["client", "episode", "week", "value"], thing="the table of values")
    check_positive("longest", longest)
    data = values[values["week"] <= longest]
    sizes = data.groupby(["client", "episode"]).size()
    if len(sizes) < 3 or sizes.max() < 2:
        raise ModelError(
            f"a course must rest on at least 3 clients, some measured twice; there are "
            f"{len(sizes)}. Choose a longer period."
        )
    data = pd.DataFrame(
        {
            "series": data["client"].astype("str") + "/" + data["episode"].astype("str"),
            "week": data["week"].to_numpy(float),
            "value": data["value"].to_numpy(float),
        }
    )
    random = "1 + time" if sizes.max() > 2 else "1"
    if scale is None:
        scale = max(_SCALES, key=lambda s: _fit(data, s, random, "ML").log_likelihood)
    fit = _fit(data, scale, random, "REML", ci_level=confidence)
    until = float(np.quantile(data.groupby("series")["week"].max(), 0.9))
    week = np.linspace(0, max(until, 1.0), 53)
    grid = pd.DataFrame({"week": week, "time": time_scale(week, scale)})
    band = fit.predict(grid, level="population")
    line = pd.concat(
        [grid[["week"]], band[["estimate", "ci_low", "ci_high"]].reset_index(drop=True)], axis=1
    )
    return Course(fit=fit, scale=float(scale), line=line, n=len(sizes), n_readings=len(data))


def _fit(data: pd.DataFrame, scale: float, random: str, method: str, **settings: Any):
    return fit_mixed_model(
        data.assign(time=time_scale(data["week"].to_numpy(), scale)),
        "value ~ time",
        groups="series",
        random=random,
        method=method,
        **settings,
    )
