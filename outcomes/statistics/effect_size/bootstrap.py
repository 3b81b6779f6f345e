"""Bootstrap intervals over clients for any size of change: BCa, or studentised.

Notation: ``theta`` the statistic of the clients, ``theta*`` of a resample, ``z0`` bias correction,
``a`` acceleration, ``G`` share of resamples below a value; ``se, se*`` standard errors from the
influence ``u_i`` of each client, se^2 = sum(u_i^2) / (n (n - 1)).

    mean      u = d - mean(d)
    d_z       u = z - theta (z^2 - 1) / 2,      z = (d - mean(d)) / s_D
    becker    u = (d - mean(d)) / s1 - theta (x^2 - 1) / 2,   x the standardised start value
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from outcomes.errors import ArgumentError, DataError, check_between, check_choice, check_count
from outcomes.results import Estimate
from outcomes.statistics.individual_change._rows import improvements, signs

__all__ = ["BOOTSTRAPPED", "STUDENTISED", "bootstrap_interval"]

#: A statistic of start values and improvements (both better-is-higher), along the last axis.
Statistic = Callable[[np.ndarray, np.ndarray], np.ndarray]

_CHUNK = 1 << 19  # numbers gathered at once: stays inside the processor's cache
_BLOCKS = 400  # most parts of the jackknife


def _sd(values: np.ndarray) -> np.ndarray:
    return values.std(axis=-1, ddof=1)


def _d_z(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    return gain.mean(axis=-1) / _sd(gain)


def _d_av(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    return gain.mean(axis=-1) / ((_sd(start) + _sd(start + gain)) / 2)


def _d_rm(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    first, latest, change = _sd(start), _sd(start + gain), _sd(gain)
    r = (first**2 + latest**2 - change**2) / (2 * first * latest)
    return gain.mean(axis=-1) / change * np.sqrt(2 * (1 - r))


def _becker(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    return gain.mean(axis=-1) / _sd(start)


def _trimmed(gain: np.ndarray) -> np.ndarray:
    cut = int(0.2 * gain.shape[-1])
    middle = np.partition(gain, [cut, gain.shape[-1] - cut - 1], axis=-1)
    return middle[..., cut : gain.shape[-1] - cut].mean(axis=-1)


def _robust_d(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    n = gain.shape[-1]
    cut = int(0.2 * n)
    ordered = np.sort(gain, axis=-1)
    trimmed = ordered[..., cut : n - cut].mean(axis=-1)
    ordered[..., :cut] = ordered[..., cut : cut + 1]
    ordered[..., n - cut :] = ordered[..., n - cut - 1 : n - cut]
    return 0.642 * trimmed / _sd(ordered)


#: The statistics that go by name.
BOOTSTRAPPED: dict[str, Statistic] = {
    "mean": lambda start, gain: gain.mean(axis=-1),
    "median": lambda start, gain: np.median(gain, axis=-1),
    "trimmed_mean": lambda start, gain: _trimmed(gain),
    "d_z": _d_z,
    "d_av": _d_av,
    "d_rm": _d_rm,
    "becker": _becker,
    "robust_d": _robust_d,
}


def _centred(values: np.ndarray) -> np.ndarray:
    return values - values.mean(axis=-1, keepdims=True)


def _error(influence: np.ndarray) -> np.ndarray:
    n = influence.shape[-1]
    return np.sqrt(np.einsum("...i,...i->...", influence, influence) / (n * (n - 1)))


def _mean_error(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    return _error(_centred(gain))


def _d_z_error(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    z = _centred(gain) / _sd(gain)[..., None]
    return _error(z - _d_z(start, gain)[..., None] * (z**2 - 1) / 2)


def _becker_error(start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    sd = _sd(start)[..., None]
    x = _centred(start) / sd
    return _error(_centred(gain) / sd - _becker(start, gain)[..., None] * (x**2 - 1) / 2)


#: Standard errors of the statistics that can be studentised.
STUDENTISED: dict[str, Statistic] = {
    "mean": _mean_error,
    "d_z": _d_z_error,
    "becker": _becker_error,
}


def bootstrap_interval(
    pairs: pd.DataFrame,
    statistic: str | Statistic = "mean",
    *,
    rng: np.random.Generator,
    better: Any = None,
    confidence: float = 0.95,
    n_resamples: int = 10_000,
    interval: str = "bca",
    measure: str = "",
    unit: str = "",
) -> Estimate:
    """Give a size of change with an interval that assumes no shape of the data.

    Use when changes are skewed or a few clients changed much more than the others. Do not use with
    fewer than 10 clients: the resamples then hold too few different values.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; at least 10 rows.
    statistic : str or function
        One of `BOOTSTRAPPED`, or a function of (start values, improvements), both turned so that
        higher is better, that works along the last axis.
    rng : numpy.random.Generator
        Where the resamples come from.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).
    n_resamples : int
        At least 999.
    interval : ``"bca"`` or ``"studentised"``
        Studentised for `STUDENTISED` alone, and the better one for d_z of skewed changes.
    measure, unit : str
        Carried into the result.

    Returns
    -------
    Estimate
        The statistic with its interval. A note counts resamples without a value.

    Raises
    ------
    DataError
        If values are missing or too few, or the statistic has no value for these clients.
    ArgumentError
        If an argument is outside its range.

    Notes
    -----
    Ends at G^-1(Phi(z0 + (z0 + z) / (1 - a (z0 + z)))), z = +- normal quantile;
    a = sum(u^3) / (6 sum(u^2)^1.5), u the deviations of the delete-one values (blocks of clients
    above 400). Studentised: theta - q se, q the quantiles of (theta* - theta) / se*. For d_z
    of 60 clients with skewed changes 95 % intervals held the truth in 93.1 % (BCa) and 94.4 %
    (studentised) of 2,000 sets. Deterministic given `rng`.

    References
    ----------
    Efron (1987) J Am Stat Assoc 82:171-185, doi:10.1080/01621459.1987.10478410. Studentised: Hall
    (1988) Ann Stat 16:927-953, doi:10.1214/aos/1176350933. Robust d: Algina,
    Keselman & Penfield (2005) Psychol Methods 10:317-328, doi:10.1037/1082-989X.10.3.317.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> pairs = pd.DataFrame({"start_value": rng.normal(50, 9, 40)})
    >>> pairs["latest_value"] = pairs["start_value"] + rng.gamma(2.0, 4.0, 40)
    >>> result = bootstrap_interval(pairs, "median", rng=rng)
    >>> result.ci_low < result.estimate < result.ci_high
    True

    Checked against: scipy.stats.bootstrap (method BCa); simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    n_resamples = check_count("n_resamples", n_resamples, least=999)
    name = statistic if isinstance(statistic, str) else getattr(statistic, "__name__", "statistic")
    if isinstance(statistic, str) and statistic not in BOOTSTRAPPED:
        listed = ", ".join(repr(known) for known in BOOTSTRAPPED)
        raise ArgumentError(f"statistic must be one of {listed}, or a function, got {statistic!r}.")
    check_choice("interval", interval, ["bca", "studentised"])
    if interval == "studentised" and statistic not in STUDENTISED:
        raise ArgumentError(
            f"statistic must be one of {', '.join(map(repr, STUDENTISED))} for a studentised "
            f"interval, got {name!r}. Use interval='bca'."
        )
    function = BOOTSTRAPPED[statistic] if isinstance(statistic, str) else statistic
    raw_start, _, gain = improvements(pairs, better=better)
    start = signs(better, pairs) * raw_start
    if gain.size < 10:
        raise DataError(
            f"a bootstrap interval must rest on at least 10 clients, got {gain.size}. "
            "Use the t interval of mean_change, and show every client."
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(function(start, gain))
        if not np.isfinite(value):
            raise DataError(
                "the statistic must have a value for these clients; they do not differ enough. "
                "Report the raw mean change."
            )
        if interval == "studentised":
            error = STUDENTISED[name]
            drawn = _resample(
                lambda x, d: (function(x, d) - value) / error(x, d), start, gain, rng, n_resamples
            )
            usable = drawn[np.isfinite(drawn)]
            low, high = _studentised(value, usable, float(error(start, gain)), confidence)
        else:
            drawn = _resample(function, start, gain, rng, n_resamples)
            usable = drawn[np.isfinite(drawn)]
            low, high = _bca(value, usable, _leave_out(function, start, gain), confidence)
    lost = drawn.size - usable.size
    words = {"bca": "BCa bootstrap", "studentised": "studentised bootstrap"}[interval]
    return Estimate(
        measure=measure,
        estimate=value,
        ci_low=float(low),
        ci_high=float(high),
        ci_level=confidence,
        unit=unit,
        n=gain.size,
        method=f"{name}; {words} over clients, {n_resamples:,} resamples",
        notes=(f"{lost:,} resamples had no value and were left out.",) if lost else (),
    )


def _studentised(
    value: float, drawn: np.ndarray, error: float, confidence: float
) -> tuple[float, float]:
    tail = (1 - confidence) / 2
    high, low = value - error * np.quantile(drawn, [tail, 1 - tail])
    return float(low), float(high)


def _resample(
    function: Statistic,
    start: np.ndarray,
    gain: np.ndarray,
    rng: np.random.Generator,
    n_resamples: int,
) -> np.ndarray:
    n = gain.size
    rows = max(1, _CHUNK // n)
    drawn = np.empty(n_resamples)
    for first in range(0, n_resamples, rows):
        size = min(rows, n_resamples - first)
        who = rng.integers(0, n, size=(size, n), dtype=np.int32)
        drawn[first : first + size] = function(start[who], gain[who])
    return drawn


def _leave_out(function: Statistic, start: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Values without one client each, or without one block of clients each."""
    n = gain.size
    size = -(-n // _BLOCKS)
    firsts = np.arange(0, n - size + 1, size)
    kept = np.arange(n - size)
    who = kept + size * (kept >= firsts[:, None])
    return function(start[who], gain[who])


def _bca(
    value: float, drawn: np.ndarray, left_out: np.ndarray, confidence: float
) -> tuple[float, float]:
    if np.ptp(drawn) == 0:
        return value, value
    below = (np.sum(drawn < value) + np.sum(drawn == value) / 2) / drawn.size
    z0 = ndtri(np.clip(below, 0.5 / drawn.size, 1 - 0.5 / drawn.size))
    left_out = left_out[np.isfinite(left_out)]
    u = left_out.mean() - left_out
    spread = np.sum(u**2)
    acceleration = np.sum(u**3) / (6 * spread**1.5) if spread > 0 else 0.0
    z = ndtri(np.array([(1 - confidence) / 2, 1 - (1 - confidence) / 2]))
    levels = ndtr(z0 + (z0 + z) / (1 - acceleration * (z0 + z)))
    low, high = np.quantile(drawn, levels)
    return float(low), float(high)
