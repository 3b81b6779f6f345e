"""The design that was drawn, put to the visits that were kept, and its randomisation test.

What is drawn is laid out over visits; a reading may be missing at some of them. So assignments are
listed over all visits and then looked at where readings are: each stays as likely as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import prod

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_choice, check_columns
from outcomes.statistics.single_case.designs import (
    Design,
    alternating,
    blocked,
    multiple_baseline,
    phase_changes,
    staggered_starts,
)
from outcomes.statistics.single_case.phases import BASELINE
from outcomes.statistics.single_case.randomisation import RandomisationTest, randomisation_test

__all__ = ["DRAWN", "RecordedDesign", "recorded_randomisation_test"]

#: What can have been drawn at random, with the words for it.
DRAWN = {
    "start": "the start of treatment of each client, independently of the others",
    "order of starts": "the order of the clients over fixed staggered starts",
    "condition": "the condition of each visit",
    "order of pairs": "the order of conditions within each pair of visits",
    "change points": "the change points of all phases",
}


@dataclass(frozen=True)
class RecordedDesign:
    """What was drawn at random before a series began.

    Attributes
    ----------
    drawn : str
        A key of `DRAWN`.
    least_baseline, least_treatment : int
        Fewest visits a phase (start, change points).
    starts : mapping of str to tuple of int
        Per client the numbers of baseline visits that could be drawn (start); all that leave the
        least where a client is not named.
    shared_starts : tuple of int
        The fixed numbers of baseline visits, one per client (order of starts).
    treated, most_in_a_row : int or None
        Treated visits of each client; longest run of one condition (condition).
    phases : int
        Phases of each client (change points).
    """

    drawn: str
    least_baseline: int = 3
    least_treatment: int = 3
    starts: Mapping[str, Sequence[int]] = field(default_factory=dict)
    shared_starts: tuple[int, ...] = ()
    treated: int | None = None
    most_in_a_row: int | None = None
    phases: int = 4

    def over(self, visits: Mapping[str, int]) -> Design:
        """List what could have been drawn, for so many visits of each client, sorted by code.

        Examples
        --------
        >>> RecordedDesign("start", least_baseline=4).over({"A": 12, "B": 12}).count
        36
        """
        check_choice("drawn", self.drawn, DRAWN)
        lengths = [visits[client] for client in sorted(visits)]
        if self.drawn == "start":
            return multiple_baseline(lengths, starts=[
                self.starts.get(c) or range(self.least_baseline,
                                            visits[c] - self.least_treatment + 1)
                for c in sorted(visits)
            ])  # fmt: skip
        if self.drawn == "order of starts":
            return staggered_starts(lengths, starts=self.shared_starts)
        return _together([self._one(n) for n in lengths])

    def _one(self, visits: int) -> Design:
        if self.drawn == "condition":
            return alternating(visits, treated=self.treated, most_in_a_row=self.most_in_a_row)
        if self.drawn == "order of pairs":
            if visits % 2:
                raise ArgumentError("visits must be even in number where pairs were drawn.")
            return blocked(visits // 2)
        least = min(self.least_baseline, self.least_treatment)
        return phase_changes(visits, phases=self.phases, least=least)


def recorded_randomisation_test(
    values: pd.DataFrame,
    visits: pd.DataFrame,
    *,
    recorded: RecordedDesign,
    better: str = "higher",
    rng: np.random.Generator,
) -> RandomisationTest:
    """Test a case series by the randomisation that was recorded for it.

    Use when the draw was made before the series began and was kept to. Do not use where starts
    followed readiness, convenience or the readings.

    Parameters
    ----------
    values : DataFrame
        Readings of one measure: client, visit, value, phase, and a time (week, day or visit).
    visits : DataFrame
        Every visit that the draw was laid over: client, visit, phase.
    recorded : RecordedDesign
        What was drawn.
    better : {"higher", "lower"}
        Direction of improvement.
    rng : numpy Generator
        For designs too large to count out.

    Returns
    -------
    RandomisationTest
        Of the mean difference of phases, averaged over clients, in the unit of the readings.

    Raises
    ------
    DataError, ArgumentError
        Phases not recorded, or not among those that could have been drawn.

    Notes
    -----
    A visit without a reading drops out of every assignment alike. The test stays exact as long as
    readings go missing for reasons that the draw did not change.

    Examples
    --------
    >>> visits = pd.DataFrame({"client": "A", "visit": range(1, 9),
    ...                        "phase": ["baseline"] * 3 + ["treatment"] * 5})
    >>> values = visits.assign(value=[1.0, 2, 1, 6, 7, 7, 8, 7]).drop(index=6)
    >>> recorded_randomisation_test(values, visits, recorded=RecordedDesign("start"),
    ...                rng=np.random.default_rng(1)).p_value
    0.3333333333333333

    Checked against: the same assignments listed and averaged one by one in the test.
    """
    check_columns(values, ["client", "visit", "value", "phase"], thing="the table of readings")
    check_columns(visits, ["client", "visit", "phase"], thing="the table of visits")
    read = values[values["value"].notna()]
    laid = visits[visits["client"].isin(set(read["client"]))]
    laid = laid.assign(client=laid["client"].astype(str)).sort_values(["client", "visit"])
    if laid["phase"].isna().any():
        raise DataError(
            "phases must be recorded for every visit of a randomised series. Fill the phase of "
            "each visit, or leave the design out."
        )
    design = recorded.over(laid.groupby("client").size().to_dict())
    treated = laid["phase"].astype(str).ne(BASELINE).to_numpy(dtype=np.int8)
    design.check_possible(treated)
    seen = pd.MultiIndex.from_frame(laid[["client", "visit"]].astype({"visit": float})).isin(
        pd.MultiIndex.from_arrays([read["client"].astype(str), read["visit"].astype(float)])
    )
    return randomisation_test(
        read, design=_where(design, np.asarray(seen, dtype=bool)), better=better, rng=rng
    )


def _together(designs: list[Design]) -> Design:
    """Put clients whose assignments are drawn independently into one design."""
    return Design(
        designs[0].name,
        tuple(n for design in designs for n in design.lengths),
        prod(design.count for design in designs),
        tuple(rows for design in designs for rows in design.choices),
    )


def _where(design: Design, seen: np.ndarray) -> Design:
    """Keep of every assignment the visits with a reading; equal ones stay apart."""
    ends = np.cumsum(design.lengths)
    parts = np.split(seen, ends[:-1])
    return replace(
        design,
        lengths=tuple(int(part.sum()) for part in parts),
        choices=tuple(rows[:, part] for rows, part in zip(design.choices, parts, strict=True)),
    )
