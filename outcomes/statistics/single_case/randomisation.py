"""Randomisation tests: the result among the assignments that could have been drawn.

The only assumption is that the assignment was in fact drawn at random from the design's list.
Serial correlation and trends do not disturb the test's size.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_choice, check_count
from outcomes.results import Claim
from outcomes.statistics.single_case.designs import Design
from outcomes.statistics.single_case.phases import read_series

__all__ = ["RandomisationTest", "Statistic", "randomisation_test", "standardised_differences"]

#: Readings (total,), assignments (k, total), lengths per client -> k statistics; larger is better.
Statistic = Callable[[np.ndarray, np.ndarray, tuple[int, ...]], np.ndarray]

_STATISTICS = ("mean_difference", "standardised_difference", "tau")


@dataclass(frozen=True, eq=False, kw_only=True)
class RandomisationTest(Claim):
    """Result of a randomisation test.

    Attributes
    ----------
    statistic : float
        Observed value, positive is better for the client.
    p_value : float
        Share of assignments at least as extreme, the drawn one included.
    smallest_p : float
        Smallest p-value that the design could have given.
    n_assignments : int
        Assignments that could have been drawn.
    exact : bool
        True: all were enumerated. False: drawn at random.
    alternative, method : str
        Direction and words.
    n : int
        Clients.
    reference : ndarray
        The statistic under every assignment looked at.
    """

    statistic: float
    p_value: float
    smallest_p: float
    n_assignments: int
    exact: bool
    alternative: str
    method: str
    n: int
    reference: np.ndarray
    question: str = (
        "How unusual is this difference among the assignments that could have been drawn?"
    )
    use_when: str = "The start, order or condition was in fact drawn at random from the design."
    do_not_use_when: str = "Starts were chosen by readiness, convenience or the data."
    source: str = "Edgington & Onghena 2007, Randomization Tests; Phipson & Smyth 2010"


def randomisation_test(
    values: pd.DataFrame,
    *,
    design: Design,
    better: str = "higher",
    statistic: str | Statistic = "mean_difference",
    alternative: str = "better",
    most_enumerated: int = 200_000,
    draws: int = 19_999,
    rng: np.random.Generator | None = None,
) -> RandomisationTest:
    """Test a randomised single-case design by its own randomisation.

    Use when the start points, the order of clients, or the condition of each visit were drawn at
    random. Do not use otherwise: the p-value then means nothing.

    Parameters
    ----------
    values : DataFrame
        Readings as for `read_series`, one series per client, clients in the design's order once
        sorted by code.
    design : Design
        From `random_start`, `multiple_baseline`, `staggered_starts`, `alternating`, `blocked`
        or `phase_changes`.
    better : {"higher", "lower"}
        Direction of improvement.
    statistic : {"mean_difference", "standardised_difference", "tau"} or callable
        Averaged over clients; a callable takes (readings, assignments, lengths).
    alternative : {"better", "worse", "two-sided"}
        ``better``: treatment readings are better.
    most_enumerated, draws : int
        Enumerate up to so many assignments, otherwise draw so many.
    rng : numpy Generator
        Needed only where assignments are drawn.

    Returns
    -------
    RandomisationTest

    Raises
    ------
    DataError, ArgumentError
        Lengths or phases that the design could not have produced; rng missing where needed.

    Notes
    -----
    Exact: #{T >= T_observed} / count. Drawn: (1 + #{T >= T_observed}) / (1 + draws), which holds
    its level (Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39).

    References
    ----------
    Edgington & Onghena 2007, Randomization Tests, 4th ed.; Heyvaert & Onghena 2014, J Contextual
    Behav Sci 3:51.

    Examples
    --------
    >>> from outcomes.statistics.single_case.designs import random_start
    >>> values = pd.DataFrame({"client": "A", "week": range(8), "value": [1, 2, 1, 6, 7, 7, 8, 7],
    ...                        "phase": ["baseline"] * 3 + ["treatment"] * 5})
    >>> randomisation_test(values, design=random_start(8, least_treatment=3)).p_value
    0.3333333333333333

    Checked against: full enumeration written independently. Test: test_single_case_randomised.py.
    """
    check_choice("alternative", alternative, ("better", "worse", "two-sided"))
    series = read_series(values, better=better, need_baseline=False)
    y = np.concatenate([one.improved for one in series])
    observed = np.concatenate([one.treated for one in series]).astype(np.int8)
    if tuple(one.value.size for one in series) != design.lengths:
        raise DataError(
            f"series must have the lengths of the design {list(design.lengths)}, got "
            f"{[one.value.size for one in series]}. Plan with the readings that were taken, "
            f"or restrict both to the common visits."
        )
    compute = _statistic(statistic)
    exact = design.count <= most_enumerated
    if exact:
        assignments = design.all_assignments()
    elif rng is None:
        raise ArgumentError(
            f"rng must be given to draw from {design.count:,} assignments, got None. Give "
            f"numpy.random.default_rng(seed)."
        )
    else:
        assignments = design.draw(check_count("draws", draws), rng)
    design.check_possible(observed)
    reference = compute(y, assignments, design.lengths)
    value = float(compute(y, observed[None, :], design.lengths)[0])
    extreme = _at_least(reference, value, alternative)
    p_value = extreme / len(reference) if exact else (1 + extreme) / (1 + len(reference))
    return RandomisationTest(
        statistic=value,
        p_value=float(p_value),
        smallest_p=design.smallest_p if exact else 1 / (1 + len(reference)),
        n_assignments=design.count,
        exact=exact,
        alternative=alternative,
        method=f"{design.name}; {'every assignment' if exact else f'{draws:,} assignments drawn'}",
        n=len(series),
        reference=reference,
    )


def standardised_differences(
    y: np.ndarray, assignments: np.ndarray, lengths: tuple[int, ...], *, scaled: bool
) -> np.ndarray:
    """Mean over clients of treatment minus baseline mean, perhaps over each client's own SD.

    `y` may be (total,) or (sets, total); the result is (k,) or (sets, k).
    """
    total, start = np.zeros(1), 0
    for n in lengths:
        here = y[..., start : start + n]
        treated = assignments[:, start : start + n].astype(float)
        count = treated.sum(axis=1)
        if (count == 0).any() or (count == n).any():
            raise DataError(
                "every assignment must have both conditions in every client. Leave at least one "
                "reading in each phase of the design."
            )
        sums = here @ treated.T
        everything = here.sum(axis=-1)[..., None]
        difference = sums / count - (everything - sums) / (n - count)
        if scaled:
            spread = here.std(axis=-1, ddof=1)[..., None]
            difference = np.divide(
                difference, spread, out=np.zeros_like(difference), where=spread > 0
            )
        total = total + difference
        start += n
    return total / len(lengths)


def _statistic(statistic: str | Statistic) -> Statistic:
    if callable(statistic):
        return statistic
    check_choice("statistic", statistic, _STATISTICS)
    if statistic == "tau":
        return _mean_tau
    scaled = statistic == "standardised_difference"

    def compute(y: np.ndarray, assignments: np.ndarray, lengths: tuple[int, ...]) -> np.ndarray:
        return standardised_differences(y, assignments, lengths, scaled=scaled)

    return compute


def _mean_tau(y: np.ndarray, assignments: np.ndarray, lengths: tuple[int, ...]) -> np.ndarray:
    total, start = np.zeros(len(assignments)), 0
    for n in lengths:
        here = y[start : start + n]
        treated = assignments[:, start : start + n].astype(float)
        wins = np.sign(here[:, None] - here[None, :])
        count = treated.sum(axis=1)
        pairs = np.einsum("ki,ij,kj->k", treated, wins, 1 - treated, optimize=True)
        total += pairs / (count * (n - count))
        start += n
    return total / len(lengths)


def _at_least(reference: np.ndarray, value: float, alternative: str) -> int:
    """Count the assignments as extreme as the drawn one; equal up to rounding error counts."""
    slack = 1e-9 * max(float(np.abs(reference).max()), abs(value), 1e-300)
    if alternative == "better":
        return int((reference >= value - slack).sum())
    if alternative == "worse":
        return int((reference <= value + slack).sum())
    return int((np.abs(reference) >= abs(value) - slack).sum())
