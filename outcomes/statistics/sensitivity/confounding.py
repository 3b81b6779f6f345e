"""How wrong would things have to be: unmeasured differences, and clients never measured again.

E-value    RR + sqrt(RR (RR - 1)): how strongly something unmeasured would have to go with both
           the group and the outcome, as risk ratios, to explain a risk ratio RR away
tipping    the improvement that the lost clients would have needed on average for the mean of
           all (or its interval) to reach a line: the delta of a pattern mixture
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from outcomes.errors import ArgumentError, check_between, check_count, check_positive
from outcomes.results import Claim

__all__ = ["EValue", "TippingPoint", "e_value", "e_value_of_difference", "tipping_point"]


@dataclass(frozen=True, eq=False, kw_only=True)
class EValue(Claim):
    """Strength that an unmeasured confounder would need.

    Attributes
    ----------
    risk_ratio, ci_low, ci_high : float
        What was observed (or what a difference of means comes to).
    e_value : float
        For the estimate, at least 1.
    e_value_interval : float
        For the end of the interval nearer to no effect; 1 where the interval holds no effect.
    method : str
        How it was reached.
    """

    risk_ratio: float
    ci_low: float
    ci_high: float
    e_value: float
    e_value_interval: float
    method: str = "E-value (VanderWeele & Ding 2017)"


@dataclass(frozen=True, eq=False, kw_only=True)
class TippingPoint(Claim):
    """What the clients who were not measured again would have had to do.

    Attributes
    ----------
    n, n_lost : int
        Clients measured again, and not.
    line : float
        Line that the mean is held against.
    mean_for_estimate : float
        Mean improvement of the lost at which the mean of all equals the line.
    mean_for_interval : float
        Mean improvement of the lost at which the interval of the mean of all reaches the line;
        empty where it holds the line already.
    in_sd : float
        `mean_for_interval` less the observed mean, in standard deviations of the change.
    """

    n: int
    n_lost: int
    line: float
    mean_for_estimate: float
    mean_for_interval: float
    in_sd: float


def e_value(
    risk_ratio: float, *, ci_low: float | None = None, ci_high: float | None = None
) -> EValue:
    """Say how strong an unmeasured confounder would have to be to explain a risk ratio away.

    Use where two groups were compared that were not formed by chance. Do not read a large value as
    proof: it says nothing about whether such a confounder exists.

    Parameters
    ----------
    risk_ratio : float
        Above 0.
    ci_low, ci_high : float, optional
        Its interval; default none, and `e_value_interval` is that of the estimate.

    Returns
    -------
    EValue

    Raises
    ------
    ArgumentError
        If a value is not above zero, or the interval does not hold the estimate.

    References
    ----------
    VanderWeele & Ding 2017, Ann Intern Med 167:268, doi:10.7326/M16-2607.

    Examples
    --------
    >>> found = e_value(3.9, ci_low=1.8, ci_high=8.7)
    >>> round(found.e_value, 2), round(found.e_value_interval, 2)
    (7.26, 3.0)

    Checked against: the paper's example (above).
    """
    ratio = check_positive("risk_ratio", risk_ratio)
    low = ratio if ci_low is None else check_positive("ci_low", ci_low)
    high = ratio if ci_high is None else check_positive("ci_high", ci_high)
    if not low <= ratio <= high:
        raise ArgumentError("ci_low and ci_high must lie on either side of risk_ratio.")
    nearer = low if ratio >= 1 else high
    crosses = (ratio >= 1 > low) or (ratio < 1 < high)
    return EValue(
        risk_ratio=ratio,
        ci_low=low,
        ci_high=high,
        e_value=_strength(ratio),
        e_value_interval=1.0 if crosses else _strength(nearer),
    )


def e_value_of_difference(
    difference: float, *, standard_error: float, sd: float, level: float = 0.95
) -> EValue:
    """Say the same for a difference of means between two groups.

    Parameters
    ----------
    difference : float
        Difference of mean improvements, in the measure's unit.
    standard_error : float
        Its standard error, above 0.
    sd : float
        Standard deviation of the improvement within a group, above 0.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    EValue

    Notes
    -----
    With d = difference / sd the risk ratio is about exp(0.91 d), for a normal outcome cut near its
    middle (Chinn 2000; VanderWeele & Ding 2017).

    Examples
    --------
    >>> found = e_value_of_difference(5.0, standard_error=2.0, sd=10.0)
    >>> round(found.risk_ratio, 3), round(found.e_value, 2), round(found.e_value_interval, 2)
    (1.576, 2.53, 1.44)
    """
    sd = check_positive("sd", sd)
    error = check_positive("standard_error", standard_error)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    reach = float(stats.norm.ppf(0.5 + level / 2)) * error
    ratio, low, high = np.exp(0.91 * (difference + np.array([0, -reach, reach])) / sd)
    found = e_value(float(ratio), ci_low=float(low), ci_high=float(high))
    return EValue(
        risk_ratio=found.risk_ratio,
        ci_low=found.ci_low,
        ci_high=found.ci_high,
        e_value=found.e_value,
        e_value_interval=found.e_value_interval,
        method="E-value of a difference of means, risk ratio exp(0.91 d)",
    )


def tipping_point(
    mean: float, *, sd: float, n: int, n_lost: int, line: float = 0.0, level: float = 0.95
) -> TippingPoint:
    """Say how the clients not measured again would have to have fared to overturn the result.

    Use beside every mean improvement with clients lost. Judge whether so bad a course of the lost
    is believable; the table of a clinic's reasons for leaving helps.

    Parameters
    ----------
    mean, sd : float
        Mean improvement and standard deviation of the n clients measured again; sd above 0.
    n, n_lost : int
        Clients measured again (at least 2), and not (at least 1).
    line : float
        Improvement that counts: 0, or an important change.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    TippingPoint

    Notes
    -----
    The lost are given a common mean m and the same spread: mean of all p mean + (1 - p) m, with
    p = n / (n + n_lost) and standard error p sd / sqrt(n), since m is supposed, not observed.

    Examples
    --------
    >>> found = tipping_point(8.0, sd=10.0, n=60, n_lost=20)
    >>> round(found.mean_for_estimate, 1), round(found.mean_for_interval, 1)
    (-24.0, -16.3)
    """
    sd = check_positive("sd", sd)
    n, lost = check_count("n", n, least=2), check_count("n_lost", n_lost)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    p = n / (n + lost)
    reach = float(stats.t.ppf(0.5 + level / 2, n - 1)) * p * sd / np.sqrt(n)
    side = 1.0 if mean >= line else -1.0
    at_estimate = (line - p * mean) / (1 - p)
    at_interval = (line + side * reach - p * mean) / (1 - p)
    decided = abs(mean - line) > float(stats.t.ppf(0.5 + level / 2, n - 1)) * sd / np.sqrt(n)
    return TippingPoint(
        n=n,
        n_lost=lost,
        line=float(line),
        mean_for_estimate=float(at_estimate),
        mean_for_interval=float(at_interval) if decided else float("nan"),
        in_sd=float((at_interval - mean) / sd) if decided else float("nan"),
    )


def _strength(ratio: float) -> float:
    above = max(ratio, 1 / ratio)
    return float(above + np.sqrt(above * (above - 1)))
