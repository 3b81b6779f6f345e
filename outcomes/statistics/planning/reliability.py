"""How many clients, raters and trials for a repeatability study.

ICC, test       one-way F test of rho = rho0 against rho1: reject if F > F_a (1 + k t0), with
                F ~ (1 + k t1) F(n - 1, n (k - 1)), t = rho / (1 - rho); exact
ICC, precision  Bonett 2002: n = 8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 / (k (k - 1) w^2) + 1
error, MDC      s^2 df / sigma^2 ~ chi-square(df), df = n (k - 1): the ends of the interval of
                sigma (so of the MDC) as shares of the estimate (`study_precision`)
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from outcomes.errors import ArgumentError, check_between, check_count
from outcomes.statistics.planning.plan import Plan, smallest_enough, with_drop_out
from outcomes.statistics.repeatability.study_size import study_precision

__all__ = ["clients_for_error", "clients_for_icc", "clients_for_icc_precision", "power_icc"]


def power_icc(
    n: int, *, icc: float, least_icc: float, readings: int = 2, alpha: float = 0.05
) -> float:
    """Give the chance to show that an intraclass correlation exceeds the least acceptable one.

    Parameters
    ----------
    n : int
        Clients, at least 2.
    icc, least_icc : float
        True and least acceptable correlation, 0 <= least_icc < icc < 1.
    readings : int
        Readings (raters or days) of each client, at least 2.
    alpha : float
        One-sided error of the first kind, in (0, 1).

    Examples
    --------
    >>> round(power_icc(40, icc=0.8, least_icc=0.6), 2)
    0.81
    """
    n, k = check_count("n", n, least=2), check_count("readings", readings, least=2)
    alpha = check_between("alpha", alpha, 0, 1, remedy="Give 0.05")
    low, high = _two_correlations(least_icc, icc)
    df1, df2 = n - 1, n * (k - 1)
    cut = stats.f.isf(alpha, df1, df2)
    ratio = (1 + k * low / (1 - low)) / (1 + k * high / (1 - high))
    return float(stats.f.sf(cut * ratio, df1, df2))


def clients_for_icc(
    *,
    icc: float,
    least_icc: float,
    readings: int = 2,
    power: float = 0.8,
    alpha: float = 0.05,
    drop_out: float = 0.0,
) -> Plan:
    """Say how many clients show that an intraclass correlation is good enough.

    Parameters
    ----------
    icc, least_icc, readings, alpha
        As for `power_icc`.
    power : float
        Chance to show it, in (0, 1).
    drop_out : float
        Share of clients lost, in [0, 1).

    Returns
    -------
    Plan

    Notes
    -----
    Exact; the approximation of Walter, Eliasziw & Donner is within about a client of it.

    References
    ----------
    Walter, Eliasziw & Donner 1998, Stat Med 17:101,
    doi:10.1002/(SICI)1097-0258(19980115)17:1<101::AID-SIM727>3.0.CO;2-E.

    Examples
    --------
    >>> clients_for_icc(icc=0.8, least_icc=0.6).n
    39

    Checked against: the paper's approximation and its table (test_planning_reliability).
    """
    target = check_between("power", power, alpha, 1)

    def enough(k: int) -> bool:
        return power_icc(k, icc=icc, least_icc=least_icc, readings=readings, alpha=alpha) >= target

    n = smallest_enough(enough, least=2)
    return Plan(
        question="intraclass correlation above the least acceptable one",
        n=n,
        n_per_group=n,
        n_to_recruit=with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=target,
        achieved=power_icc(n, icc=icc, least_icc=least_icc, readings=readings, alpha=alpha),
        wanted_is="power",
        effect=icc,
        ci_level=1 - alpha,
        method=f"one-way F test, one-sided, {readings} readings a client",
    )


def clients_for_icc_precision(
    half_width: float, *, icc: float, readings: int = 2, level: float = 0.95, drop_out: float = 0.0
) -> Plan:
    """Say how many clients give an intraclass correlation known to within a wanted half-width.

    Parameters
    ----------
    half_width : float
        Wanted half-width of the interval, in (0, 0.5).
    icc : float
        Correlation expected, in [0, 1).
    readings : int
        Readings of each client, at least 2.
    level : float
        Level of the interval, in (0, 1).
    drop_out : float
        Share of clients lost, in [0, 1).

    Returns
    -------
    Plan
        `achieved` is the half-width of the exact F interval at the expected correlation.

    References
    ----------
    Bonett 2002, Stat Med 21:1331, doi:10.1002/sim.1108.

    Examples
    --------
    >>> clients_for_icc_precision(0.1, icc=0.8, readings=3).n
    36

    Checked against: widths of exact intervals in simulated studies (test_planning_reliability).
    """
    wanted = check_between("half_width", half_width, 0, 0.5)
    r = check_between("icc", icc, -1e-12, 1)
    k = check_count("readings", readings, least=2)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    z = stats.norm.ppf(0.5 + level / 2)
    raw = 8 * z**2 * (1 - r) ** 2 * (1 + (k - 1) * r) ** 2 / (k * (k - 1) * (2 * wanted) ** 2) + 1
    if k == 2 and r >= 0.7:
        raw += 5 * r
    n = max(int(np.ceil(raw - 1e-9)), 3)
    return Plan(
        question="intraclass correlation with an interval of a wanted width",
        n=n,
        n_per_group=n,
        n_to_recruit=with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=wanted,
        achieved=_icc_half_width(n, k, r, level),
        wanted_is="half-width",
        effect=r,
        ci_level=level,
        method=f"Bonett's approximation, one-way model, {k} readings a client",
    )


def clients_for_error(
    within: float, *, readings: int = 2, level: float = 0.95, drop_out: float = 0.0
) -> Plan:
    """Say how many clients give a measurement error, and so an MDC, known to within a share.

    Use to plan the clinic's own repeatability afternoon.

    Parameters
    ----------
    within : float
        Wanted distance from the estimate to the farther (upper) end of its interval, as a share
        of the estimate, above 0: 0.2 for 20%.
    readings : int
        Readings of each client, at least 2.
    level : float
        Level of the interval, in (0, 1).
    drop_out : float
        Share of clients lost, in [0, 1).

    Returns
    -------
    Plan
        More readings buy as much as more clients: what counts is n (readings - 1). For several
        raters, or for the chance that the estimate comes close, see
        `outcomes.statistics.repeatability.clients_needed`; both rest on `study_precision`.

    Examples
    --------
    >>> clients_for_error(0.2).n, clients_for_error(0.2, readings=3).n
    (69, 35)

    Checked against: scipy's chi-square (test_planning_reliability).
    """
    wanted = check_between("within", within, 0, 10)
    k = check_count("readings", readings, least=2)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")

    def upper(n: int) -> float:
        study = study_precision(clients=n, trials=k, confidence=level)
        return float(study["expected_high"].iloc[0]) - 1

    n = smallest_enough(lambda clients: upper(clients) <= wanted, least=2)
    return Plan(
        question="measurement error with an interval of a wanted width",
        n=n,
        n_per_group=n,
        n_to_recruit=with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=wanted,
        achieved=upper(n),
        wanted_is="half-width (share of the estimate, upper end)",
        ci_level=level,
        method=f"chi-square interval of the error, {k} readings a client",
    )


def _two_correlations(least_icc: float, icc: float) -> tuple[float, float]:
    low = check_between("least_icc", least_icc, -1e-12, 1)
    high = check_between("icc", icc, -1e-12, 1)
    if high <= low:
        raise ArgumentError(f"icc must exceed least_icc, got {icc!r} and {least_icc!r}.")
    return low, high


def _icc_half_width(n: int, k: int, r: float, level: float) -> float:
    """Half the length of the exact interval when the F ratio is the expected one."""
    f = (1 + (k - 1) * r) / (1 - r)
    tail = (1 - level) / 2
    ends = [f / stats.f.ppf(q, n - 1, n * (k - 1)) for q in (1 - tail, tail)]
    low, high = [(end - 1) / (end + k - 1) for end in ends]
    return float((high - low) / 2)
