"""Planning a single-case study: how many readings, and how many clients, show an effect.

Each client has a baseline and then treatment; the visit at which treatment starts is drawn at
random from those allowed, for each client apart (a randomised multiple baseline). The statistic is
the mean over clients of the treatment mean less the baseline mean, and its p-value the share of
all drawn sets of starts that give one at least as large. That test is exact whatever the errors,
serially correlated ones included; a single client with s allowed starts cannot go below p = 1 / s.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_between, check_count
from outcomes.statistics.effect_size.shares import share_interval

__all__ = ["single_case_power"]


def single_case_power(
    clients: int,
    *,
    readings: int,
    effect: float,
    rng: np.random.Generator,
    least_baseline: int = 3,
    least_treatment: int = 3,
    serial_correlation: float = 0.3,
    alpha: float = 0.05,
    studies: int = 1000,
    draws: int = 999,
) -> pd.DataFrame:
    """Give the chance that a randomised single-case study shows an immediate, lasting effect.

    Use to choose the number of readings and clients. Do not use for effects that build up slowly:
    the power is then lower.

    Parameters
    ----------
    clients : int
        Clients, each with an own start of treatment.
    readings : int
        Readings of each client in all.
    effect : float
        Rise of the level in standard deviations of a reading; positive is expected.
    rng : numpy Generator
        Source of series, starts and randomisations.
    least_baseline, least_treatment : int
        Readings before and after any allowed start, at least 1.
    serial_correlation : float
        Of successive readings of a client, in (-1, 1).
    alpha : float
        One-sided error of the first kind, in (0, 1).
    studies, draws : int
        Studies simulated, and sets of starts drawn for each p-value; all sets are taken where
        there are no more than that, and the p-value is then exact.

    Returns
    -------
    DataFrame
        One row: clients, readings, effect, serial_correlation, starts (allowed for each client),
        smallest_p (that the design can give), studies, power, power_low, power_high (95% Wilson).

    Raises
    ------
    ArgumentError
        If fewer than 2 starts are allowed.

    References
    ----------
    Edgington & Onghena 2007, Randomization Tests, 4th edition, chapter 11. Multiple baselines:
    Wampold & Worsham 1986, Behav Assess 8:135 (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> found = single_case_power(4, readings=20, effect=1.5, rng=rng, studies=200, draws=199)
    >>> bool(found["power"].iloc[0] > 0.8)
    True
    """
    clients, readings = check_count("clients", clients), check_count("readings", readings, least=4)
    first = check_count("least_baseline", least_baseline)
    last = readings - check_count("least_treatment", least_treatment)
    rho = check_between("serial_correlation", serial_correlation, -1, 1)
    alpha = check_between("alpha", alpha, 0, 1, remedy="Give 0.05")
    studies, draws = check_count("studies", studies), check_count("draws", draws, least=19)
    starts = last - first + 1
    if starts < 2:
        raise ArgumentError(
            f"readings must allow at least 2 starts of treatment, got {readings} with "
            f"{least_baseline} and {least_treatment} kept. Plan more readings."
        )
    if not np.isfinite(effect):
        raise ArgumentError(f"effect must be a number, got {effect!r}.")
    noise = rng.standard_normal((studies, clients, readings))
    for t in range(1, readings):
        noise[:, :, t] = rho * noise[:, :, t - 1] + np.sqrt(1 - rho**2) * noise[:, :, t]
    actual = rng.integers(0, starts, (studies, clients))
    series = noise + effect * (np.arange(readings) >= (first + actual)[:, :, None])
    gaps = _gaps(series, first, last)
    place = np.arange(clients)
    observed = np.take_along_axis(gaps, actual[:, :, None], axis=2)[:, :, 0].sum(axis=1)
    countable = starts**clients <= draws
    # the same sets of starts serve every study: all of them, or some drawn before its data
    if countable:
        sets = np.indices((starts,) * clients).reshape(clients, -1).T
    else:
        sets = rng.integers(0, starts, (draws, clients))
    as_large = np.zeros(studies)
    for chosen in sets:
        as_large += gaps[:, place, chosen].sum(axis=1) >= observed - 1e-12
    p = as_large / len(sets) if countable else (1 + as_large) / (1 + draws)
    rejected = int((p <= alpha).sum())
    low, high = share_interval(rejected, studies)
    return pd.DataFrame(
        {
            "clients": [clients],
            "readings": [readings],
            "effect": [float(effect)],
            "serial_correlation": [rho],
            "starts": [starts],
            "smallest_p": [1 / (len(sets) if countable else 1 + draws)],
            "studies": [studies],
            "power": [rejected / studies],
            "power_low": [float(low)],
            "power_high": [float(high)],
        }
    )


def _gaps(series: np.ndarray, first: int, last: int) -> np.ndarray:
    """Give treatment less baseline mean per allowed start: studies x clients x starts."""
    sums = np.cumsum(series, axis=2)
    at = np.arange(first, last + 1)
    baseline = sums[:, :, at - 1] / at
    treatment = (sums[:, :, -1:] - sums[:, :, at - 1]) / (series.shape[2] - at)
    return treatment - baseline
