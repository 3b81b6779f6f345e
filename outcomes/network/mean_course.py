"""The mean course of a network, and how far clinics differ from it, from sums per series."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from pandas.api.types import union_categoricals

from outcomes.network.pooled_fit import SUMS, SeriesSums, fit_sums
from outcomes.network.stages import read_part
from outcomes.network.tally import Tally, quantile_of_counts
from outcomes.statistics.individual_change import time_scale
from outcomes.statistics.review import Course

__all__ = ["pooled_course", "read_sums"]


def pooled_course(
    files: Sequence[str],
    *,
    scale: float,
    centre: float,
    tally: Tally,
    confidence: float,
) -> Course:
    """Fit the course of `course_over_weeks` to the sums that `course_sums` left."""
    data, _ = read_sums(files, centre)
    several = max(int(size) for size in tally["sizes"]) > 2
    fit = fit_sums(data, random="1 + time" if several else "1", ci_level=confidence)
    until = quantile_of_counts(tally["last_days"], 0.9) / 7
    week = np.linspace(0, max(until, 1.0), 53)
    grid = pd.DataFrame({"week": week, "time": time_scale(week, scale)})
    band = fit.predict(grid, level="population")
    line = pd.concat(
        [grid[["week"]], band[["estimate", "ci_low", "ci_high"]].reset_index(drop=True)], axis=1
    )
    return Course(
        fit=fit, scale=float(scale), line=line, n=len(data.sums), n_readings=data.n_readings
    )


def read_sums(files: Sequence[str], centre: float) -> tuple[SeriesSums, list[str]]:
    """Read the sums of all partitions, with the clinic of every series; and the clinics' names."""
    frames = [read_part(path, coded=["clinic"]) for path in files]
    sums = np.concatenate([frame[SUMS].to_numpy() for frame in frames])
    clinic = union_categoricals([frame["clinic"].array for frame in frames], sort_categories=True)
    clinic = clinic.remove_unused_categories()
    n_readings = round(sums[:, 0].sum())  # all weights are one
    return SeriesSums(sums, centre, n_readings, outer=clinic.codes), clinic.categories.tolist()
