"""Reading a mapping file: every fault in it is found before any is raised."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from outcomes.errors import ArgumentError, DataError, Faults
from outcomes.measures import catalogue
from outcomes.records.known import OwnMeasure
from outcomes.records.mapping.model import DEFAULT_START, Mapping, Reading
from outcomes.records.schema import MODES, MOMENTS, SIDES, TABLES
from outcomes.records.sources.raw import FileSettings

__all__ = ["load_mapping"]

_PARTS = ("file", "columns", "visits", "clients", "readings", "long", "measures", "tables", "fhir")
_WHO_AND_WHEN = (
    "client", "episode", "visit", "date", "week", "day", "month", "practitioner", "phase",
    "end_reason", "attended", "rater", "instrument", "mode", "moment", "side",
)  # fmt: skip
_LONG = ("measure", "value", "side", "moment", "trial", "unit", "rater", "instrument", "mode")
_CLIENT_COLUMNS = tuple(name for name in TABLES["clients"].names if name != "client")


def load_mapping(source: str | Path | AnyMapping[str, Any] | Mapping) -> Mapping:
    """Load and check a mapping.

    Parameters
    ----------
    source : path to a TOML file, or the dictionary that one holds

    Raises
    ------
    DataError
        If the file cannot be read, or listing every fault in it.
    """
    if isinstance(source, Mapping):
        return source
    if isinstance(source, AnyMapping):
        page, name = dict(source), "mapping"
    else:
        path = Path(source)
        name = path.name
        try:
            page = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError, RecursionError):
            raise DataError(
                f"{name}: the mapping must be a TOML file that can be read. Check its path, and "
                "that words stand in quotes and parts in [brackets]."
            ) from None
    faults = Faults()
    mapping = _Reader(name, faults).read(page)
    faults.raise_if_any()
    return mapping


@dataclass
class _Reader:
    """Reads the parts of a mapping, keeping every fault."""

    name: str
    faults: Faults

    def read(self, page: AnyMapping[str, Any]) -> Mapping:
        for part in page:
            if part not in _PARTS:
                self.fault(f"part [{part}] is not known; there are {', '.join(_PARTS)}")
        for part in _PARTS:
            if not isinstance(page.get(part, {}), dict):
                self.fault(f"[{part}] must be a part with lines of its own")
                page = {key: value for key, value in page.items() if key != part}
        long = dict(page.get("long", {}))
        words = long.pop("measures", {})
        visits = self.known(page.get("visits", {}), "visits",
                            ("start_date", "weeks_between", "numbers"))  # fmt: skip
        mapping = Mapping(
            file=replace(self.file(page.get("file", {})), codes=self.codes(page.get("fhir", {}))),
            columns=self.headers(page.get("columns", {}), "columns", _WHO_AND_WHEN),
            clients=self.headers(page.get("clients", {}), "clients", _CLIENT_COLUMNS),
            readings=self.readings(page.get("readings", {})),
            long=self.headers(long, "long", _LONG),
            long_measures=self.words(words, "long.measures", str),
            visit_numbers=self.words(visits.get("numbers", {}), "visits.numbers", int),
            start_date=self.date(visits.get("start_date"), "visits.start_date"),
            start_given="start_date" in visits,
            weeks_between=self.number(visits.get("weeks_between", 1), "visits.weeks_between") or 1,
            measures=self.measures(page.get("measures", {})),
            tables=self.tables(page.get("tables", {})),
        )
        self.whole(mapping)
        return mapping

    def fault(self, text: str) -> None:
        self.faults.add(DataError(f"{self.name}: {text}."))

    def known(self, part: Any, name: str, keys: tuple[str, ...]) -> dict[str, Any]:
        if not isinstance(part, dict):
            self.fault(f"[{name}] must be a part with lines of its own")
            return {}
        for key in part:
            if key not in keys:
                self.fault(f"[{name}] {key} is not known; there are {', '.join(keys)}")
        return {key: value for key, value in part.items() if key in keys}

    def headers(self, part: Any, name: str, keys: tuple[str, ...]) -> dict[str, str]:
        part = self.known(part, name, keys)
        for key, value in part.items():
            if not isinstance(value, str) or not value:
                self.fault(f"[{name}] {key} must be the name of a column, in quotes")
        return {key: value for key, value in part.items() if isinstance(value, str) and value}

    def words(self, part: Any, name: str, kind: type) -> dict[str, Any]:
        right = isinstance(part, dict) and all(
            isinstance(value, kind) and not isinstance(value, bool) for value in part.values()
        )
        if not right:
            what = "words to codes" if kind is str else "words to whole numbers"
            self.fault(f"[{name}] must lead from {what}")
            return {}
        return {str(key).casefold(): value for key, value in part.items()}

    def number(self, value: Any, name: str) -> float | None:
        right = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not right or value != value or abs(value) == float("inf"):
            self.fault(f"{name} must be a number")
            return None
        return float(value)

    def date(self, value: Any, name: str) -> dt.date:
        if value is None:
            return DEFAULT_START
        try:
            date = value if type(value) is dt.date else dt.date.fromisoformat(value)
            if 1900 <= date.year <= 2100:
                return date
        except (TypeError, ValueError):
            pass
        self.fault(f"{name} must be a date of the years 1900 to 2100, as 2026-01-05")
        return DEFAULT_START

    def row(self, value: Any, name: str) -> int:
        right = isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 10000
        if not right:
            self.fault(f"{name} must be a whole number from 1 to 10000")
        return value if right else 1

    def choice(self, value: Any, name: str, choices: tuple[str, ...]) -> Any:
        if value is not None and value not in choices:
            self.fault(f"{name} must be one of {', '.join(choices)}")
            return None
        return value

    def file(self, part: Any) -> FileSettings:
        keys = ("sheets", "header_row", "encoding", "delimiter", "decimal", "date_order", "pairs",
                "missing", "hidden_sheets")  # fmt: skip
        part = self.known(part, "file", keys)
        for key in ("sheets", "missing"):
            value = part.get(key, [])
            value = [value] if isinstance(value, str) else value
            if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
                self.fault(f"[file] {key} must be a list of words in quotes")
                value = []
            part[key] = tuple(value)
        part["header_row"] = self.row(part.get("header_row", 1), "[file] header_row")
        for key in ("encoding", "delimiter"):
            if not isinstance(part.get(key, ""), str):
                self.fault(f"[file] {key} must be a word in quotes")
                del part[key]
        part["decimal"] = self.choice(part.get("decimal"), "[file] decimal", (".", ","))
        orders = ("day-first", "month-first")
        part["date_order"] = self.choice(part.get("date_order"), "[file] date_order", orders)
        pairs = ("left/right", "right/left", "trials")
        part["pairs"] = self.choice(part.get("pairs"), "[file] pairs", pairs)
        part["hidden_sheets"] = part.get("hidden_sheets") is True
        return FileSettings(**part)

    def codes(self, part: Any) -> dict[str, Any]:
        """Read the codes of a FHIR source."""
        names = ("version", "measures", "questionnaires", "sides", "items")
        part = self.known(part, "fhir", names)
        found: dict[str, Any] = {}
        if "version" in part:
            found["version"] = self.choice(part["version"], "[fhir] version", ("R4", "R5")) or "R4"
        for name in names[1:]:
            entries = part.get(name, {})
            kind = int if name == "items" else str
            if isinstance(entries, dict) and all(type(v) is kind for v in entries.values()):
                found[name] = entries
            else:
                what = "item numbers" if kind is int else "our words"
                self.fault(f"[fhir.{name}] must lead from codes to {what}")
        return found

    def readings(self, part: Any) -> tuple[Reading, ...]:
        found = []
        if not isinstance(part, dict):
            return ()
        for column, entry in part.items():
            at = f'[readings."{column}"]'
            keys = tuple(name for name in Reading.__dataclass_fields__ if name != "column")
            if not isinstance(entry, dict):
                self.fault(f"{at} must be a part with lines of its own")
                continue
            for key in entry:
                if key not in keys:
                    self.fault(f"{at} {key} is not known; there are {', '.join(keys)}")
            given: dict[str, Any] = {}
            for key in ("measure", "unit", "instrument", "rater", "sheet"):
                if key in entry:
                    if isinstance(entry[key], str) and entry[key]:
                        given[key] = entry[key]
                    else:
                        self.fault(f"{at} {key} must be a word in quotes")
            if "measure" not in entry:
                self.fault(f"{at} must name its measure")
            for key in ("week", "zero_at", "multiply"):
                if key in entry:
                    given[key] = self.number(entry[key], f"{at} {key}")
            for key in ("trial", "visit"):
                if key in entry:
                    number = self.number(entry[key], f"{at} {key}")
                    if number is not None and (number < 1 or number % 1 or number > 1e6):
                        self.fault(f"{at} {key} must be a whole number from 1")
                    else:
                        given[key] = None if number is None else int(number)
            given["side"] = self.choice(entry.get("side"), f"{at} side", SIDES)
            given["moment"] = self.choice(entry.get("moment"), f"{at} moment", MOMENTS)
            given["mode"] = self.choice(entry.get("mode"), f"{at} mode", MODES)
            orders = ("left/right", "right/left", "trials")
            given["pairs"] = self.choice(entry.get("pairs"), f"{at} pairs", orders)
            values = entry.get("values", {})
            if isinstance(values, dict):
                numbers = {
                    str(word).casefold(): self.number(value, f"{at} values")
                    for word, value in values.items()
                }
                given["values"] = {word: n for word, n in numbers.items() if n is not None}
            else:
                self.fault(f"{at} values must lead from words to numbers")
            if "measure" in given:
                found.append(Reading(column=column, **given))
        return tuple(found)

    def measures(self, part: Any) -> dict[str, OwnMeasure]:
        keys = ("name", "unit", "min", "max", "better", "sided", "kind",
                "standard_error_of_measurement", "minimal_important_change", "source")  # fmt: skip
        found: dict[str, OwnMeasure] = {}
        for code, entry in part.items():
            entry = self.known(entry, f"measures.{code}", keys)
            absent = [key for key in ("name", "unit", "min", "max", "better") if key not in entry]
            if absent:
                self.fault(f"[measures.{code}] must give {', '.join(absent)}")
                continue
            numbers = {
                key: self.number(entry[key], f"[measures.{code}] {key}")
                for key in ("min", "max", *keys[7:9])
                if key in entry
            }
            if any(number is None for number in numbers.values()):
                continue
            try:
                found[code] = OwnMeasure(
                    code=code,
                    name=str(entry["name"]),
                    unit=str(entry["unit"]),
                    hard_min=numbers["min"] or 0.0,
                    hard_max=numbers["max"] or 0.0,
                    better=entry["better"],
                    sided=entry.get("sided") is True,
                    kind=str(entry.get("kind", "rating")),
                    standard_error_of_measurement=numbers.get(keys[7]),
                    minimal_important_change=numbers.get(keys[8]),
                    source=str(entry.get("source", "")),
                )
            except ArgumentError as error:
                self.faults.add(error)
        return found

    def tables(self, part: Any) -> dict[str, dict[str, Any]]:
        found: dict[str, dict[str, Any]] = {}
        for name, entry in part.items():
            if name not in TABLES:
                self.fault(f"[tables.{name}] must be one of {', '.join(TABLES)}")
                continue
            entry = self.known(entry, f"tables.{name}", ("sheet", "header_row", "columns"))
            columns = entry.get("columns", {})
            names = tuple(TABLES[name].names)
            found[name] = {
                "sheet": str(entry.get("sheet", name)),
                "columns": self.headers(columns, f"tables.{name}.columns", names),
            }
            if "header_row" in entry:
                row = self.row(entry["header_row"], f"[tables.{name}] header_row")
                found[name]["header_row"] = row
        return found

    def whole(self, mapping: Mapping) -> None:
        """Check what the parts must have together."""
        if not mapping.shapes:
            return
        if "client" not in mapping.columns:
            self.fault("[columns] must name the column of the client")
        if mapping.long and not {"measure", "value"} <= set(mapping.long):
            self.fault("[long] must name the columns of measure and value")
        timed = {"date", "visit", "week", "day", "month"} & set(mapping.columns)
        loose = [r.column for r in mapping.readings if r.visit is None and r.week is None]
        if not timed and (mapping.long or loose):
            self.fault(
                "[columns] must name a column of date, visit, week, day or month, or every "
                "reading must give its own week or visit"
            )
        if mapping.weeks_between <= 0 or mapping.weeks_between > 520:
            self.fault("[visits] weeks_between must be above 0 and at most 520")
        codes = {r.measure for r in mapping.readings} | set(mapping.long_measures.values())
        self.unknown_measures(codes, mapping.measures)

    def unknown_measures(self, codes: set[str], own: AnyMapping[str, OwnMeasure]) -> None:
        for code in sorted(codes - set(own)):
            try:
                catalogue.get(code)
            except ArgumentError as error:
                self.fault(f"{str(error).rstrip('.')}; or declare it under [measures.{code}]")
