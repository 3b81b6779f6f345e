"""The course over weeks: a mean line for the caseload, from every visit of every client.

The model is a random intercept and slope per episode of care. Time is either weeks, or
``log(1 + weeks)``, which flattens as clinical gains do; the one with the higher likelihood is
taken, and the result says which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ModelError, check_columns, check_positive
from outcomes.results import Claim
from outcomes.statistics.mixed_model import fit_mixed_model

__all__ = ["TIMES", "Course", "course_over_weeks"]

#: Scales of time, by name: from weeks to the variable of the model.
TIMES = {"straight": lambda week: week, "flattening": np.log1p}


@dataclass(frozen=True, eq=False, kw_only=True)
class Course(Claim):
    """The caseload's course in one measure.

    Attributes
    ----------
    fit : MixedModelFit
        The fitted model; its time variable is `time`.
    shape : str
        ``"straight"`` or ``"flattening"``.
    line : DataFrame
        week, estimate, ci_low, ci_high: the mean course.
    n : int
        Clients' episodes in the model.
    n_readings : int
        Values in the model.
    """

    fit: Any
    shape: str
    line: pd.DataFrame
    n: int
    n_readings: int


def course_over_weeks(
    values: pd.DataFrame, *, longest: float = 26.0, confidence: float = 0.95
) -> Course:
    """Fit the mean course of one measure over the weeks of care.

    Use for the caseload's course and as the base of each client's own. Do not read the line as
    the effect of treatment: there is no comparison group.

    Parameters
    ----------
    values : DataFrame
        One row per client, episode and visit: client, episode, week (>= 0), value. One series
        per episode: instruments and sides are not mixed here.
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
    value = b0 + b1 t + u0 + u1 t + e by REML, t = week or log(1 + week), chosen by the likelihood
    (ML) with the same number of parameters. Missing visits are missing at random given the visits
    that took place.
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
    fits = {
        shape: fit_mixed_model(
            data.assign(time=scale(data["week"])),
            "value ~ time",
            groups="series",
            random=random,
            method="ML",
            degrees_of_freedom="normal",
        ).log_likelihood
        for shape, scale in TIMES.items()
    }
    shape = max(fits, key=fits.__getitem__)
    data["time"] = TIMES[shape](data["week"])
    fit = fit_mixed_model(
        data, "value ~ time", groups="series", random=random, ci_level=confidence
    )
    until = float(np.quantile(data.groupby("series")["week"].max(), 0.9))
    week = np.linspace(0, max(until, 1.0), 53)
    grid = pd.DataFrame({"week": week, "time": TIMES[shape](week)})
    band = fit.predict(grid, level="population")
    line = pd.concat(
        [grid[["week"]], band[["estimate", "ci_low", "ci_high"]].reset_index(drop=True)], axis=1
    )
    return Course(fit=fit, shape=shape, line=line, n=len(sizes), n_readings=len(data))
