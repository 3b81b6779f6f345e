"""Which parts of the error count when two recorded values are compared.

Notation
--------
term      a set of factors: ``("client", "rater")`` is a rater's habit with one client
changed   factors that differ between the two recorded values: another rater, another session
m_f       levels of factor f averaged into each recorded value; the residual averages over all
          readings of it

Half the variance of the difference of two recorded values is the squared standard error of
measurement. A term counts if a factor in it changed, divided by the product of m_f over its
factors; the residual always counts. What does not count is part of what both values share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.errors import check_choice, check_count
from outcomes.statistics.repeatability.analysis_of_variance import RESIDUAL, Term

__all__ = ["Comparison", "comparison"]


@dataclass(frozen=True)
class Comparison:
    """Two recorded values of one client: what differs between them and what each averages."""

    rater: str
    session: str
    trials: int
    raters: int
    raters_are: str

    @property
    def words(self) -> str:
        """The comparison in clinic words."""
        day = {"same": "same session", "other": "another session"}[self.session]
        who = {"same": "same rater", "other": "another rater"}[self.rater]
        if self.raters > 1:
            who = {
                "same": f"mean of the same {self.raters} raters",
                "other": f"mean of {self.raters} raters, others each time",
            }[self.rater]
        mean = f", mean of {self.trials} trials" if self.trials > 1 else ""
        return f"{who}, {day}{mean}"

    @property
    def changed(self) -> set[str]:
        """Factors that differ between the two values; trials always do."""
        both = {"rater": self.rater == "other", "session": self.session == "other"}
        return {"trial"} | {factor for factor, other in both.items() if other}

    def weights(self, terms: Sequence[Term]) -> np.ndarray:
        """Share of each variance component in the squared standard error of measurement."""
        level = {"trial": self.trials, "rater": self.raters}
        result = []
        for term in terms:
            if term == RESIDUAL:
                result.append(1.0 / (self.trials * self.raters))
                continue
            counts = bool(set(term) & self.changed)
            if self.raters_are == "fixed" and "rater" in term and "client" not in term:
                counts = False
            divisor = np.prod([level.get(factor, 1) for factor in term])
            result.append(float(counts) / float(divisor))
        return np.array(result)

    def shared(self, terms: Sequence[Term]) -> np.ndarray:
        """Share of each component in the variance that both values have in common."""
        level = {"trial": self.trials, "rater": self.raters}
        result = []
        for term in terms:
            counts = term != RESIDUAL and not set(term) & self.changed
            if self.raters_are == "fixed" and "rater" in term and "client" not in term:
                counts = False
            divisor = np.prod([level.get(factor, 1) for factor in term])
            result.append(float(counts) / float(divisor))
        return np.array(result)


def comparison(
    *,
    rater: str = "same",
    session: str = "same",
    trials: int = 1,
    raters: int = 1,
    raters_are: str = "random",
) -> Comparison:
    """Check and name a comparison.

    Parameters
    ----------
    rater, session : {"same", "other"}
        Whether the second value is taken by the same rater, in the same session.
    trials, raters : int
        Trials per rater, and raters, averaged into each recorded value.
    raters_are : {"random", "fixed"}
        Random: raters like these, so their shifts are error. Fixed: these raters only, whose
        shifts are known and taken off.

    Returns
    -------
    Comparison

    Raises
    ------
    ArgumentError

    Examples
    --------
    >>> comparison(rater="other", trials=2).words
    'another rater, same session, mean of 2 trials'
    """
    return Comparison(
        rater=check_choice("rater", rater, ("same", "other")),
        session=check_choice("session", session, ("same", "other")),
        trials=check_count("trials", trials),
        raters=check_count("raters", raters),
        raters_are=check_choice("raters_are", raters_are, ("random", "fixed")),
    )
