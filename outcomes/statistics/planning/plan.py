"""What a plan says: how many clients, and what they buy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from outcomes.errors import ArgumentError, check_between
from outcomes.results import Claim

__all__ = ["Plan"]

#: No search goes beyond this many clients a group.
MOST = 1_000_000


@dataclass(frozen=True, eq=False, kw_only=True)
class Plan(Claim):
    """A number of clients, with what was put in and what comes out.

    Attributes
    ----------
    question : str
        What the study should tell.
    n : int
        Clients to be analysed, all groups together.
    n_per_group : int
        Of these, in each group (equal to `n` where there is one).
    n_to_recruit : int
        Clients to recruit so that `n` remain after drop-out.
    drop_out : float
        Share expected to be lost.
    wanted, achieved : float
        Power, or half-width of an interval, wanted and reached with `n`.
    wanted_is : str
        ``"power"`` or ``"half-width"`` (and its kind).
    effect, sd : float
        Difference (or value) planned for, and standard deviation, in the measure's unit; empty
        where the question has none.
    ci_level : float
        1 - alpha of the test, or level of the interval.
    method : str
        The formula, in field terms.
    notes : tuple of str
        What the plan rests on.
    """

    question: str
    n: int
    n_per_group: int
    n_to_recruit: int
    drop_out: float
    wanted: float
    achieved: float
    wanted_is: str
    effect: float = float("nan")
    sd: float = float("nan")
    ci_level: float = 0.95
    method: str = ""
    notes: tuple[str, ...] = ()


def smallest_enough(reached: Callable[[int], bool], *, least: int) -> int:
    """Find the smallest n for which `reached` holds, which must stay true from there on."""
    high = least
    while not reached(high):
        if high >= MOST:
            raise ArgumentError(
                "the wanted precision or power must be within reach; a million clients would not "
                "do. Ask for a larger difference or a wider interval."
            )
        high = min(2 * high, MOST)
    low = least - 1 if high == least else high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def with_drop_out(n: int, drop_out: float) -> int:
    """Give the clients to recruit so that n are left."""
    share = check_between("drop_out", drop_out, -1e-12, 1, remedy="Give a share, as 0.2")
    return int(np.ceil(n / (1 - share) - 1e-9))
