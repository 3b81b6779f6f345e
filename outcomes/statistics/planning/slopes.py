"""Planning a course over weeks: the mixed model's slope, visits missed and uneven.

    y_it = b0 + b1 t + u0_i + u1_i t + e_it,   Var(u) = G,   Var(e) = sigma^2
    information of a client seen at times T:   J_T = X_T' (X_T G X_T' + sigma^2 I)^-1 X_T
    M = E J_T, the mean over the visits that take place
    Var(b) of n clients = M^-1 / n + E[ M^-1 (J_T - M) M^-1 (J_T - M) M^-1 ] / n^2
    df = n_e - 1 a group,  n_e = n (E c_T)^2 / E c_T^2,  c_T = 1 / (s_slope^2 + sigma^2 / S_T)

The second term of the variance is for the chance of who stops when; S_T = sum (t - mean t)^2, and
c_T what one client alone tells of the slope: nothing with one visit. So n_e counts the clients
that the slope rests on. Where all have the same visits the variance is the closed form
(s_slope^2 + sigma^2 / S) / n and n_e is n. A client stops after each visit with a fixed chance;
those who stop are taken to be like those who stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from outcomes.errors import (
    ArgumentError,
    check_between,
    check_count,
    check_positive,
)
from outcomes.statistics.planning.plan import Plan, smallest_enough
from outcomes.statistics.planning.power import t_power

__all__ = ["Course", "clients_for_slope", "power_slope", "slope_standard_error"]


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
    chances, information, _ = _by_visits_kept(course)
    mean = np.tensordot(chances, information, axes=1)
    inverse = np.linalg.inv(mean)
    gaps = information - mean
    spread = np.tensordot(chances, gaps @ inverse @ gaps, axes=1)
    variance = inverse / n + inverse @ spread @ inverse / n**2
    return float(np.sqrt(variance[1, 1]))


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
    t test with the df above. In 5,000 simulated studies a setting, 20 to 100 clients of whom 15%
    stop after each visit, the power seen was within 1 point of this
    (tests/evidence/planning_simulations.py).

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
    chances, _, alone = _by_visits_kept(course)
    counted = n * float(chances @ alone) ** 2 / float(chances @ alone**2)
    return t_power(slope / error, groups * max(counted - 1, 1.0), alpha)


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
        wanted=target,
        achieved=given(n),
        wanted_is="power",
        effect=slope,
        sd=course.slope_sd,
        ci_level=1 - alpha,
        method="mixed model with random level and slope, expected information over visits kept",
        notes=(
            f"{course.stopping:.0%} stop coming after each visit; all who start are analysed."
            if course.stopping
            else "All visits are kept.",
        ),
    )


def _by_visits_kept(course: Course) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give, by number of visits kept: its chance, the information, and what one client tells.

    Shapes (k,), (k, 2, 2) and (k,); the last is the information on the slope from a client alone.
    """
    times = np.sort(np.asarray(course.weeks, dtype=float))
    information, alone = [], []
    for k in range(1, times.size + 1):
        seen = times[:k]
        x = np.column_stack([np.ones(k), seen])
        v = x @ course.covariance @ x.T + course.error_sd**2 * np.eye(k)
        information.append(x.T @ np.linalg.solve(v, x))
        squares = float(((seen - seen.mean()) ** 2).sum())
        alone.append(squares / (course.slope_sd**2 * squares + course.error_sd**2))
    return _visits_kept(times.size, course.stopping), np.array(information), np.array(alone)


def _visits_kept(planned: int, stopping: float) -> np.ndarray:
    """Give the chance of each number of visits kept, 1 to all."""
    going = (1 - stopping) ** np.arange(planned)
    return np.append(going[:-1] * stopping, going[-1])


def _never_again(course: Course) -> float:
    """Give the share of clients who do not reach the last planned visit."""
    return float(1 - (1 - course.stopping) ** (len(course.weeks) - 1))
