"""Planning a course over weeks: the mixed model's slope, visits missed and uneven.

    y_it = b0 + b1 t + u0_i + u1_i t + e_it,   Var(u) = G,   Var(e) = sigma^2
    information of a client seen at times T:   J_T = X_T' (X_T G X_T' + sigma^2 I)^-1 X_T
    Var(b1) of n clients = [ (n E J_T)^-1 ]_11, the mean over the visits that take place

Exact for known variances. Where every client has the same visits it is the closed form
(s_slope^2 + sigma^2 / sum (t - mean t)^2) / n. A client stops after each visit with a fixed
chance; those who stop are taken to be like those who stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from outcomes.errors import (
    ArgumentError,
    ModelError,
    check_between,
    check_count,
    check_positive,
)
from outcomes.statistics.planning.plan import Plan, smallest_enough
from outcomes.statistics.planning.power import t_power

__all__ = ["Course", "clients_for_slope", "power_slope", "simulate_slope", "slope_standard_error"]


@dataclass(frozen=True, kw_only=True)
class Course:
    """What is supposed about the course and its visits.

    Attributes
    ----------
    weeks : tuple of float
        Planned times of the visits in weeks, at least 2 distinct.
    intercept_sd, slope_sd : float
        Standard deviations between clients: of the level, and of the slope per week.
    error_sd : float
        Standard deviation of one visit around the client's own line, above 0.
    correlation : float
        Of level and slope between clients, in (-1, 1).
    stopping : float
        Chance to stop coming after each visit, in [0, 1).
    """

    weeks: tuple[float, ...]
    intercept_sd: float
    slope_sd: float
    error_sd: float
    correlation: float = 0.0
    stopping: float = 0.0

    def __post_init__(self) -> None:
        if len(set(self.weeks)) < 2 or not np.isfinite(self.weeks).all():
            raise ArgumentError("weeks must hold at least two different times.")
        check_positive("intercept_sd", self.intercept_sd, zero=True)
        check_positive("slope_sd", self.slope_sd, zero=True)
        check_positive("error_sd", self.error_sd)
        check_between("correlation", self.correlation, -1, 1)
        check_between("stopping", self.stopping, -1e-12, 1)

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of level and slope between clients."""
        off = self.correlation * self.intercept_sd * self.slope_sd
        return np.array([[self.intercept_sd**2, off], [off, self.slope_sd**2]])


def slope_standard_error(n: int, *, course: Course) -> float:
    """Give the standard error of the mean slope of n clients.

    Parameters
    ----------
    n : int
        Clients who start, at least 2.
    course : Course
        What is supposed.

    Returns
    -------
    float
        In units of the measure per week.

    Examples
    --------
    >>> course = Course(weeks=(0, 1, 2, 3, 4), intercept_sd=10, slope_sd=2, error_sd=8)
    >>> round(slope_standard_error(40, course=course), 4)
    0.5099

    Checked against: the closed form, and our own fits of simulated studies
    (test_planning_slopes).
    """
    n = check_count("n", n, least=2)
    return float(np.sqrt(np.linalg.inv(_information(course))[1, 1] / n))


def power_slope(
    n: int, *, slope: float, course: Course, groups: int = 1, alpha: float = 0.05
) -> float:
    """Give the chance to see a mean slope, or a difference between the slopes of two groups.

    Parameters
    ----------
    n : int
        Clients who start in each group, at least 3.
    slope : float
        Mean slope (difference of slopes), in units of the measure per week.
    course : Course
        What is supposed.
    groups : {1, 2}
        One group's slope against zero, or two groups' against each other.
    alpha : float
        Two-sided error of the first kind, in (0, 1).

    Notes
    -----
    t test with groups (n - 1) df.

    Examples
    --------
    >>> course = Course(weeks=(0, 1, 2, 3, 4), intercept_sd=10, slope_sd=2, error_sd=8)
    >>> round(power_slope(40, slope=1.5, course=course), 2)
    0.82
    """
    n = check_count("n", n, least=3)
    if groups not in (1, 2):
        raise ArgumentError(f"groups must be 1 or 2, got {groups!r}.")
    error = slope_standard_error(n, course=course) * np.sqrt(groups)
    return t_power(slope / error, groups * (n - 1), alpha)


def clients_for_slope(
    *,
    slope: float,
    course: Course,
    groups: int = 1,
    power: float = 0.8,
    alpha: float = 0.05,
) -> Plan:
    """Say how many clients show a slope, or a difference of slopes, with the wanted power.

    Parameters
    ----------
    slope, course, groups, alpha
        As for `power_slope`.
    power : float
        Chance to see it, in (0, 1).

    Returns
    -------
    Plan
        Clients who start: those who stop coming are counted by the visits they had.

    Examples
    --------
    >>> course = Course(weeks=(0, 1, 2, 3, 4), intercept_sd=10, slope_sd=2, error_sd=8)
    >>> clients_for_slope(slope=1.5, course=course).n
    39
    """
    if not np.isfinite(slope) or slope == 0:
        raise ArgumentError(f"slope must be a number other than 0, got {slope!r}.")
    target = check_between("power", power, alpha, 1)
    given = partial(power_slope, slope=slope, course=course, groups=groups, alpha=alpha)
    n = smallest_enough(lambda k: given(k) >= target, least=3)
    return Plan(
        question="mean course over weeks" if groups == 1 else "difference between two courses",
        n=groups * n,
        n_per_group=n,
        n_to_recruit=groups * n,
        drop_out=_never_again(course),
        target=target,
        achieved=given(n),
        target_is="power",
        effect=slope,
        sd=course.slope_sd,
        level=1 - alpha,
        method="mixed model with random level and slope, expected information over visits kept",
        notes=(
            f"{course.stopping:.0%} stop coming after each visit; all who start are analysed."
            if course.stopping
            else "All visits are kept.",
        ),
    )


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


def _information(course: Course) -> np.ndarray:
    """Average the information of a client over the number of visits kept."""
    times = np.sort(np.asarray(course.weeks, dtype=float))
    total = np.zeros((2, 2))
    for k, chance in enumerate(_visits_kept(times.size, course.stopping), start=1):
        x = np.column_stack([np.ones(k), times[:k]])
        v = x @ course.covariance @ x.T + course.error_sd**2 * np.eye(k)
        total += chance * x.T @ np.linalg.solve(v, x)
    return total


def _visits_kept(planned: int, stopping: float) -> np.ndarray:
    """Give the chance of each number of visits kept, 1 to all."""
    going = (1 - stopping) ** np.arange(planned)
    return np.append(going[:-1] * stopping, going[-1])


def _never_again(course: Course) -> float:
    """Give the share of clients who do not reach the last planned visit."""
    return float(1 - (1 - course.stopping) ** (len(course.weeks) - 1))
