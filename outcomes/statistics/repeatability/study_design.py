"""What a table of repeated readings can tell: its factors, their nesting, its balance.

Notation
--------
factor   client, and those of rater, session and trial that have two levels or more
nested   a factor whose levels each belong to one client only (that client's own days)
cell     the readings that share client, rater and session; they are the replicates
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, Faults, check_columns
from outcomes.statistics.repeatability.analysis_of_variance import Term

__all__ = ["StudyDesign", "read_design"]


@dataclass(frozen=True, eq=False)
class StudyDesign:
    """A checked repeatability study.

    Attributes
    ----------
    values : ndarray, (readings,)
    codes : dict of factor to ndarray, (readings,)
        Level of each factor, counted from 0; of nested factors within the client.
    nested : tuple of str
    terms : tuple of Term
        Random terms that these readings can tell apart, without the residual.
    levels : dict of factor to int
        Number of levels (of nested factors: at most, per client).
    table : ndarray or None
        Readings as clients x raters x ... x replicates, if the design is balanced.
    confounded : Term
        Highest interaction, where single readings make it part of the residual; else empty.
    notes : tuple of str
    """

    values: np.ndarray
    codes: dict[str, np.ndarray]
    nested: tuple[str, ...]
    terms: tuple[Term, ...]
    levels: dict[str, int]
    table: np.ndarray | None
    confounded: Term
    notes: tuple[str, ...]

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the factors, client first."""
        return tuple(self.codes)

    @property
    def words(self) -> str:
        """The design in words."""
        crossed = [f for f in self.factors[1:] if f not in self.nested]
        parts = [f"{self.levels['client']} clients"]
        parts += [f"{self.levels[f]} {f}s" for f in crossed]
        parts += [f"up to {self.levels[f]} {f}s of its own per client" for f in self.nested]
        balance = "balanced" if self.table is not None else "unbalanced"
        return f"{' x '.join(parts)}, {len(self.values)} readings, {balance}"

    def groups(self, term: Term) -> np.ndarray:
        """One code per reading for the level of a term."""
        return _codes(np.stack([self.codes[factor] for factor in term]))


def read_design(
    readings: pd.DataFrame, *, nested: Sequence[str] = (), trial_effects: bool = False
) -> StudyDesign:
    """Check the readings of a repeatability study and find its design.

    Parameters
    ----------
    readings : DataFrame
        Columns client, value; and rater, session, trial where there are any.
    nested : sequence of str
        Factors whose labels are reused by every client although their levels are the client's
        own. A factor whose labels are never reused is found to be nested without being named.
    trial_effects : bool
        Treat the trial as a factor (all first trials share an effect) in place of a replicate.

    Returns
    -------
    StudyDesign

    Raises
    ------
    DataError
        Missing columns or cells, values that are no finite numbers, repeated rows, several
        measures, fewer than two clients, no repeated reading, nothing varies.
    """
    frame = _checked(readings)
    notes: list[str] = []
    names = ["rater", "session"] + (["trial"] if trial_effects else [])
    codes = {"client": _factor(frame["client"])}
    for name in names:
        if name not in frame:
            continue
        if len(frame[name].unique()) > 1:
            codes[name] = _factor(frame[name])
        else:
            notes.append(f"One {name} only: these readings say nothing of another {name}.")
    own = [
        f
        for f in list(codes)[1:]
        if f in nested or _labels_of_one_client_only(codes["client"], codes[f])
    ]
    for f in own:
        codes[f] = _within(codes["client"], codes[f])
    levels = {f: int(code.max()) + 1 for f, code in codes.items()}
    values = frame["value"].to_numpy(dtype=float)
    if len(values) == levels["client"]:
        raise DataError(
            "readings must be repeated; every client has one. Take a second trial, or let a "
            "second rater measure."
        )
    if values.max() == values.min():
        raise DataError(
            "readings must vary; all are equal. A finer instrument, or other clients, are needed "
            "to see measurement error."
        )
    if levels["client"] < 5:
        notes.append(f"Only {levels['client']} clients: expect wide intervals.")
    table = _balanced_table(values, codes, levels)
    cells = _codes(np.stack(list(codes.values())))
    replicated = np.bincount(cells).max() > 1
    terms = _terms(codes, own, top=replicated)
    if len(codes) == 1:
        terms = [("client",)]
    confounded: Term = () if replicated or len(codes) == 1 else tuple(codes)
    if confounded:
        notes.append(f"One reading per cell: the residual holds {' x '.join(confounded)} as well.")
    return StudyDesign(
        values, codes, tuple(own), tuple(terms), levels, table, confounded, tuple(notes)
    )


def _checked(readings: pd.DataFrame) -> pd.DataFrame:
    """Refuse readings that cannot be analysed, listing every fault."""
    check_columns(readings, ["client", "value"], thing="readings")
    faults = Faults()
    value = np.asarray(pd.to_numeric(readings["value"], errors="coerce"), dtype=float)
    faults.add_if(
        ~np.isfinite(value), "value", "be a finite number", "Correct the cells or leave them out"
    )
    here = [c for c in ("client", "rater", "session", "trial") if c in readings]
    for column in here:
        faults.add_if(
            readings[column].isna(), column, "be filled in", "Fill it, or leave out the column"
        )
    if "measure" in readings and len(readings["measure"].unique()) > 1:
        faults.add(
            DataError("readings must be of one measure; there are several. Select one measure.")
        )
    if "trial" in here:
        faults.add_if(
            readings.duplicated(here),
            "readings",
            "differ in client, rater, session or trial",
            "Number the trials",
        )
    if len(readings["client"].unique()) < 2:
        faults.add(DataError("readings must come from two or more clients. Add clients."))
    faults.raise_if_any()
    return readings[here].assign(value=value).reset_index(drop=True)


def _factor(column: Any) -> np.ndarray:
    return np.asarray(pd.factorize(column, sort=True)[0])


def _codes(stacked: np.ndarray) -> np.ndarray:
    return np.unique(stacked, axis=1, return_inverse=True)[1].ravel()


def _labels_of_one_client_only(client: np.ndarray, code: np.ndarray) -> bool:
    pairs = np.unique(np.stack([client, code]), axis=1)
    return bool(np.bincount(pairs[1]).max() == 1)


def _within(client: np.ndarray, code: np.ndarray) -> np.ndarray:
    """Renumber the levels of a nested factor from 0 in every client."""
    pairs = pd.DataFrame({"client": client, "code": code})
    rank: Any = pairs.groupby("client")["code"].rank(method="dense")
    return np.asarray(rank, dtype=int) - 1


def _terms(codes: dict[str, np.ndarray], nested: list[str], *, top: bool) -> list[Term]:
    """All interactions that can be told apart from one another and from the residual."""
    factors = list(codes)
    found: list[Term] = []
    seen: list[np.ndarray] = []
    readings = len(codes["client"])
    for size in range(1, len(factors) + 1):
        for term in combinations(factors, size):
            if size == len(factors) and not top and size > 1:
                continue
            if set(term) & set(nested) and "client" not in term:
                continue
            grouping = _codes(np.stack([codes[f] for f in term]))
            single = grouping.max() + 1 == readings
            if single or any(np.array_equal(grouping, other) for other in seen):
                continue
            found.append(term)
            seen.append(grouping)
    return found


def _balanced_table(
    values: np.ndarray, codes: dict[str, np.ndarray], levels: dict[str, int]
) -> np.ndarray | None:
    """Arrange the readings with replicates last; None if a cell is empty or uneven."""
    shape = tuple(levels.values())
    cell = np.ravel_multi_index(tuple(codes.values()), shape)
    count = np.bincount(cell, minlength=int(np.prod(shape)))
    if count.min() != count.max():
        return None
    return values[np.argsort(cell, kind="stable")].reshape(*shape, int(count[0]))
