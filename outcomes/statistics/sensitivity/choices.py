"""The choices that make one analysis: a reasonable person could have taken any of them.

    version   which readings: sides, instruments, active or passive (given by the caller)
    window    weeks of care that count
    outliers  what is done about readings or changes that stick out
    missing   what is supposed about clients who were not measured again
    course    how a client's or the caseload's improvement is worked out
    line      the smallest important change
    error     the standard error of measurement behind the detectable change

The first option of each is the main analysis. The names are the words that a figure shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import ModelError

__all__ = ["CHOICES", "COURSES", "MISSING", "OUTLIERS", "VERDICTS"]

OUTLIERS = (
    "all kept",
    "changes beyond 3 robust SD left out",
    "readings drawn in to the 1st and 99th percentile",
)
MISSING = (
    "those measured again",
    "lost clients did not change",
    "lost clients got worse by half an SD",
)
COURSES = (
    "first to latest, mean",
    "first to latest, trimmed mean",
    "first to mean of the last two",
    "mixed model, straight",
    "mixed model, flattening",
)
#: Columns of the grid that name a choice.
CHOICES = ("version", "window", "outliers", "missing", "course", "line", "error")
#: Verdicts on the caseload's mean improvement.
VERDICTS = (
    "better, at least by the line",
    "better, size against the line open",
    "better, less than the line",
    "no change shown",
    "worse",
)
_ROBUST = 1.4826
_TRIM = 0.2


@dataclass(frozen=True, eq=False)
class Headline:
    """What one analysis says: the mean improvement, its interval, and each client's improvement."""

    estimate: float
    ci_low: float
    ci_high: float
    n: int
    improvements: np.ndarray


def within_window(rows: pd.DataFrame, weeks: float) -> pd.DataFrame:
    """Keep readings of the first so many weeks, and number each episode's readings."""
    kept = rows[rows["week"] <= weeks]
    group = kept.groupby("unit", sort=False)
    return kept.assign(place=group.cumcount(), size=group["value"].transform("size"))


def treat_outliers(rows: pd.DataFrame, outliers: str, sign: float) -> pd.DataFrame:
    """Apply the outlier rule to readings, or leave out the episodes that it names."""
    if outliers == OUTLIERS[2]:
        low, high = np.quantile(rows["value"], [0.01, 0.99])
        return rows.assign(value=rows["value"].clip(low, high))
    if outliers == OUTLIERS[1]:
        change = first_to_latest(rows, sign)
        if change.size > 2:
            middle = change.median()
            spread = _ROBUST * (change - middle).abs().median()
            if spread > 0:
                far = change.index[(change - middle).abs() > 3 * spread]
                return rows[~rows["unit"].isin(far)]
    return rows


def first_to_latest(rows: pd.DataFrame, sign: float) -> pd.Series:
    """Give each episode's improvement from its first to its latest reading."""
    twice = rows[rows["size"] > 1]
    ends = twice.groupby("unit", sort=True)["value"].agg(["first", "last"])
    return sign * (ends["last"] - ends["first"])


def headline(
    rows: pd.DataFrame, *, course: str, missing: str, sign: float, level: float
) -> Headline:
    """Work out the mean improvement under one course and one rule for the missing.

    Raises
    ------
    ModelError
        If fewer than 3 episodes are left, or the model cannot be fitted.
    """
    supposed = _supposed(rows, missing, sign)
    if course.startswith("mixed model"):
        return _by_model(rows, supposed, course, sign, level)
    change = first_to_latest(rows, sign)
    if course == COURSES[2]:
        late = rows[(rows["place"] > 0) & (rows["place"] >= rows["size"] - 2)]
        first = rows[rows["place"] == 0].set_index("unit")["value"]
        last = late.groupby("unit", sort=True)["value"].mean()
        change = sign * (last - first.reindex(last.index))
    values = np.concatenate([change.to_numpy(float), supposed.to_numpy(float)])
    if values.size < 3 or np.ptp(values) == 0:
        raise ModelError(_TOO_FEW)
    if course == COURSES[1]:
        estimate, error, df = _trimmed(values)
    else:
        estimate, error = float(values.mean()), float(values.std(ddof=1) / np.sqrt(values.size))
        df = values.size - 1
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * error
    return Headline(estimate, estimate - reach, estimate + reach, values.size, values)


_TOO_FEW = (
    "an analysis must rest on at least 3 clients whose changes differ. "
    "Widen the window or take another version of the measure."
)


def _supposed(rows: pd.DataFrame, missing: str, sign: float) -> pd.Series:
    """Give the improvements supposed for the clients with a single reading."""
    lost = rows.loc[rows["size"] == 1, "unit"]
    if missing == MISSING[0] or lost.empty:
        return pd.Series(dtype=float)
    amount = 0.0
    if missing == MISSING[2]:
        amount = -0.5 * float(first_to_latest(rows, sign).std(ddof=1))
    return pd.Series(amount, index=lost.to_numpy())


def _trimmed(values: np.ndarray) -> tuple[float, float, float]:
    """Give the 20% trimmed mean with the standard error and df of Yuen 1974, Biometrika 61:165."""
    ordered, cut = np.sort(values), int(_TRIM * values.size)
    kept = ordered[cut : values.size - cut]
    drawn = np.clip(values, ordered[cut], ordered[values.size - cut - 1])
    error = drawn.std(ddof=1) * np.sqrt((values.size - 1) / (kept.size * (kept.size - 1)))
    return float(kept.mean()), float(error), float(kept.size - 1)


def _by_model(
    rows: pd.DataFrame, supposed: pd.Series, course: str, sign: float, level: float
) -> Headline:
    """Fit a mean course with random level and slope; the improvement up to a usual last week."""
    from outcomes.statistics.mixed_model import fit_mixed_model

    if rows.loc[rows["size"] > 1, "unit"].nunique() < 3:
        raise ModelError(_TOO_FEW)
    scale = np.log1p if course == COURSES[4] else (lambda week: week)
    last = rows.loc[rows["size"] > 1].groupby("unit")["week"].max()
    horizon = float(last.median())
    data = rows[["unit", "week", "value"]]
    if len(supposed):
        start = rows[rows["size"] == 1].set_index("unit")["value"]
        ends = start + sign * supposed.reindex(start.index)
        extra = pd.DataFrame({"unit": ends.index, "week": horizon, "value": ends.to_numpy()})
        data = pd.concat([data, extra], ignore_index=True)
    data = data.assign(time=scale(data["week"].to_numpy(float)))
    random = "1 + time" if rows["size"].max() > 2 else "1"
    fit = fit_mixed_model(
        data,
        "value ~ time",
        groups="unit",
        random=random,
        degrees_of_freedom="satterthwaite",
        ci_level=level,
    )
    slope = fit.fixed.set_index("term").loc["time"]
    reach = float(scale(horizon))
    own = np.full(fit.n_clients, float(slope["estimate"]))
    if random != "1":
        effects = fit.client_effects()
        own = own + effects.loc[effects["term"] == "time", "estimate"].to_numpy(float)
    ends = sorted(sign * reach * np.array([slope["ci_low"], slope["ci_high"]], dtype=float))
    return Headline(
        sign * reach * float(slope["estimate"]), ends[0], ends[1], fit.n_clients, sign * reach * own
    )
