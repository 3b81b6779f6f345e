"""Planning with clients in practitioners, who differ: more clients, and fewer degrees of freedom.

The variance is inflated by 1 + ((1 + cv^2) m - 1) rho (Eldridge et al. 2006): m clients a
practitioner on average, cv their coefficient of variation, rho the share of variance between
practitioners. Degrees of freedom come from the number of practitioners.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from outcomes.errors import ArgumentError, check_between, check_count, check_positive
from outcomes.statistics.planning.plan import Plan, smallest_enough, with_drop_out
from outcomes.statistics.planning.power import check_difference, t_power

__all__ = ["clients_in_clusters", "design_effect", "power_in_clusters"]


def design_effect(clients_each: float, *, icc: float, variation: float = 0.0) -> float:
    """Say by how much clustering in practitioners inflates the number of clients needed.

    Parameters
    ----------
    clients_each : float
        Clients a practitioner on average, at least 1.
    icc : float
        Share of the variance that lies between practitioners, in [0, 1].
    variation : float
        Coefficient of variation of the number of clients a practitioner.

    References
    ----------
    Eldridge, Ashby & Kerry 2006, Int J Epidemiol 35:1292, doi:10.1093/ije/dyl129.

    Examples
    --------
    >>> round(design_effect(20, icc=0.05), 2), round(design_effect(20, icc=0.05, variation=0.5), 2)
    (1.95, 2.2)
    """
    mean = check_positive("clients_each", clients_each)
    if mean < 1:
        raise ArgumentError(f"clients_each must be at least 1, got {clients_each!r}.")
    icc = check_between("icc", icc, 0, 1, closed=True)
    spread = check_positive("variation", variation, zero=True)
    return 1 + ((1 + spread**2) * mean - 1) * icc


def power_in_clusters(
    practitioners: int,
    *,
    clients_each: float,
    difference: float,
    sd: float,
    icc: float,
    variation: float = 0.0,
    alpha: float = 0.05,
) -> float:
    """Give the chance to see a difference between two groups of practitioners with their clients.

    Parameters
    ----------
    practitioners : int
        Practitioners in each group, at least 2.
    clients_each, icc, variation
        As for `design_effect`.
    difference, sd, alpha
        As for `power_two_groups`.

    Notes
    -----
    t test of practitioners' means: 2 (practitioners - 1) df, never the clients' number.

    Examples
    --------
    >>> round(power_in_clusters(8, clients_each=20, difference=0.5, sd=1, icc=0.05), 2)
    0.85
    """
    groups = check_count("practitioners", practitioners, least=2)
    inflation = design_effect(clients_each, icc=icc, variation=variation)
    sd = check_positive("sd", sd)
    delta = difference / sd * np.sqrt(groups * clients_each / (2 * inflation))
    return t_power(delta, 2 * (groups - 1), alpha)


def clients_in_clusters(
    *,
    clients_each: float,
    difference: float,
    sd: float,
    icc: float,
    variation: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
    drop_out: float = 0.0,
) -> Plan:
    """Say how many practitioners, with their clients, show a difference with the wanted power.

    Parameters
    ----------
    clients_each, icc, variation
        As for `design_effect`, after drop-out.
    difference, sd, power, alpha, drop_out
        As for `clients_two_groups`.

    Returns
    -------
    Plan
        Clients; the number of practitioners is in `notes`.

    Examples
    --------
    >>> plan = clients_in_clusters(clients_each=20, difference=0.5, sd=1, icc=0.05)
    >>> plan.n_per_group, plan.notes[0]
    (160, '8 practitioners in each group, 20 clients each.')
    """
    check_difference(difference)
    target = check_between("power", power, alpha, 1)
    given = partial(
        power_in_clusters,
        clients_each=clients_each,
        difference=difference,
        sd=sd,
        icc=icc,
        variation=variation,
        alpha=alpha,
    )
    groups = smallest_enough(lambda k: given(k) >= target, least=2)
    n = int(np.ceil(groups * clients_each - 1e-9))
    return Plan(
        question="difference between two groups of practitioners",
        n=2 * n,
        n_per_group=n,
        n_to_recruit=2 * with_drop_out(n, drop_out),
        drop_out=drop_out,
        wanted=target,
        achieved=given(groups),
        wanted_is="power",
        effect=difference,
        sd=sd,
        ci_level=1 - alpha,
        method="t test of practitioners' means, variance inflated by the design effect",
        notes=(f"{groups} practitioners in each group, {clients_each:g} clients each.",),
    )
