"""The measures that a source may use: those of the catalogue and those that a mapping declares."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from outcomes.errors import ArgumentError
from outcomes.measures import catalogue, units

__all__ = ["OwnMeasure", "known_measures", "unit_factor"]


@dataclass(frozen=True, kw_only=True)
class OwnMeasure:
    """A measure that is not in the catalogue, as a mapping declares it.

    Attributes
    ----------
    code, name, unit : str
    hard_min, hard_max : float
        Ends of the scale; values outside are refused.
    better : str
        ``"higher"`` or ``"lower"``.
    sided : bool
        Taken on the left and the right.
    standard_error_of_measurement, minimal_important_change : float or None
        In the measure's unit; None where the mapping gives none.
    source : str
        Where these figures come from; empty where there are none.
    """

    code: str
    name: str
    unit: str
    hard_min: float
    hard_max: float
    better: str
    sided: bool = False
    kind: str = "rating"
    standard_error_of_measurement: float | None = None
    minimal_important_change: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        faults = []
        if self.code in catalogue.measures():
            faults.append("have a name that the catalogue does not use")
        if not self.hard_min < self.hard_max:
            faults.append("have min below max")
        if self.better not in ("higher", "lower"):
            faults.append('have better = "higher" or "lower"')
        figures = (self.standard_error_of_measurement, self.minimal_important_change)
        if any(figure is not None and not figure > 0 for figure in figures):
            faults.append("have thresholds above zero")
        if any(figure is not None for figure in figures) and not self.source:
            faults.append("name the source of its thresholds")
        if faults:
            raise ArgumentError(
                f"measure {self.code!r} of the mapping must {', '.join(faults)}. Correct "
                f"[measures.{self.code}]."
            )

    @property
    def self_report(self) -> bool:
        """The client rates it: one trial a visit."""
        return self.kind in ("questionnaire", "rating")

    @property
    def sign(self) -> int:
        """+1 where higher is better, -1 where lower is."""
        return 1 if self.better == "higher" else -1


def known_measures(own: Mapping[str, OwnMeasure]) -> pd.DataFrame:
    """Give one row per measure: code (index), unit, hard_min, hard_max, sided, self_report."""
    every = [*catalogue.measures().values(), *own.values()]
    return pd.DataFrame(
        {
            "unit": [m.unit for m in every],
            "hard_min": [float(m.hard_min) for m in every],
            "hard_max": [float(m.hard_max) for m in every],
            "sided": [bool(m.sided) for m in every],
            "self_report": [m.self_report for m in every],
        },
        index=pd.Index([m.code for m in every], dtype="str"),
    )


def unit_factor(measure: str, unit: str, own: Mapping[str, OwnMeasure]) -> float | None:
    """Give the factor from a written unit to the measure's own, or None if it does not fit."""
    if measure in own:
        asked, mine = units.spellings(unit) or unit, own[measure].unit
        return 1.0 if asked == (units.spellings(mine) or mine) else None
    return units.factor(measure, unit)
