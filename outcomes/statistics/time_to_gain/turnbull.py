"""Time to gain when it is known only to lie between two visits: Turnbull's estimate.

    client i    gain in (L_i, R_i];  R_i infinite where never seen;  L_i = R_i: seen exactly
    support     the innermost intervals (q_j, p_j], where a left end is followed by a right end
    alpha_ij    1 if (q_j, p_j] lies in (L_i, R_i]
    maximise    sum_i log sum_j alpha_ij m_j   over masses m_j >= 0, sum m_j = 1

The masses are the maximum exactly when the gradient d_j = mean_i alpha_ij / (alpha m)_i is at most
1 everywhere and 1 wherever m_j > 0 (Gentleman & Geyer 1994, Biometrika 81:618); the largest
violation is computed and kept with the result. The maximum is found by constrained Newton steps
(Wang 2007, J R Stat Soc B 69:185): least squares of S m on 2, S_ij = alpha_ij / (alpha m)_i, over
m >= 0, and a halving of steps. Where inside an interval the mass lies cannot be known.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize

from outcomes.errors import (
    DataError,
    ModelError,
    check_between,
    check_count,
    rows_must,
)
from outcomes.results import Claim, Estimate

__all__ = ["IntervalCurve", "turnbull", "turnbull_median"]

_TOLERANCE = 1e-8


@dataclass(frozen=True, eq=False, kw_only=True)
class IntervalCurve(Claim):
    """Turnbull's estimate.

    Attributes
    ----------
    n : int
        Clients.
    log_likelihood : float
        At the maximum.
    optimality : float
        Largest violation of the optimality condition; zero but for rounding.
    masses : DataFrame
        left, right (the interval in which the mass lies; infinite right: not reached), mass,
        survival_left, survival_right (share still short of the gain at its ends).
    """

    n: int
    log_likelihood: float
    optimality: float
    masses: pd.DataFrame = field(repr=False)

    def survival(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the largest and the smallest share still short of the gain at given times.

        They differ only inside an interval that holds mass.
        """
        asked = np.atleast_1d(np.asarray(times, dtype=float))
        left = self.masses["left"].to_numpy(float)
        right = self.masses["right"].to_numpy(float)
        mass = self.masses["mass"].to_numpy(float)
        fully = (right[None, :] <= asked[:, None]) @ mass
        begun = (left[None, :] < asked[:, None]) | (right[None, :] <= asked[:, None])
        return 1 - fully, 1 - begun @ mass


def turnbull(left: pd.Series | np.ndarray, right: pd.Series | np.ndarray) -> IntervalCurve:
    """Give the share of clients still short of the gain, from the visits around each gain.

    Use whenever gains happen between visits; it needs no assumption on when inside.

    Parameters
    ----------
    left, right : array of float
        The gain lies after `left` and not after `right`; right is infinite where it was never
        seen. Equal values are gains seen exactly.

    Returns
    -------
    IntervalCurve

    Raises
    ------
    DataError
        If a right end lies before its left end, or an end is missing or negative.
    ModelError
        If the optimality condition is not met.

    References
    ----------
    Turnbull 1976, J R Stat Soc B 38:290. Data: Finkelstein & Wolfe 1985, Biometrics 41:933.

    Examples
    --------
    >>> curve = turnbull([0, 1, 2], [2, 3, np.inf])
    >>> curve.masses[["left", "right", "mass"]].round(3).values.tolist()
    [[1.0, 2.0, 0.5], [2.0, 3.0, 0.5]]

    Checked against: the published breast cosmesis estimate; its own optimality condition; the
    Kaplan-Meier estimate where all gains are exact (test_time_to_gain_turnbull).
    """
    lower, upper = checked_ends(left, right)
    support = _support(lower, upper)
    inside = contains(lower, upper, support)
    patterns, rows = np.unique(inside, axis=0, return_counts=True)
    mass, likelihood, violation = _maximise(patterns.astype(float), rows / rows.sum())
    if violation > 1e-5:
        raise ModelError(
            f"the estimate must satisfy its optimality condition; the largest violation is "
            f"{violation:.1e}. Report the numbers of clients behind it."
        )
    done = np.cumsum(mass)
    return IntervalCurve(
        n=lower.size,
        log_likelihood=float(likelihood * lower.size),
        optimality=float(violation),
        masses=pd.DataFrame(
            {
                "left": support[:, 0],
                "right": support[:, 1],
                "mass": mass,
                "survival_left": np.clip(1 - done + mass, 0, 1),
                "survival_right": np.clip(1 - done, 0, 1),
            }
        ),
    )


def turnbull_median(
    left: pd.Series | np.ndarray,
    right: pd.Series | np.ndarray,
    *,
    rng: np.random.Generator,
    share: float = 0.5,
    level: float = 0.95,
    samples: int = 500,
    unit: str = "weeks",
) -> Estimate:
    """Give the time by which half of the clients have reached the gain, from their visits.

    Parameters
    ----------
    left, right : array of float
        As for `turnbull`.
    rng : numpy Generator
        Draws the bootstrap samples of clients.
    share : float
        Share that has reached it, in (0, 1).
    level : float
        Level of the interval, in (0, 1).
    samples : int
        Bootstrap samples, at least 100.
    unit : str
        ``"weeks"`` or ``"visits"``.

    Returns
    -------
    Estimate
        The time at which the estimate passes 1 - share, its mass spread evenly inside its
        interval; infinite where fewer have been seen to reach it.

    Notes
    -----
    Percentile bootstrap over clients. With visits at few common times it behaves as for a table of
    counts; with irregular visits the estimate converges slowly (cube root of n), and the interval
    is a guide.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> median = turnbull_median([0, 1, 1, 2] * 8, [1, 2, 2, 3] * 8, rng=rng, samples=100)
    >>> round(median.estimate, 6)
    1.5
    """
    share = check_between("share", share, 0, 1)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    samples = check_count("samples", samples, least=100)
    lower, upper = checked_ends(left, right)
    estimate = _time_at(turnbull(lower, upper).masses, share)
    support = _support(lower, upper)
    inside = contains(lower, upper, support).astype(float)
    ends = pd.DataFrame(support, columns=["left", "right"])
    found = []
    for _ in range(samples):
        counts = np.bincount(rng.integers(0, lower.size, lower.size), minlength=lower.size)
        used = counts > 0
        mass = _maximise(inside[used], counts[used] / lower.size)[0]
        found.append(_time_at(ends.assign(mass=mass), share))
    half = (1 - level) / 2
    ordered = np.sort(found)
    low = ordered[int(np.floor(half * (samples - 1)))]
    high = ordered[int(np.ceil((1 - half) * (samples - 1)))]
    return Estimate(
        estimate=estimate,
        ci_low=float(low),
        ci_high=float(high),
        ci_level=level,
        n=lower.size,
        unit=unit,
        method=f"Turnbull's estimate, percentile bootstrap over clients ({samples} samples)",
        measure=f"time until {share:.0%} have reached the gain",
        notes=() if np.isfinite(estimate) else (f"Fewer than {share:.0%} were seen to reach it.",),
    )


def checked_ends(left: object, right: object) -> tuple[np.ndarray, np.ndarray]:
    """Turn ends into arrays; refuse unequal lengths and impossible intervals."""
    lower, upper = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    if lower.size != upper.size or lower.size == 0:
        raise DataError(
            f"left and right must have one entry per client, got {lower.size} and {upper.size}."
        )
    wrong = ~(np.isfinite(lower) & (lower >= 0) & (upper >= lower))
    if wrong.any():
        raise rows_must(
            "left", "be zero or more and not beyond right", wrong, "Leave these clients out"
        )
    return lower, upper


def _support(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Find the innermost intervals: a left end directly followed by a right end.

    Ties are ordered: a right end, closed, comes before a left end, open, at the same time; an
    exact gain is the closed point itself, so its left end comes just before its right end.
    """
    exact = lower == upper
    ends = np.concatenate([lower, upper])
    rank = np.concatenate([np.where(exact, 0, 2), np.ones(upper.size)])
    is_right = np.repeat([False, True], lower.size)
    order = np.lexsort([rank, ends])
    ends, is_right = ends[order], is_right[order]
    inner = ~is_right[:-1] & is_right[1:]
    pairs = np.column_stack([ends[:-1][inner], ends[1:][inner]])
    return np.unique(pairs, axis=0)


def contains(lower: np.ndarray, upper: np.ndarray, support: np.ndarray) -> np.ndarray:
    """Mark which innermost intervals lie in each client's interval."""
    exact = (lower == upper)[:, None]
    point = (support[:, 0] == support[:, 1])[None, :]
    q, p = support[:, 0][None, :], support[:, 1][None, :]
    ordinary = np.where(point, q > lower[:, None], q >= lower[:, None]) & (p <= upper[:, None])
    return np.where(exact, point & (q == lower[:, None]), ordinary)


def _maximise(inside: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Find the masses by constrained Newton steps; also log-likelihood and worst violation."""
    useful = inside.any(axis=0)
    mass = np.where(useful, 1.0 / useful.sum(), 0.0)
    root = np.sqrt(weights)

    def likelihood(values: np.ndarray) -> float:
        fitted = inside @ values
        return float(weights @ np.log(fitted)) if (fitted > 0).all() else -np.inf

    current = likelihood(mass)
    violation = np.inf
    for _ in range(500):
        fitted = inside @ mass
        gradient = inside.T @ (weights / fitted)
        violation = float(max(gradient.max() - 1, np.abs(gradient[mass > 0] - 1).max(initial=0)))
        if violation < _TOLERANCE:
            break
        target, ratio = 2 * root, root[:, None] * inside / fitted[:, None]
        heavy = 1e4  # a heavy extra row keeps the masses summing to one
        system = np.vstack([ratio, np.full(mass.size, heavy)])
        step = optimize.nnls(system, np.append(target, heavy))[0]
        step = np.where(useful, step, 0.0)
        step /= step.sum()
        mass, current, moved = _climb(mass, step, current, gradient, likelihood)
        if not moved:
            mass = mass * gradient  # one step of the EM algorithm always climbs
            mass /= mass.sum()
            current = likelihood(mass)
        mass = np.where(mass < 1e-13, 0.0, mass)
    return mass, current, violation


def _climb(
    mass: np.ndarray,
    step: np.ndarray,
    current: float,
    gradient: np.ndarray,
    likelihood: object,
) -> tuple[np.ndarray, float, bool]:
    slope = float(gradient @ (step - mass))
    size = 1.0
    while size > 1e-10:
        trial = mass + size * (step - mass)
        value = likelihood(trial)  # pyright: ignore[reportCallIssue]
        if value >= current + 1e-4 * size * slope and value >= current:
            return trial, value, value > current
        size /= 2
    return mass, current, False


def _time_at(masses: pd.DataFrame, share: float) -> float:
    """Find where the curve passes 1 - share, mass spread evenly inside its interval."""
    done = np.cumsum(masses["mass"].to_numpy(float))
    j = int(np.argmax(done >= share - 1e-9)) if (done >= share - 1e-9).any() else len(done) - 1
    low, high = float(masses["left"].iloc[j]), float(masses["right"].iloc[j])
    if not np.isfinite(high):
        return float("inf")
    before = done[j] - masses["mass"].iloc[j]
    part = (share - before) / masses["mass"].iloc[j] if masses["mass"].iloc[j] > 0 else 1.0
    return low + min(max(float(part), 0.0), 1.0) * (high - low)
