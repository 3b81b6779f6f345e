"""From the unit of a reading to the measure's own unit.

Only conversions by a factor are known here; nothing is guessed. A questionnaire total in points
is a percentage times a factor: ``"points of 50"`` of the neck index is percent / 2.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import pi
from types import MappingProxyType

import pandas as pd

from outcomes.errors import ArgumentError, DataError
from outcomes.measures.catalogue import Measure, get

__all__ = ["convert", "factor", "spellings"]

#: Spellings in the clinic's files (lower case, no spaces or stops) and what they mean.
_SPELLINGS = {
    "deg": "deg ° º degree degrees",
    "rad": "rad radian radians",
    "cm": "cm centimetre centimetres centimeter centimeters",
    "mm": "mm millimetre millimetres millimeter millimeters",
    "m": "m metre metres meter meters",
    "inch": 'in inch inches " ″',
    "kg": "kg kgs kilo kilos kilogram kilograms kgf",
    "lb": "lb lbs pound pounds lbf",
    "N": "n newton newtons",
    "kPa": "kpa kilopascal kilopascals",
    "kgf/cm2": "kgf/cm2 kg/cm2 kgf/cm² kg/cm²",
    "N/cm2": "n/cm2 n/cm²",
    "s": "s sec secs second seconds",
    "min": "min mins minute minutes",
    "reps": "reps rep repetitions repetition count",
    "percent": "percent % pct",
    "points": "points point pts pt score",
    "points of 50": "pointsof50 /50",
    "points of 10": "pointsof10 /10",
    "points of 24": "pointsof24 /24",
    "index": "index",
    "T-score": "t-score tscore t",
}
_MEANING = {word: unit for unit, words in _SPELLINGS.items() for word in words.split()}

#: (from, to): factor. Exact by definition: inch 2.54 cm, pound 0.45359237 kg,
#: kgf 9.80665 N (international agreements of 1959 and 1901).
_FACTORS = {
    ("rad", "deg"): 180 / pi,
    ("mm", "cm"): 0.1,
    ("m", "cm"): 100.0,
    ("inch", "cm"): 2.54,
    ("cm", "mm"): 10.0,
    ("inch", "mm"): 25.4,
    ("lb", "kg"): 0.45359237,
    ("N", "kg"): 1 / 9.80665,
    ("kgf/cm2", "kPa"): 98.0665,
    ("N/cm2", "kPa"): 10.0,
    ("min", "s"): 60.0,
}
#: Factors that hold for one measure only.
_OF_MEASURE: Mapping[tuple[str, str, str], float] = MappingProxyType(
    {
        ("ndi", "points of 50", "percent"): 2.0,
        ("ndi", "points", "percent"): 2.0,
        ("odi", "points of 50", "percent"): 2.0,
        ("odi", "points", "percent"): 2.0,
        ("vas", "points of 10", "mm"): 10.0,
    }
)


def spellings(text: str) -> str | None:
    """Give the unit that a spelling stands for, or None.

    Examples
    --------
    >>> spellings("Degrees"), spellings(" lbs. "), spellings("furlong")
    ('deg', 'lb', None)
    """
    return _MEANING.get(str(text).strip().lower().replace(" ", "").rstrip("."))


def factor(measure: str, unit: str) -> float | None:
    """Give what a reading in `unit` is multiplied by to be in the measure's own unit, or None.

    Examples
    --------
    >>> factor("tragus_to_wall", "inch"), factor("ndi", "points of 50"), factor("ndi", "deg")
    (2.54, 2.0, None)
    """
    own = get(measure).unit
    if unit in ("", own):
        return 1.0
    meant = spellings(unit)
    if meant == own:
        return 1.0
    special = _OF_MEASURE.get((measure, meant or "", own))
    return special if special is not None else _FACTORS.get((meant or "", own))


def convert(values: pd.Series, *, measure: str, unit: str) -> pd.Series:
    """Bring readings into the measure's own unit.

    Parameters
    ----------
    values : Series of float
        Readings of one measure in one unit.
    measure : str
        Code in the catalogue.
    unit : str
        Unit of the readings; empty means the measure's own.

    Returns
    -------
    Series of float
        In the unit of the measure.

    Raises
    ------
    ArgumentError
        If the unit cannot be converted, with the units that can.

    Examples
    --------
    >>> convert(pd.Series([10.0]), measure="grip_strength", unit="lb").round(3).tolist()
    [4.536]
    """
    times = factor(measure, unit)
    if times is None:
        raise ArgumentError(
            f"unit must be one that {measure} can be brought to {get(measure).unit} from, "
            f"got {unit!r}. Give one of {', '.join(_possible(measure))}."
        )
    if not pd.api.types.is_numeric_dtype(values):
        raise DataError("values must be numbers before their unit is converted. Read them first.")
    return values.astype(float) * times


def convert_size(size: float, measure: Measure, unit: str) -> tuple[float | None, tuple[str, ...]]:
    """Bring the size of a change into the measure's own unit; None where that is not possible."""
    if unit == measure.unit:
        return float(size), ()
    times = factor(measure.code, unit)
    if times is None:
        return None, ()
    return size * times, (f"Brought from {unit} to {measure.unit}: times {times:g}.",)


def _possible(measure: str) -> list[str]:
    return [unit for unit in _SPELLINGS if factor(measure, unit) is not None]
