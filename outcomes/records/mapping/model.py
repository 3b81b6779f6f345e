"""The mapping file: what each column of a clinic's own file means.

A complete example, with every part that there is::

    [file]                              # how to open it; all optional
    sheets = ["2026"]                   # sheets with the same columns are put under each other
    header_row = 3
    encoding = "cp1252"
    delimiter = ";"
    decimal = ","                       # settles 1,234
    date_order = "day-first"            # settles 03/04/2026
    pairs = "left/right"                # settles 145/150
    missing = ["-99"]                   # further words for "no value"

    [columns]                           # who and when
    client = "Pt no"
    date = "Seen on"                    # or a number of the visit, or weeks, days, months:
    visit = "Visit"
    week = "Wk"

    [visits]                            # how to count where the file has no dates
    start_date = "2026-01-05"           # nominal first day
    weeks_between = 1                   # from one visit number to the next
    numbers = { pre = 1, post = 2 }     # words of the visit column

    [clients]                           # columns about the client
    birth_year = "Born"

    [readings."Flexion L"]              # one part for each column of readings
    measure = "shoulder_flexion"
    side = "left"
    moment = "before"
    unit = "deg"
    mode = "active"
    instrument = "goniometer"
    rater = "AB"
    trial = 1
    week = 8.7                          # a column of its own time, from the client's start
    visit = 2
    zero_at = 180                       # the reading counts down from here
    multiply = 100                      # before the unit is looked at
    values = { none = 0, mild = 1 }     # words that stand for numbers
    pairs = "left/right"                # order of 145/150
    sheet = "ROM"                       # where sheets differ

    [long]                              # or one reading per row: which column holds what
    measure = "Test"
    value = "Result"
    side = "Side"
    [long.measures]                     # words of the measure column
    Flex = "shoulder_flexion"

    [measures.stiffness]                # a measure of one's own
    name = "Morning stiffness"
    unit = "points"
    min = 0
    max = 4
    better = "lower"
    standard_error_of_measurement = 0.4
    minimal_important_change = 1
    source = "own repeatability study, 2025"

    [fhir]                              # codes of a FHIR bundle
    version = "R4"
    [fhir.measures]
    "http://loinc.org|72514-3" = "nprs"
    [fhir.questionnaires]
    "https://clinic.example/Questionnaire/neck" = "ndi"

    [tables.measurements]               # or: a file of our tables with other names
    sheet = "ROM"
    header_row = 1                      # where it differs from [file]
    columns = { client = "Pt", value = "Result" }
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, field, replace
from typing import Any

from outcomes.records.known import OwnMeasure
from outcomes.records.schema import TABLES
from outcomes.records.sources.raw import FileSettings, plain_name

__all__ = ["DEFAULT_START", "Mapping", "Reading"]

#: Nominal first day where neither the file nor the mapping gives a date.
DEFAULT_START = dt.date(2000, 1, 3)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One column of readings: its header and what every value of it is."""

    column: str
    measure: str
    side: str | None = None
    moment: str | None = None
    unit: str | None = None
    mode: str | None = None
    instrument: str | None = None
    rater: str | None = None
    trial: int | None = None
    visit: int | None = None
    week: float | None = None
    zero_at: float | None = None
    multiply: float | None = None
    values: AnyMapping[str, float] = field(default_factory=dict)
    pairs: str | None = None
    sheet: str | None = None


@dataclass(frozen=True, kw_only=True)
class Mapping:
    """A mapping, checked.

    Attributes
    ----------
    file : FileSettings
    columns : dict
        From what it is (client, date, visit, week ...) to the header of its column.
    clients : dict
        Client columns to headers.
    readings : tuple of Reading
    long : dict
        For files with one reading per row: what it is to the header of its column.
    long_measures : dict
        Words of the measure column to codes.
    visit_numbers : dict
        Words of the visit column to visit numbers.
    start_date : datetime.date
        Nominal first day where the file has no dates.
    start_given : bool
        The mapping names the nominal day itself.
    weeks_between : float
    measures : dict of str to OwnMeasure
    tables : dict
        Table name to ``{"sheet": ..., "columns": {...}}``.
    """

    file: FileSettings = field(default_factory=FileSettings)
    columns: AnyMapping[str, str] = field(default_factory=dict)
    clients: AnyMapping[str, str] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    long: AnyMapping[str, str] = field(default_factory=dict)
    long_measures: AnyMapping[str, str] = field(default_factory=dict)
    visit_numbers: AnyMapping[str, int] = field(default_factory=dict)
    start_date: dt.date = DEFAULT_START
    start_given: bool = False
    weeks_between: float = 1.0
    measures: AnyMapping[str, OwnMeasure] = field(default_factory=dict)
    tables: AnyMapping[str, AnyMapping[str, Any]] = field(default_factory=dict)

    def table_of(self, sheet: str) -> str | None:
        """Name the table of ours that this sheet or file is, by the mapping or by its name."""
        plain = plain_name(sheet)
        for name, entry in self.tables.items():
            if plain_name(str(entry["sheet"])) == plain:
                return name
        known = plain in TABLES and plain not in self.tables
        return plain if known and not self.shapes else None

    @property
    def opening(self) -> FileSettings:
        """How to open the file, with all the sheets that any part of the mapping names."""
        sheets = self.file.sheets
        if sheets:
            named = [str(entry["sheet"]) for entry in self.tables.values()]
            sheets = tuple(dict.fromkeys([*sheets, *named]))
        rows = {
            str(entry["sheet"]): int(entry["header_row"])
            for entry in self.tables.values()
            if "header_row" in entry
        }
        return replace(self.file, sheets=sheets, header_rows=rows)

    @property
    def shapes(self) -> bool:
        """The mapping turns a file of the clinic's own layout into our tables."""
        return bool(self.readings or self.long)
