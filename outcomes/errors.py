"""The one family of errors, and the one way they are worded.

A message about data reads ``<thing> must <rule>; <k> of <n> rows do not (rows i, j, ... and m
more). <Remedy>.`` It names rows, never what stands in them: an error is shown in notebooks and
logs, and those are shared. A message about an argument reads ``<name> must <rule>, got <value>.
<Remedy>.``

Checks collect every fault before anything is raised: see `Faults`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = [
    "ArgumentError",
    "DataError",
    "Faults",
    "MissingExtraError",
    "ModelError",
    "OutcomesError",
    "check_between",
    "check_choice",
    "check_columns",
    "check_count",
    "check_positive",
    "rows_must",
]


class OutcomesError(Exception):
    """Anything that this package refuses, with a sentence that says what to do.

    Attributes
    ----------
    rows : tuple of int
        Positions of the offending rows (of the frame handed in, counted from 0), all of them
        although the message names only the first few. Empty where no rows are concerned.
    """

    def __init__(self, message: str, *, rows: Iterable[int] = ()) -> None:
        super().__init__(message)
        self.rows: tuple[int, ...] = tuple(int(row) for row in rows)


class ArgumentError(OutcomesError, ValueError):
    """An argument lies outside its rule."""


class DataError(OutcomesError, ValueError):
    """Rows of a table break a rule, or a file cannot be read."""


class ModelError(OutcomesError):
    """A model cannot be fitted to these data, or its fit did not converge."""


class MissingExtraError(OutcomesError, ImportError):
    """An optional library is not installed; the message carries the command that installs it."""

    def __init__(self, purpose: str, extra: str) -> None:
        super().__init__(
            f"{purpose} needs libraries that are not installed. "
            f"Install them with: python -m pip install 'outcomes[{extra}]'."
        )


def _name_rows(rows: Sequence[int], most: int = 5) -> str:
    shown = ", ".join(str(row) for row in rows[:most])
    more = f" and {len(rows) - most:,} more" if len(rows) > most else ""
    return f"rows {shown}{more}" if len(rows) > 1 else f"row {shown}"


def rows_must(thing: str, rule: str, broken: Any, remedy: str) -> DataError:
    """Word the error for rows that break a rule.

    Parameters
    ----------
    thing : str
        What must obey, in clinic words: ``"date"``, ``"shoulder flexion"``.
    rule : str
        What it must do, after the word "must": ``"lie between 0 and 200 deg"``.
    broken : array-like of bool, one per row
        True where the rule is broken.
    remedy : str
        What to do next, a sentence without its full stop.

    Returns
    -------
    DataError
        To be raised or collected by the caller; ``.rows`` holds all positions.

    Examples
    --------
    >>> print(rows_must("value", "be a number", [False, True, True], "Correct the cells"))
    value must be a number; 2 of 3 rows do not (rows 1, 2). Correct the cells.
    """
    mask = np.asarray(broken, dtype=bool)
    rows = np.flatnonzero(mask).tolist()
    do = "does" if len(rows) == 1 else "do"
    return DataError(
        f"{thing} must {rule}; {len(rows):,} of {mask.size:,} rows {do} not ({_name_rows(rows)}). "
        f"{remedy}.",
        rows=rows,
    )


@dataclass
class Faults:
    """A collector: every fault is added, then all are raised at once.

    Examples
    --------
    >>> faults = Faults()
    >>> faults.add(rows_must("value", "be a number", [True, False], "Correct it"))
    >>> faults.add_if([False, False], "unit", "be deg or rad", "Correct it")
    >>> faults.raise_if_any()
    Traceback (most recent call last):
    ...
    outcomes.errors.DataError: value must be a number; 1 of 2 rows does not (row 0). Correct it.
    """

    found: list[OutcomesError] = field(default_factory=list)

    def add(self, error: OutcomesError) -> None:
        """Keep one fault."""
        self.found.append(error)

    def add_if(self, broken: Any, thing: str, rule: str, remedy: str) -> None:
        """Keep a fault worded by `rows_must`, if any row is broken."""
        if np.asarray(broken, dtype=bool).any():
            self.add(rows_must(thing, rule, broken, remedy))

    def raise_if_any(self, kind: type[OutcomesError] = DataError) -> None:
        """Raise what was found: one message, numbered where there are several."""
        if not self.found:
            return
        if len(self.found) == 1:
            raise self.found[0]
        lines = [f"{i}. {error}" for i, error in enumerate(self.found, start=1)]
        rows = sorted({row for error in self.found for row in error.rows})
        raise kind(f"{len(lines)} faults found:\n" + "\n".join(lines), rows=rows)


def check_between(
    name: str,
    value: float,
    low: float,
    high: float,
    *,
    remedy: str = "",
    closed: bool = False,
) -> float:
    """Return `value` as a float if it is a number inside (low, high), or [low, high] if closed.

    Examples
    --------
    >>> check_between("confidence", 95, 0, 1, remedy="Give 0.95")
    Traceback (most recent call last):
    ...
    outcomes.errors.ArgumentError: confidence must be in (0, 1), got 95. Give 0.95.
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    inside = low <= number <= high if closed else low < number < high
    if not inside:
        interval = f"[{low:g}, {high:g}]" if closed else f"({low:g}, {high:g})"
        raise ArgumentError(f"{name} must be in {interval}, got {value!r}.{_tail(remedy)}")
    return number


def check_positive(name: str, value: float, *, zero: bool = False, remedy: str = "") -> float:
    """Return `value` as a float if it is a finite number above zero (or zero, if allowed)."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not np.isfinite(number) or number < 0 or (number == 0 and not zero):
        rule = "be zero or more" if zero else "be above zero"
        raise ArgumentError(f"{name} must {rule}, got {value!r}.{_tail(remedy)}")
    return number


def check_count(name: str, value: int, *, least: int = 1, remedy: str = "") -> int:
    """Return `value` as an int if it is a whole number of at least `least`."""
    try:
        whole = int(value)
        ok = whole == value and whole >= least and not isinstance(value, bool)
    except (TypeError, ValueError, OverflowError):
        ok, whole = False, 0
    if not ok:
        raise ArgumentError(
            f"{name} must be a whole number of at least {least}, got {value!r}.{_tail(remedy)}"
        )
    return whole


def check_choice(name: str, value: Any, choices: Iterable[str], *, remedy: str = "") -> Any:
    """Return `value` if it is one of the choices."""
    allowed = list(choices)
    if value not in allowed:
        listed = ", ".join(repr(choice) for choice in allowed)
        raise ArgumentError(f"{name} must be one of {listed}, got {value!r}.{_tail(remedy)}")
    return value


def check_columns(frame: Any, needed: Iterable[str], *, thing: str = "the table") -> None:
    """Refuse a frame that lacks columns, naming all that are missing."""
    missing = [column for column in needed if column not in frame.columns]
    if missing:
        raise DataError(
            f"{thing} must have the column{'s' if len(missing) > 1 else ''} "
            f"{', '.join(missing)}. Add {'them' if len(missing) > 1 else 'it'}, or name the "
            f"column that holds it in the mapping."
        )


def _tail(remedy: str) -> str:
    return f" {remedy}." if remedy else ""
