"""Power of comparisons of means: paired, two groups; and what can be seen.

paired      delta = d / s_d * sqrt(n),                     n - 1 df
two groups  delta = d / s * sqrt(n1 n2 / (n1 + n2)),       n1 + n2 - 2 df
power       P(|T| > t) for T noncentral t with delta       exact for normal outcomes
"""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy import optimize, stats

from outcomes.errors import ArgumentError, check_between, check_count, check_positive
from outcomes.statistics.planning.plan import Plan, smallest_enough, with_drop_out

__all__ = [
    "clients_paired",
    "clients_two_groups",
    "power_paired",
    "power_two_groups",
    "smallest_detectable",
]


def power_paired(n: int, *, difference: float, sd: float, alpha: float = 0.05) -> float:
    """Give the chance to see a mean change in one group measured twice.

    Parameters
    ----------
    n : int
        Clients measured twice, at least 2.
    difference : float
        True mean change, in the measure's unit.
    sd : float
        Standard deviation of the change, above 0.
    alpha : float
        Two-sided error of the first kind, in (0, 1).

    Examples
    --------
    >>> round(power_paired(34, difference=0.5, sd=1), 3)
    0.808

    Checked against: statsmodels TTestPower; Cohen 1988 (test_planning_power).
    """
    n, sd = check_count("n", n, least=2), check_positive("sd", sd)
    return t_power(difference / sd * np.sqrt(n), n - 1, alpha)


def clients_paired(
    *, difference: float, sd: float, power: float = 0.8, alpha: float = 0.05, drop_out: float = 0.0
) -> Plan:
    """Say how many clients, measured twice, show a mean change with the wanted power.

    Parameters
    ----------
    difference : float
        Mean change to be seen, not 0, in the measure's unit.
    sd : float
        Standard deviation of the change, above 0.
    power : float
        Chance to see it, in (0, 1).
    alpha : float
        Two-sided error of the first kind, in (0, 1).
    drop_out : float
        Share of clients lost, in [0, 1).

    Returns
    -------
    Plan

    Examples
    --------
    >>> clients_paired(difference=0.5, sd=1).n
    34

    Checked against: Cohen 1988, 34 pairs for d = 0.5 (test_planning_power).
    """
    check_difference(difference)
    target = check_between("power", power, alpha, 1)
    given = partial(power_paired, difference=difference, sd=sd, alpha=alpha)
    n = smallest_enough(lambda k: given(k) >= target, least=2)
    return Plan(
        question="mean change in one group",
        n=n,
        n_per_group=n,
        n_to_recruit=with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=target,
        achieved=given(n),
        wanted_is="power",
        effect=difference,
        sd=sd,
        ci_level=1 - alpha,
        method="paired t test, two-sided, noncentral t",
        notes=("A change in one group is no effect of treatment.",),
    )


def power_two_groups(
    n: int, *, difference: float, sd: float, alpha: float = 0.05, ratio: float = 1.0
) -> float:
    """Give the chance to see a difference between two groups.

    Parameters
    ----------
    n : int
        Clients in the first group, at least 2.
    difference : float
        True difference of means, in the measure's unit.
    sd : float
        Standard deviation within a group (of the change, if changes are compared), above 0.
    alpha : float
        Two-sided error of the first kind, in (0, 1).
    ratio : float
        Clients in the second group for one in the first, above 0.

    Examples
    --------
    >>> round(power_two_groups(64, difference=0.5, sd=1), 3)
    0.801

    Checked against: statsmodels TTestIndPower; Cohen 1988 (test_planning_power).
    """
    n, sd = check_count("n", n, least=2), check_positive("sd", sd)
    other = check_positive("ratio", ratio) * n
    delta = difference / sd * np.sqrt(n * other / (n + other))
    return t_power(delta, n + other - 2, alpha)


def clients_two_groups(
    *,
    difference: float,
    sd: float,
    power: float = 0.8,
    alpha: float = 0.05,
    drop_out: float = 0.0,
    start_correlation: float = 0.0,
) -> Plan:
    """Say how many clients in each of two groups show a difference with the wanted power.

    Parameters
    ----------
    difference : float
        Difference to be seen, not 0, in the measure's unit.
    sd : float
        Standard deviation of the outcome within a group, above 0.
    power, alpha, drop_out
        As for `clients_paired`.
    start_correlation : float
        Correlation of start value and outcome, in (-1, 1), when the comparison adjusts for the
        start value: the variance shrinks by 1 - r^2 (Borm et al. 2007).

    Returns
    -------
    Plan
        `n_per_group` and `n` of both groups.

    References
    ----------
    Borm, Fransen & Lemmens 2007, J Clin Epidemiol 60:1234, doi:10.1016/j.jclinepi.2007.02.006.

    Examples
    --------
    >>> clients_two_groups(difference=0.5, sd=1).n_per_group
    64

    Checked against: Cohen 1988, 64 a group for d = 0.5 (test_planning_power).
    """
    check_difference(difference)
    target = check_between("power", power, alpha, 1)
    r = check_between("start_correlation", start_correlation, -1, 1)
    sd = check_positive("sd", sd)
    left = sd * np.sqrt(1 - r**2)
    given = partial(power_two_groups, difference=difference, sd=left, alpha=alpha)
    n = smallest_enough(lambda k: given(k) >= target, least=2)
    return Plan(
        question="difference between two groups",
        n=2 * n,
        n_per_group=n,
        n_to_recruit=2 * with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=target,
        achieved=given(n),
        wanted_is="power",
        effect=difference,
        sd=sd,
        ci_level=1 - alpha,
        method="two-group t test, two-sided, noncentral t"
        + (f", adjusted for a start value correlated {r:.2f}" if r else ""),
    )


def smallest_detectable(
    n: int,
    *,
    sd: float,
    power: float = 0.8,
    alpha: float = 0.05,
    other_n: int | None = None,
) -> float:
    """Give the smallest mean change, or difference of groups, that n clients would show.

    Use for the clinic's size this quarter: "with 46 clients you can see a 5 degree change".

    Parameters
    ----------
    n : int
        Clients measured twice; or in the first group, if `other_n` is given.
    sd : float
        Standard deviation of the change (of the outcome within a group), above 0.
    power, alpha
        As for `clients_paired`.
    other_n : int, optional
        Clients in the second group (as last quarter's), for a difference.

    Returns
    -------
    float
        In the measure's unit.

    Examples
    --------
    >>> round(smallest_detectable(46, sd=12), 1)
    5.1
    >>> round(smallest_detectable(46, sd=12, other_n=40), 1)
    7.4
    """
    n, sd = check_count("n", n, least=2), check_positive("sd", sd)
    target = check_between("power", power, alpha, 1)
    if other_n is None:
        size, df = np.sqrt(n), n - 1
    else:
        other = check_count("other_n", other_n, least=2)
        size, df = np.sqrt(n * other / (n + other)), n + other - 2
    gap = lambda delta: t_power(delta, df, alpha) - target  # noqa: E731
    high = 10.0
    while gap(high) < 0:
        high *= 2
    return float(optimize.brentq(gap, 0.0, high, xtol=1e-10) / size * sd)


def t_power(delta: float, df: float, alpha: float) -> float:
    """Give the power of a two-sided t test with noncentrality delta."""
    alpha = check_between("alpha", alpha, 0, 1, remedy="Give 0.05")
    cut = float(stats.t.isf(alpha / 2, df))
    size = abs(float(delta))
    if size > 35:
        return 1.0
    # the far tail is below 1e-10 from 6 on, and scipy loses it soon after
    far = float(stats.nct.cdf(-cut, df, size)) if size < 6 else 0.0
    return min(float(stats.nct.sf(cut, df, size)) + far, 1.0)


def check_difference(difference: float) -> None:
    """Refuse a difference of zero."""
    if not np.isfinite(difference) or difference == 0:
        raise ArgumentError(f"difference must be a number other than 0, got {difference!r}.")
