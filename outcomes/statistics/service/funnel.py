"""Funnel plots: is a practitioner's or a site's share further from the whole than chance allows.

    target theta    the share of all groups together, or one given
    exact limit     Spiegelhalter's interpolation between two counts: with F the binomial
                    distribution for size n and r the smallest count with F(r) >= p,
                    limit = (r - (F(r) - p) / (F(r) - F(r - 1))) / n, cut off at 0
    upper limit     drawn by the same rule from above, 1 - limit(1 - theta), one count higher than
                    the published one, which counts r itself as outside although its chance is
                    above the tail (Seaton & Manktelow 2012); so outside means outside
    z_i             (share_i - theta) / sqrt(theta (1 - theta) / n_i), winsorised at 10%
    phi             mean of z_i^2: above 1 where groups differ by more than chance

Groups are shown in a funnel, never as a league: order says nothing at these sizes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import ArgumentError, DataError, check_between, check_columns, rows_must

__all__ = ["binomial_funnel_limit", "funnel_lines", "poisson_funnel_limit", "share_funnel"]

_INNER, _OUTER = 0.95, 0.998


def binomial_funnel_limit(n: np.ndarray | float, *, theta: float, probability: float) -> np.ndarray:
    """Give the share that a group of size n stays below with the stated probability.

    Parameters
    ----------
    n : array of int
        Sizes, at least 1.
    theta : float
        Target share, in (0, 1).
    probability : float
        0.025 and 0.975 for a 95% funnel, 0.001 and 0.999 for a 99.8% funnel.

    Returns
    -------
    ndarray
        Limits, between 0 and 1.

    References
    ----------
    Spiegelhalter 2005, Stat Med 24:1185, appendix A, doi:10.1002/sim.1970.

    Examples
    --------
    >>> round(float(binomial_funnel_limit(100, theta=0.1, probability=0.975)), 5)
    0.15772

    Checked against: limits computed apart from this code (test_service_funnel).
    """
    sizes = np.atleast_1d(np.asarray(n, dtype=float))
    if (~np.isfinite(sizes) | (sizes < 1)).any():
        raise rows_must("n", "be at least 1", ~(sizes >= 1), "Leave out groups without clients")
    theta = check_between("theta", theta, 0, 1)
    probability = check_between("probability", probability, 0, 1)
    reached = stats.binom.ppf(probability, sizes, theta)
    limit = _interpolate(reached, stats.binom(sizes, theta), probability) / sizes
    limit = np.clip(limit, 0, 1)
    return limit if np.ndim(n) else limit[0]


def poisson_funnel_limit(expected: np.ndarray | float, *, probability: float) -> np.ndarray:
    """Give the ratio of observed to expected that chance stays below with this probability.

    Parameters
    ----------
    expected : array of float
        Expected counts, above 0.
    probability : float
        As for `binomial_funnel_limit`.

    Returns
    -------
    ndarray
        Limits of observed / expected, at least 0.

    References
    ----------
    Spiegelhalter 2005 as above; false alarms of the usual limits: Seaton & Manktelow 2012, BMC
    Med Res Methodol 12:98, doi:10.1186/1471-2288-12-98.

    Examples
    --------
    >>> round(float(poisson_funnel_limit(10.0, probability=0.975)), 3)
    1.616
    """
    counts = np.atleast_1d(np.asarray(expected, dtype=float))
    if (~np.isfinite(counts) | (counts <= 0)).any():
        raise rows_must("expected", "be above zero", ~(counts > 0), "Leave out such groups")
    probability = check_between("probability", probability, 0, 1)
    reached = stats.poisson.ppf(probability, counts)
    limit = np.maximum(_interpolate(reached, stats.poisson(counts), probability), 0) / counts
    return limit if np.ndim(expected) else limit[0]


def share_funnel(
    groups: pd.DataFrame, *, theta: float | None = None, overdispersion: bool = True
) -> pd.DataFrame:
    """Set each group's share against what chance allows for its size.

    Use for practitioners or sites with a share of clients (improved, followed up). Do not use to
    rank; and where groups treat different clients, use `practitioner_differences`, which adjusts.

    Parameters
    ----------
    groups : DataFrame
        group, count, n: one row per group.
    theta : float, optional
        Target share in (0, 1); default all counts over all n.
    overdispersion : bool
        Widen the limits when groups differ by more than chance and at least 5 groups say so
        (phi above 1 + 2 sqrt(2 / groups), Spiegelhalter 2005).

    Returns
    -------
    DataFrame
        group, count, n, share, target, dispersion (phi; 1 where not applied), lower_95,
        upper_95, lower_998, upper_998, position: ``"inside"``, ``"beyond 95%"`` or
        ``"beyond 99.8%"``. Rows in order of group, not of share.

    Raises
    ------
    DataError
        Counts above n, sizes below 1, or all clients with (or without) the outcome.

    Notes
    -----
    Among 20 groups without any difference up to one lies beyond the 95% limits on average; with
    small groups fewer, since counts move in steps.

    Examples
    --------
    >>> groups = pd.DataFrame({"group": ["a", "b", "c"], "count": [30, 24, 60], "n": [60, 50, 70]})
    >>> share_funnel(groups)["position"].tolist()
    ['beyond 95%', 'beyond 95%', 'beyond 99.8%']
    """
    check_columns(groups, ["group", "count", "n"], thing="the groups")
    frame = groups[["group", "count", "n"]].sort_values("group").reset_index(drop=True)
    count, n = frame["count"].to_numpy(float), frame["n"].to_numpy(float)
    wrong = ~((count >= 0) & (count <= n) & (n >= 1) & (count == np.floor(count)))
    if wrong.any():
        raise rows_must("count", "be a whole number from 0 to n", wrong, "Correct the counts")
    if theta is None:
        theta = float(count.sum() / n.sum())
        if not 0 < theta < 1:
            raise DataError(
                "the share of all groups together must lie between 0 and 1, or no funnel can be "
                "drawn. Give theta."
            )
    theta = check_between("theta", theta, 0, 1)
    phi = dispersion(count / n, n, theta) if overdispersion and len(frame) >= 5 else 1.0
    frame["share"], frame["target"], frame["dispersion"] = count / n, theta, phi
    lines = funnel_lines(n, theta=theta, dispersion=phi)
    frame = pd.concat([frame, lines.drop(columns="n")], axis=1)
    frame["position"] = "inside"
    for name, words in (("95", "beyond 95%"), ("998", "beyond 99.8%")):
        low, high = frame[f"lower_{name}"] - 1e-12, frame[f"upper_{name}"] + 1e-12
        outside = (frame["share"] < low) | (frame["share"] > high)
        frame.loc[outside, "position"] = words
    return frame


def funnel_lines(
    n: np.ndarray | pd.Series, *, theta: float, dispersion: float = 1.0
) -> pd.DataFrame:
    """Give the limits of `share_funnel` at any sizes, to draw its lines.

    Parameters
    ----------
    n : array of int
        Sizes, at least 1.
    theta : float
        Target share, in (0, 1).
    dispersion : float
        Phi of `share_funnel`, at least 1: limits are taken at sqrt(phi) times as many standard
        deviations.

    Returns
    -------
    DataFrame
        n, lower_95, upper_95, lower_998, upper_998.

    Examples
    --------
    >>> lines = funnel_lines(np.array([20, 80]), theta=0.4)
    >>> (lines["upper_95"] - lines["lower_95"]).round(2).tolist()
    [0.48, 0.23]
    """
    sizes = np.asarray(n, dtype=float)
    theta = check_between("theta", theta, 0, 1)
    if not dispersion >= 1:
        raise ArgumentError(f"dispersion must be at least 1, got {dispersion!r}.")
    table = pd.DataFrame({"n": np.asarray(n)})
    for level, name in ((_INNER, "95"), (_OUTER, "998")):
        tail = float(stats.norm.cdf(stats.norm.ppf((1 - level) / 2) * np.sqrt(dispersion)))
        lower = binomial_funnel_limit(sizes, theta=theta, probability=tail)
        mirrored = binomial_funnel_limit(sizes, theta=1 - theta, probability=tail)
        table[f"lower_{name}"], table[f"upper_{name}"] = lower, 1 - mirrored
    return table


def dispersion(share: np.ndarray, n: np.ndarray, theta: float, *, trim: float = 0.1) -> float:
    """Estimate phi, the spread of groups relative to chance; 1 unless clearly above it."""
    if not 0 <= trim < 0.5:
        raise ArgumentError(f"trim must be in [0, 0.5), got {trim!r}.")
    z = (share - theta) / np.sqrt(theta * (1 - theta) / n)
    low, high = np.quantile(z, [trim, 1 - trim])
    phi = float(np.mean(np.clip(z, low, high) ** 2))
    return phi if phi > 1 + 2 * np.sqrt(2 / z.size) else 1.0


def _interpolate(reached: np.ndarray, law: object, probability: float) -> np.ndarray:
    above = law.cdf(reached)  # pyright: ignore[reportAttributeAccessIssue]
    mass = law.pmf(reached)  # pyright: ignore[reportAttributeAccessIssue]
    return reached - (above - probability) / mass
