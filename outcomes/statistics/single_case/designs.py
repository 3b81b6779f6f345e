"""What could have been drawn: the assignments of a randomised single-case design.

An assignment is a row of 0 (baseline) and 1 (treatment) per reading; for several clients the rows
are laid end to end in the order of the clients. The list of all assignments is what a
randomisation test compares with, so it must be the list that was really drawn from.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import permutations, product
from math import comb, factorial, prod

import numpy as np

from outcomes.errors import ArgumentError, DataError, check_count

__all__ = [
    "Design",
    "alternating",
    "blocked",
    "multiple_baseline",
    "phase_changes",
    "random_start",
    "staggered_starts",
]


@dataclass(frozen=True, eq=False)
class Design:
    """A randomised design.

    Attributes
    ----------
    name : str
        What was randomised, in words.
    lengths : tuple of int
        Readings per client.
    count : int
        Number of assignments that could have been drawn, all equally likely.
    choices : tuple of ndarray
        Per client the assignments that it can have, shape (k, length).
    order : ndarray or None
        Where starts are shared out among clients: rows of choice indices, one per client;
        None where clients are randomised independently of each other.
    """

    name: str
    lengths: tuple[int, ...]
    count: int
    choices: tuple[np.ndarray, ...]
    order: np.ndarray | None = None

    @property
    def smallest_p(self) -> float:
        """Smallest p-value that the design can give."""
        return 1 / self.count

    def all_assignments(self) -> np.ndarray:
        """Every assignment, shape (count, total readings)."""
        if self.order is not None:
            picks = self.order
        else:
            picks = np.array(list(product(*(range(len(c)) for c in self.choices))))
        return self._rows(picks)

    def draw(self, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw assignments at random, shape (size, total readings)."""
        if self.order is not None:
            return self._rows(self.order[rng.integers(0, len(self.order), size)])
        picks = np.column_stack([rng.integers(0, len(c), size) for c in self.choices])
        return self._rows(picks)

    def check_possible(self, observed: np.ndarray) -> None:
        """Refuse phases (0 and 1 per reading) that the design could not have drawn."""
        parts = np.split(observed, np.cumsum(self.lengths)[:-1])
        alike = [(rows == part).all(axis=1) for rows, part in zip(self.choices, parts, strict=True)]
        if self.order is None:
            possible = all(same.any() for same in alike)
        else:
            fits = [same[self.order[:, place]] for place, same in enumerate(alike)]
            possible = bool(np.all(fits, axis=0).any())
        if not possible:
            raise DataError(
                "phases must be ones that the design could have drawn. Check the phase of each "
                "visit, and give the design that was in fact drawn from."
            )

    def _rows(self, picks: np.ndarray) -> np.ndarray:
        return np.concatenate(
            [choice[picks[:, place]] for place, choice in enumerate(self.choices)], axis=1
        ).astype(np.int8)


def random_start(readings: int, *, least_baseline: int = 3, least_treatment: int = 3) -> Design:
    """Baseline, then treatment from a start drawn at random among the eligible visits.

    Examples
    --------
    >>> random_start(20, least_baseline=5, least_treatment=5).count
    11
    """
    starts = _eligible(readings, least_baseline, least_treatment)
    return Design(
        "start of treatment drawn at random", (readings,), len(starts), (_steps(readings, starts),)
    )


def multiple_baseline(
    readings: Sequence[int],
    *,
    starts: Sequence[Iterable[int]] | None = None,
    least_baseline: int = 3,
    least_treatment: int = 3,
) -> Design:
    """Several clients, each with a start drawn independently (Marascuilo & Busk 1988).

    Parameters
    ----------
    readings : sequence of int
        Readings per client.
    starts : sequence of iterables of int, optional
        Eligible numbers of baseline readings per client; all that leave the least where absent.
    least_baseline, least_treatment : int
        Fewest readings a phase.

    Examples
    --------
    >>> multiple_baseline([12, 12, 12]).count
    343
    """
    eligible = [
        sorted({int(s) for s in starts[i]})
        if starts is not None
        else _eligible(n, least_baseline, least_treatment)
        for i, n in enumerate(readings)
    ]
    for n, options in zip(readings, eligible, strict=True):
        if not options or options[0] < 1 or options[-1] > n - 1:
            raise ArgumentError(
                "starts must leave at least one reading in both phases of every client. "
                "Give numbers of baseline readings between 1 and readings - 1."
            )
    choices = tuple(_steps(n, options) for n, options in zip(readings, eligible, strict=True))
    return Design(
        "start of each client drawn at random, independently",
        tuple(int(n) for n in readings),
        prod(len(c) for c in choices),
        choices,
    )


def staggered_starts(readings: Sequence[int], *, starts: Sequence[int]) -> Design:
    """Several clients, fixed staggered starts shared out at random (Wampold & Worsham 1986).

    Examples
    --------
    >>> staggered_starts([15, 15, 15, 15], starts=[4, 6, 8, 10]).count
    24
    """
    if len(starts) != len(readings) or len(readings) > 8:
        raise ArgumentError(
            f"starts must be one per client, of at most 8 clients, got {len(starts)} for "
            f"{len(readings)}. Use multiple_baseline for independent starts."
        )
    if min(starts) < 1 or max(starts) > min(readings) - 1:
        raise ArgumentError(
            "starts must leave at least one reading in both phases of every client. Give numbers "
            "of baseline readings between 1 and readings - 1."
        )
    choices = tuple(_steps(n, list(starts)) for n in readings)
    order = np.array(sorted(set(permutations(range(len(starts))))))
    return Design(
        "order of the clients over fixed starts drawn at random",
        tuple(int(n) for n in readings),
        factorial(len(starts)),
        choices,
        order,
    )


def alternating(
    readings: int, *, treated: int | None = None, most_in_a_row: int | None = None
) -> Design:
    """Visits assigned to baseline or treatment at random, perhaps never too long the same.

    Examples
    --------
    >>> alternating(8).count, alternating(8, most_in_a_row=2).count
    (70, 34)
    """
    n = check_count("readings", readings, least=2)
    k = n // 2 if treated is None else check_count("treated", treated)
    if k >= n or comb(n, k) > 2_000_000:
        raise ArgumentError(
            f"treated must leave baseline readings and at most 2,000,000 assignments, got {k} of "
            f"{n}. Use blocked assignments for long series."
        )
    rows = _combinations(n, k)
    if most_in_a_row is not None:
        rows = rows[_longest_run(rows) <= check_count("most_in_a_row", most_in_a_row)]
    if not len(rows):
        raise ArgumentError("most_in_a_row must leave at least one assignment. Give a larger one.")
    return Design("condition of each visit drawn at random", (n,), len(rows), (rows,))


def blocked(blocks: int) -> Design:
    """Pairs of visits, one of each condition, order within each pair drawn at random.

    Examples
    --------
    >>> blocked(5).count
    32
    """
    count = check_count("blocks", blocks)
    if count > 20:
        raise ArgumentError(f"blocks must be at most 20, got {count}. Split the series.")
    first = ((np.arange(2**count)[:, None] >> np.arange(count)) & 1).astype(np.int8)
    rows = np.stack([first, 1 - first], axis=2).reshape(2**count, 2 * count)
    return Design(
        "order within each pair of visits drawn at random", (2 * count,), 2**count, (rows,)
    )


def phase_changes(readings: int, *, phases: int = 4, least: int = 3) -> Design:
    """Baseline, treatment, baseline, treatment ... with all change points drawn at random.

    Examples
    --------
    >>> phase_changes(16, phases=4, least=3).count
    35
    """
    n, k = check_count("readings", readings), check_count("phases", phases, least=2)
    spare = n - k * check_count("least", least)
    if spare < 0:
        raise ArgumentError(
            f"readings must be at least phases times least = {k * least}, got {n}. Plan more "
            f"visits, or shorter phases."
        )
    bars = _combinations(spare + k - 1, k - 1)
    rows = []
    for bar in bars:
        cuts = np.flatnonzero(bar)
        extra = np.diff(np.concatenate([[-1], cuts, [spare + k - 1]])) - 1
        rows.append(np.repeat(np.arange(k) % 2, least + extra))
    return Design(
        "change points of the phases drawn at random",
        (n,),
        len(rows),
        (np.array(rows, dtype=np.int8),),
    )


def _eligible(readings: int, least_baseline: int, least_treatment: int) -> list[int]:
    n = check_count("readings", readings, least=2)
    a = check_count("least_baseline", least_baseline)
    b = check_count("least_treatment", least_treatment)
    if a + b > n:
        raise ArgumentError(
            f"readings must be at least least_baseline + least_treatment = {a + b}, got {n}. Plan "
            f"more visits, or shorter phases."
        )
    return list(range(a, n - b + 1))


def _steps(readings: int, starts: list[int]) -> np.ndarray:
    return (np.arange(readings)[None, :] >= np.array(starts)[:, None]).astype(np.int8)


def _combinations(n: int, k: int) -> np.ndarray:
    """All rows of n zeros and ones with k ones."""
    rows = np.zeros((1, 0), dtype=np.int8)
    for place in range(n):
        ones = rows.sum(axis=1)
        zero = rows[(place - ones) < (n - k)]
        one = rows[ones < k]
        rows = np.concatenate(
            [
                np.column_stack([zero, np.zeros(len(zero), dtype=np.int8)]),
                np.column_stack([one, np.ones(len(one), dtype=np.int8)]),
            ]
        )
    return rows


def _longest_run(rows: np.ndarray) -> np.ndarray:
    longest = current = np.ones(len(rows), dtype=int)
    for place in range(1, rows.shape[1]):
        same = rows[:, place] == rows[:, place - 1]
        current = np.where(same, current + 1, 1)
        longest = np.maximum(longest, current)
    return longest
