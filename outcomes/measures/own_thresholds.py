"""The clinic's own thresholds: a small TOML file, checked as it is read.

One entry is::

    [[threshold]]
    measure = "shoulder_flexion"
    kind = "standard_error_of_measurement"
    value = 3.1
    ci_low = 2.6
    ci_high = 3.9
    instrument = "goniometer"
    mode = "active"
    rater = "same rater"
    design = "20 clients, 2 raters, 3 trials"
    n = 20
    date = 2026-05-02

`measure`, `kind` and `value` are needed; `unit` is the measure's own where left out; a
``minimal_detectable_change`` also needs its `confidence`. A condition left out holds for all.
Which entry a reading leads to is settled in `outcomes.measures.resolve`.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import date
from math import isfinite
from pathlib import Path
from typing import Any

from outcomes.errors import ArgumentError, DataError, Faults, check_between
from outcomes.measures.catalogue import get
from outcomes.measures.matching import RATERS
from outcomes.measures.units import factor

__all__ = [
    "OwnThreshold",
    "read_own_thresholds",
    "threshold_lines",
    "write_own_thresholds",
]

_KINDS = (
    "standard_error_of_measurement",
    "minimal_detectable_change",
    "minimal_important_change",
    "minimal_important_worsening",
)
_NUMBERS = ("value", "ci_low", "ci_high", "confidence")


@dataclass(frozen=True, kw_only=True)
class OwnThreshold:
    """One entry of the clinic's own threshold file; see the top of this module."""

    measure: str
    kind: str
    value: float
    unit: str = ""
    ci_low: float | None = None
    ci_high: float | None = None
    confidence: float | None = None
    rater: str = ""
    mode: str = ""
    instrument: str = ""
    design: str = ""
    n: int | None = None
    date: date | None = None
    source: str = "own study"


_FIELDS = [item.name for item in fields(OwnThreshold)]


def read_own_thresholds(path: str | Path) -> tuple[OwnThreshold, ...]:
    """Read the clinic's own threshold file.

    Parameters
    ----------
    path : path
        A TOML file with one ``[[threshold]]`` per value.

    Returns
    -------
    tuple of OwnThreshold
        In the unit of each measure.

    Raises
    ------
    DataError
        If the file cannot be read, or any entry breaks a rule; all faults are listed, by the
        number of the entry.
    """
    try:
        page = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError:
        raise DataError(
            f"threshold file must be readable; {Path(path).name} is not. Check its place and name."
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        where = f" ({error})" if isinstance(error, tomllib.TOMLDecodeError) else ""
        raise DataError(
            f"threshold file must be TOML in UTF-8; {Path(path).name} is not{where}. Correct it."
        ) from None
    entries = page.pop("threshold", None)
    faults = Faults()
    if page:
        faults.add(
            DataError(
                f"threshold file must hold [[threshold]] entries only; found besides: "
                f"{', '.join(sorted(page))}. Take them out."
            )
        )
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        faults.add(DataError("threshold file must hold [[threshold]] entries. Add one."))
        entries = []
    checked = [_checked(entry, number, faults) for number, entry in enumerate(entries, start=1)]
    faults.raise_if_any()
    return tuple(entry for entry in checked if entry is not None)


def write_own_thresholds(path: str | Path, thresholds: Iterable[OwnThreshold]) -> None:
    """Write a threshold file, so that `read_own_thresholds` gives the same entries back."""
    text = "# The clinic's own thresholds: measured here, used before published ones.\n"
    text += "".join("\n" + threshold_lines(entry) for entry in thresholds)
    Path(path).write_text(text, encoding="utf-8", newline="\n")


def threshold_lines(entry: OwnThreshold) -> str:
    """Give the lines of one entry, to paste into the threshold file.

    Examples
    --------
    >>> print(threshold_lines(OwnThreshold(
    ...     measure="ndi", kind="minimal_important_change", value=12.0)), end="")
    [[threshold]]
    measure = "ndi"
    kind = "minimal_important_change"
    value = 12.0
    source = "own study"
    """
    lines = ["[[threshold]]"]
    for name in _FIELDS:
        value = getattr(entry, name)
        if value in (None, ""):
            continue
        lines.append(f"{name} = {_toml(value)}")
    return "\n".join(lines) + "\n"


def _checked(entry: dict[str, Any], number: int, faults: Faults) -> OwnThreshold | None:
    """Check one entry; every fault is kept."""
    before = len(faults.found)

    def fault(rule: str, remedy: str) -> None:
        faults.add(DataError(f"threshold {number} {rule}. {remedy}."))

    unknown = sorted(set(entry) - set(_FIELDS))
    if unknown:
        fault(f"must not have {', '.join(unknown)}", f"Known are: {', '.join(_FIELDS)}")
    for name in ("measure", "kind", "value"):
        if name not in entry:
            fault(f"must give its {name}", "Add it")
    for name in _NUMBERS:
        value = entry.get(name, 1.0)
        least = 0.0 if name == "ci_low" else 5e-324
        if type(value) not in (int, float) or not (isfinite(value) and value >= least):
            fault(f"must give {name} as a number above zero", "Correct it")
    for name in ("measure", "kind", "unit", "rater", "mode", "instrument", "design", "source"):
        if not isinstance(entry.get(name, ""), str):
            fault(f"must give {name} as text", "Put it in quotation marks")
    people = entry.get("n")
    if people is not None and (
        not isinstance(people, int) or isinstance(people, bool) or people < 1
    ):
        fault("must give n as a whole number above zero", "Correct it")
    if type(entry.get("date", date.min)) is not date:
        fault("must give date as 2026-05-02, without quotation marks", "Correct it")
    if len(faults.found) > before:
        return None
    for name, choices in (
        ("kind", _KINDS),
        ("rater", ("", *RATERS)),
        ("mode", ("", "active", "passive")),
    ):
        if entry.get(name, "") not in choices:
            named = ", ".join(choice for choice in choices if choice)
            fault(f"must have as {name} one of {named}", "Correct it")
    try:
        measure = get(entry["measure"])
    except ArgumentError as error:
        fault("must name a measure of the catalogue", str(error).split(". ", 1)[1].rstrip("."))
        return None
    times = factor(measure.code, entry.get("unit", ""))
    if times is None:
        fault(f"must give its value in a unit of {measure.code}", f"Use {measure.unit}")
    if entry["kind"] == "minimal_detectable_change" and "confidence" not in entry:
        fault("must give the confidence of its detectable change", "Add confidence = 0.95")
    if "confidence" in entry:
        try:
            check_between("confidence", entry["confidence"], 0, 1)
        except ArgumentError:
            fault("must give confidence in (0, 1)", "Write 0.95 for 95%")
    low, high = entry.get("ci_low"), entry.get("ci_high")
    if low is not None and high is not None and not low <= entry["value"] <= high:
        fault("must have its value between ci_low and ci_high", "Correct one of the three")
    if len(faults.found) > before or times is None:
        return None
    scaled = {k: float(entry[k]) * times for k in ("value", "ci_low", "ci_high") if k in entry}
    return OwnThreshold(**{**entry, **scaled, "unit": measure.unit})


def _toml(value: Any) -> str:
    if isinstance(value, str):
        # A basic string of TOML is a string of JSON, but for the delete character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, date):
        return value.isoformat()
    return repr(value)
