"""Whole studies of a course over weeks, drawn and analysed by the project's own mixed model."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import ModelError, check_between, check_count, check_positive
from outcomes.statistics.planning.slopes import Course

__all__ = ["simulate_slope"]


def simulate_slope(
    n: int,
    *,
    slope: float,
    course: Course,
    rng: np.random.Generator,
    groups: int = 1,
    jitter: float = 0.25,
    studies: int = 1000,
    alpha: float = 0.05,
    degrees_of_freedom: str | None = None,
) -> pd.DataFrame:
    """Simulate whole studies and analyse each with the project's own mixed model.

    Use to check a plan where visits are uneven and clients few, so that the closed form and its
    degrees of freedom are only a guide.

    Parameters
    ----------
    n : int
        Clients who start in each group, at least 3.
    slope, course, groups, alpha
        As for `power_slope`.
    rng : numpy Generator
        Source of visits and readings.
    jitter : float
        Visits after the first lie up to so many weeks before or after their planned time.
    studies : int
        Studies simulated.
    degrees_of_freedom : str, optional
        As for `fit_mixed_model`; default its own default, so that the plan foresees the analysis.

    Returns
    -------
    DataFrame
        One row: n, studies, power (share that reject zero), power_low, power_high (95% Wilson),
        coverage (share of intervals that hold the true slope), mean (of the estimates),
        standard_error (mean of the fits'), sd (of the estimates), share_not_fitted.

    Raises
    ------
    ModelError
        If more than a tenth of the studies cannot be fitted.

    Examples
    --------
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=1.5, error_sd=5)
    >>> rng = np.random.default_rng(1)
    >>> found = simulate_slope(20, slope=2.0, course=course, rng=rng, studies=20)
    >>> bool(found["power"].iloc[0] > 0.7)
    True
    """
    from outcomes.statistics.effect_size.shares import share_interval

    n, studies = check_count("n", n, least=3), check_count("studies", studies)
    check_between("alpha", alpha, 0, 1, remedy="Give 0.05")
    check_positive("jitter", jitter, zero=True)
    found = []
    for _ in range(studies):
        row = _one_study(n, slope, course, rng, groups, jitter, 1 - alpha, degrees_of_freedom)
        if row is not None:
            found.append(row)
    if len(found) < 0.9 * studies:
        raise ModelError(
            f"simulated studies must be fitted to be counted; {studies - len(found)} of {studies} "
            "could not be. Plan more visits or more clients."
        )
    table = np.array(found)
    estimate, error, low, high = table.T
    rejected = int(((low > 0) | (high < 0)).sum())
    ends = share_interval(rejected, len(found))
    return pd.DataFrame(
        {
            "n": [groups * n],
            "studies": [studies],
            "power": [rejected / len(found)],
            "power_low": [float(ends[0])],
            "power_high": [float(ends[1])],
            "coverage": [float(((low <= slope) & (high >= slope)).mean())],
            "mean": [float(estimate.mean())],
            "standard_error": [float(error.mean())],
            "sd": [float(estimate.std(ddof=1)) if len(found) > 1 else np.nan],
            "share_not_fitted": [1 - len(found) / studies],
        }
    )


def _one_study(
    n: int,
    slope: float,
    course: Course,
    rng: np.random.Generator,
    groups: int,
    jitter: float,
    level: float,
    degrees_of_freedom: str | None,
) -> tuple[float, float, float, float] | None:
    from outcomes.statistics.mixed_model import fit_mixed_model

    data = study(n, slope, course, rng, groups=groups, jitter=jitter)
    formula = "value ~ week" if groups == 1 else "value ~ week * arm"
    random = "1 + week" if course.slope_sd > 0 else "1"
    try:
        fit = fit_mixed_model(
            data,
            formula,
            groups="client",
            random=random,
            degrees_of_freedom=degrees_of_freedom,
            ci_level=level,
        )
        row = fit.fixed.set_index("term").loc["week" if groups == 1 else "week:arm"]
    except ModelError:
        return None
    return row["estimate"], row["standard_error"], row["ci_low"], row["ci_high"]


def study(
    n: int,
    slope: float,
    course: Course,
    rng: np.random.Generator,
    *,
    groups: int = 1,
    jitter: float = 0.25,
) -> pd.DataFrame:
    """Draw one study: client, arm (0 or 1), week, value; visits uneven and stopping at random."""
    total, times = groups * n, np.sort(np.asarray(course.weeks, dtype=float))
    week = times + rng.uniform(-jitter, jitter, (total, times.size))
    week[:, 0] = times[0]
    going = rng.random((total, times.size - 1)) >= course.stopping
    kept = np.column_stack([np.ones(total, bool), np.cumprod(going, axis=1).astype(bool)])
    client, visit = np.nonzero(kept)
    root = np.linalg.cholesky(course.covariance + 1e-12 * np.eye(2))
    own = rng.standard_normal((total, 2)) @ root.T
    arm = (np.arange(total) >= n).astype(float) if groups == 2 else np.zeros(total)
    t = week[client, visit]
    mean = slope * t * (arm[client] if groups == 2 else 1.0)
    noise = course.error_sd * rng.standard_normal(client.size)
    value = own[client, 0] + own[client, 1] * t + mean + noise
    return pd.DataFrame({"client": client, "arm": arm[client], "week": t, "value": value})
