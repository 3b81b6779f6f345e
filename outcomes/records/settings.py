"""A clinic's settings: one short TOML file, checked as a whole before anything is read.

measures = ["ndi", "shoulder_flexion"]     # those to review; all when left out
thresholds = "own_thresholds.toml"         # the clinic's own, beside this file
hide_counts_below = 10                     # for anything meant to leave the clinic
remeasure_after_weeks = 6                  # overdue for measurement after so long

[sites]
hall = "Hall Street"                       # names for the codes in the data

[[changes]]
date = 2025-10-01                          # something the clinic changed
what = "longer first visit"
site = "field"                             # left out: all sites
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from outcomes.errors import ArgumentError, DataError, Faults
from outcomes.measures import catalogue

__all__ = ["EXAMPLE", "Change", "Settings", "read_settings"]

#: A commented file to start from.
EXAMPLE = """\
# Settings of the clinic. Take away the # in front of a line to use it.

# Measures to review, by their codes; all that the data hold when left out.
# measures = ["nprs", "psfs", "shoulder_flexion"]

# The clinic's own thresholds, a file beside this one.
# thresholds = "own_thresholds.toml"

# Counts below this are hidden in anything meant to leave the clinic.
hide_counts_below = 10

# A client not measured for so many weeks, and not discharged, is overdue.
remeasure_after_weeks = 6

# Names for the site codes in the data.
# [sites]
# hall = "Hall Street"
# field = "Field Lane"

# Things that the clinic changed, so that the charts over time can show them.
# [[changes]]
# date = 2025-10-01
# what = "longer first visit"
# site = "field"          # left out: all sites
"""


@dataclass(frozen=True)
class Change:
    """Something that the clinic changed on a date, at one site or (empty) at all."""

    date: date
    what: str
    site: str = ""


@dataclass(frozen=True)
class Settings:
    """A clinic's settings, with the defaults of a clinic that has none.

    Attributes
    ----------
    measures : tuple of str
        Codes to review; empty for all.
    thresholds : str
        Path of the clinic's own thresholds; empty for none.
    hide_counts_below : int
        Counts from 1 to one below this are hidden in what leaves the clinic.
    remeasure_after_weeks : float
        Weeks after which a client who is not discharged is overdue.
    sites : mapping of str to str
        Names by site code.
    changes : tuple of Change
        In order of date.
    """

    measures: tuple[str, ...] = ()
    thresholds: str = ""
    hide_counts_below: int = 10
    remeasure_after_weeks: float = 6.0
    sites: Mapping[str, str] = field(default_factory=dict)
    changes: tuple[Change, ...] = ()

    def site_name(self, code: str) -> str:
        """Give the name of a site, or its code."""
        return self.sites.get(code, code)


def read_settings(path: str | Path | None) -> Settings:
    """Read a clinic's settings; defaults where there is no file.

    Parameters
    ----------
    path : path or None
        A TOML file as shown at the top of this module; empty or None for the defaults.

    Returns
    -------
    Settings

    Raises
    ------
    DataError
        If the file cannot be read, with every fault of its content.

    Examples
    --------
    >>> read_settings(None).hide_counts_below
    10
    """
    if not path or not str(path):
        return Settings()
    path = Path(path)
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DataError(
            f"the settings file must exist, got {path.name!r}. outcomes start FOLDER writes one."
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DataError(
            f"{path.name} must be TOML in UTF-8; it cannot be read ({error}). Correct that line."
        ) from None
    return _checked(found, path)


def _checked(found: dict[str, Any], path: Path) -> Settings:
    faults = Faults()

    def fault(rule: str, remedy: str) -> None:
        faults.add(DataError(f"{path.name} must {rule}. {remedy}."))

    known = set(Settings.__dataclass_fields__)
    for name in sorted(set(found) - known):
        fault(f"not have the setting {name!r}", f"Known are {', '.join(sorted(known))}")
    measures = found.get("measures", [])
    if not _all(measures, list, str):
        fault('list measures as text, as ["ndi", "nprs"]', "Correct measures")
        measures = []
    for code in measures:
        try:
            catalogue.get(code)
        except ArgumentError as error:
            faults.add(error)
    thresholds = found.get("thresholds", "")
    if not isinstance(thresholds, str):
        fault("name the thresholds file as text", "Correct thresholds")
    elif thresholds and not (path.parent / thresholds).is_file():
        fault("name a thresholds file that exists beside it", "Correct thresholds")
    below = found.get("hide_counts_below", 10)
    if not isinstance(below, int) or isinstance(below, bool) or below < 0:
        fault("have hide_counts_below as a whole number of at least 0", "Give 10")
    weeks = found.get("remeasure_after_weeks", 6)
    if not isinstance(weeks, (int, float)) or isinstance(weeks, bool) or weeks <= 0:
        fault("have remeasure_after_weeks above zero", "Give 6")
    sites = found.get("sites", {})
    if not isinstance(sites, dict) or not all(isinstance(v, str) for v in sites.values()):
        fault('name sites as text, as hall = "Hall Street"', "Correct [sites]")
    changes = [_change(entry, i, fault) for i, entry in enumerate(found.get("changes", []), 1)]
    faults.raise_if_any()
    return Settings(
        measures=tuple(measures),
        thresholds=str(path.parent / thresholds) if thresholds else "",
        hide_counts_below=below,
        remeasure_after_weeks=float(weeks),
        sites=sites,
        changes=tuple(sorted((c for c in changes if c), key=lambda c: c.date)),
    )


def _change(entry: Any, number: int, fault: Any) -> Change | None:
    good = (
        isinstance(entry, dict)
        and isinstance(entry.get("date"), date)
        and isinstance(entry.get("what"), str)
        and bool(entry["what"].strip())
        and isinstance(entry.get("site", ""), str)
        and set(entry) <= {"date", "what", "site"}
    )
    if not good:
        fault(
            f"give change {number} a date, a text what, and perhaps a site",
            'Write date = 2025-10-01 and what = "longer first visit"',
        )
        return None
    return Change(date=entry["date"], what=entry["what"], site=entry.get("site", ""))


def _all(value: Any, kind: type, inner: type) -> bool:
    return isinstance(value, kind) and all(isinstance(item, inner) for item in value)
