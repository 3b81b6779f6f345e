"""How many clients for an interval of a wanted width: a mean change, or a share.

mean    half-width t(n - 1) s / sqrt(n); s varies from study to study, so a width can only be
        promised with a chance: P(s <= h sqrt(n) / t) from chi-square (Kupper & Hafner 1989)
share   half the length of Wilson's interval, averaged over the binomial
"""

from __future__ import annotations

import numpy as np
from scipy import stats
from scipy.special import gammaln

from outcomes.errors import check_between, check_count, check_positive
from outcomes.statistics.effect_size.shares import share_interval
from outcomes.statistics.planning.plan import Plan, smallest_enough, with_drop_out

__all__ = ["clients_for_mean_change", "clients_for_share", "mean_half_width", "share_half_width"]


def mean_half_width(n: int, *, sd: float, level: float = 0.95) -> float:
    """Give the expected half-width of the interval of a mean change with n clients.

    Parameters
    ----------
    n : int
        Clients measured twice, at least 2.
    sd : float
        Standard deviation of the change, above 0.
    level : float
        Level of the interval, in (0, 1).

    Examples
    --------
    >>> round(mean_half_width(46, sd=12), 2)
    3.54
    """
    n, sd = check_count("n", n, least=2), check_positive("sd", sd)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    df = n - 1
    shrink = np.sqrt(2 / df) * np.exp(gammaln(n / 2) - gammaln(df / 2))
    return float(stats.t.ppf(0.5 + level / 2, df) * sd * shrink / np.sqrt(n))


def clients_for_mean_change(
    half_width: float,
    *,
    sd: float,
    level: float = 0.95,
    chance: float | None = None,
    drop_out: float = 0.0,
) -> Plan:
    """Say how many clients give a mean change known to within a wanted half-width.

    Use to plan an estimate. Do not use to plan a test of a difference: `clients_two_groups`.

    Parameters
    ----------
    half_width : float
        Wanted distance from the mean to the end of its interval, in the measure's unit, above 0.
    sd : float
        Standard deviation of the change (not of the readings), above 0.
    level : float
        Level of the interval, in (0, 1).
    chance : float, optional
        Chance that the interval will be no wider than wanted, in (0, 1). Default: on average.
    drop_out : float
        Share of clients lost before the second reading, in [0, 1).

    Returns
    -------
    Plan

    Raises
    ------
    ArgumentError
        If an argument lies outside its rule.

    References
    ----------
    Kupper & Hafner 1989, Am Stat 43:101, doi:10.1080/00031305.1989.10475628.

    Examples
    --------
    >>> plan = clients_for_mean_change(3, sd=12)
    >>> plan.n, clients_for_mean_change(3, sd=12, chance=0.9).n
    (64, 77)

    Checked against: simulated studies (test_planning_precision).
    """
    wanted, sd = check_positive("half_width", half_width), check_positive("sd", sd)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    if chance is None:
        n = smallest_enough(lambda k: mean_half_width(k, sd=sd, level=level) <= wanted, least=2)
        promise = "expected half-width"
    else:
        chance = check_between("chance", chance, 0, 1, remedy="Give 0.9")

        def likely(k: int) -> bool:
            t = stats.t.ppf(0.5 + level / 2, k - 1)
            most = k * (k - 1) * (wanted / (t * sd)) ** 2
            return bool(stats.chi2.cdf(most, k - 1) >= chance)

        n = smallest_enough(likely, least=2)
        promise = f"half-width with a chance of {chance:.0%}"
    return Plan(
        question="mean change with an interval of a wanted width",
        n=n,
        n_per_group=n,
        n_to_recruit=with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=wanted,
        achieved=mean_half_width(n, sd=sd, level=level),
        wanted_is=promise,
        sd=sd,
        ci_level=level,
        method="t interval",
    )


def share_half_width(n: int, *, share: float, level: float = 0.95) -> float:
    """Give the expected half-width of Wilson's interval of a share with n clients.

    Examples
    --------
    >>> round(share_half_width(46, share=0.5), 3)
    0.137
    """
    n, share = check_count("n", n), check_between("share", share, 0, 1)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    # counts beyond six standard deviations carry no weight
    spread = 6 * np.sqrt(n * share * (1 - share)) + 2
    low, high = max(0, int(n * share - spread)), min(n, int(n * share + spread) + 1)
    counts = np.arange(low, high + 1)
    ends = share_interval(counts, np.full(counts.size, n), confidence=level)
    weights = stats.binom.pmf(counts, n, share)
    return float(weights @ (ends[1] - ends[0]) / weights.sum() / 2)


def clients_for_share(
    half_width: float, *, share: float, level: float = 0.95, drop_out: float = 0.0
) -> Plan:
    """Say how many clients give a share known to within a wanted half-width.

    Parameters
    ----------
    half_width : float
        Wanted half-width, in (0, 0.5).
    share : float
        Share expected, in (0, 1); 0.5 where nothing is known.
    level : float
        Level of the interval, in (0, 1).
    drop_out : float
        Share of clients lost, in [0, 1).

    Returns
    -------
    Plan

    Examples
    --------
    >>> clients_for_share(0.1, share=0.5).n
    92

    Checked against: the expected width recomputed by simulation (test_planning_precision).
    """
    wanted = check_between("half_width", half_width, 0, 0.5)
    n = smallest_enough(lambda k: share_half_width(k, share=share, level=level) <= wanted, least=2)
    return Plan(
        question="share with an interval of a wanted width",
        n=n,
        n_per_group=n,
        n_to_recruit=with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=wanted,
        achieved=share_half_width(n, share=share, level=level),
        wanted_is="expected half-width",
        effect=share,
        ci_level=level,
        method="Wilson score interval",
    )
