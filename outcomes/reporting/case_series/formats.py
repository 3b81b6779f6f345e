"""How many digits a measure deserves, and how intervals and p-values are printed."""

from __future__ import annotations

import math

from outcomes.measures.catalogue import Measure
from outcomes.reporting.case_series.paper_table import Cell
from outcomes.reporting.wording import number, signed

__all__ = [
    "DASH",
    "axis_name",
    "count",
    "digits_of",
    "estimate_cell",
    "inside_sentence",
    "p_cell",
    "unit_words",
    "value_cell",
    "with_unit_words",
]

DASH = "\N{EN DASH}"
_UNITS = {"deg": "\N{DEGREE SIGN}", "sd": "SD", "": ""}


def digits_of(measure: Measure) -> int:
    """Decimals for means: one more than the readings have."""
    if measure.resolution <= 0:
        return 1
    return max(0, math.ceil(-math.log10(measure.resolution) - 1e-9)) + 1


def unit_words(unit: str) -> str:
    """Write a unit as print does."""
    return _UNITS.get(unit, unit)


def axis_name(measure: Measure) -> str:
    """Name a measure on an axis: in full where it fits, else its short label."""
    return inside_sentence(measure.name if len(measure.name) <= 34 else measure.short)


def inside_sentence(name: str) -> str:
    """Write a name inside a sentence: small first letter, unless it is a proper name."""
    return name if name[1:] != name[1:].lower() else name[:1].lower() + name[1:]


def with_unit_words(words: str, measure: Measure) -> str:
    """Add the unit in brackets."""
    unit = unit_words(measure.unit)
    return f"{words} ({unit})" if unit else words


def value_cell(value: float | None, digits: int, *, sign: bool = False) -> Cell:
    """Print a number with fixed digits; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return Cell(DASH)
    return Cell(signed(value, digits) if sign else number(value, digits), float(value))


def estimate_cell(
    estimate: float, low: float, high: float, digits: int, *, sign: bool = False
) -> Cell:
    """Print "12.3 (4.5 to 20.1)"; without the interval where there is none."""
    shown = value_cell(estimate, digits, sign=sign)
    if shown.value is None or not (math.isfinite(low) and math.isfinite(high)):
        return shown
    write = signed if sign else number
    return Cell(f"{shown.text} ({write(low, digits)} to {write(high, digits)})", shown.value)


def p_cell(p_value: float) -> Cell:
    """Print a p-value: three decimals, "< .001" below, no leading zero."""
    if p_value is None or not math.isfinite(p_value):
        return Cell(DASH)
    if p_value < 0.001:
        return Cell("< .001", float(p_value))
    text = f"{p_value:.3f}"
    return Cell(text if text.startswith("1") else text[1:], float(p_value))


def count(value: float) -> Cell:
    """Print a count."""
    return Cell(f"{int(value):,}", float(value))
