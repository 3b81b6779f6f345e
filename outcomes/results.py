"""What the statistics give back: frames for rows, frozen objects for a claim.

`Estimate` is a number with its interval and the words that belong to it. Every function that
claims something returns it, or a subclass that adds fields. `.table` builds the plain frame, whose
columns are defined in `outcomes.glossary`; nothing is rounded here.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import pandas as pd

__all__ = ["Claim", "Estimate", "Interval"]


class Interval(NamedTuple):
    """A confidence interval and its level, e.g. ``Interval(2.1, 6.0, 0.95)``."""

    ci_low: float
    ci_high: float
    ci_level: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Claim:
    """A frozen result whose scalar fields make one row.

    Fields that are not plain numbers, words or truth values (frames, tuples, dictionaries) stay
    out of `.table`. Equality is by identity: two results with frames inside cannot be compared
    with ``==``.
    """

    @property
    def table(self) -> pd.DataFrame:
        """One row, one column per scalar field, in the order of the fields."""
        row: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if value is None or isinstance(value, (str, bool, int, float)):
                row[item.name] = value
        return pd.DataFrame([row])

    def _repr_html_(self) -> str:
        return self.table.to_html(index=False)


@dataclass(frozen=True, eq=False, kw_only=True)
class Estimate(Claim):
    """A number with its interval.

    Attributes
    ----------
    measure : str
        Name of the measure or quantity.
    estimate : float
        The value, unrounded.
    ci_low, ci_high : float
        Ends of the interval; infinite where one-sided.
    ci_level : float
        Level of the interval, in (0, 1).
    unit : str
        ``"deg"``, ``"cm"``, ``"points"``, ``"share"``, or ``""`` for a pure number.
    n : int
        Clients (or subjects) that the value rests on.
    method : str
        The estimator and the interval, in field terms.
    notes : tuple of str
        What a careful reader must know, one sentence each.
    """

    estimate: float
    ci_low: float
    ci_high: float
    ci_level: float = 0.95
    n: int
    unit: str = ""
    method: str = ""
    measure: str = ""
    notes: tuple[str, ...] = ()

    @property
    def interval(self) -> Interval:
        """The interval as a named tuple."""
        return Interval(self.ci_low, self.ci_high, self.ci_level)
