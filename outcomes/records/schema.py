"""The tables of a caseload: what one row is, which columns there are, what may stand in them.

Everything that reads, checks, writes or describes a caseload takes its column names from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["TABLES", "Column", "Table"]

Kind = Literal["code", "word", "date", "whole", "number", "truth"]


@dataclass(frozen=True)
class Column:
    """One column: its kind, what it means, and whether a row is useless without it."""

    name: str
    kind: Kind
    meaning: str
    required: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its columns, and the columns that tell rows apart."""

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [column.name for column in self.columns]

    @property
    def required(self) -> list[str]:
        """Columns that every source must have."""
        return [column.name for column in self.columns if column.required]

    def __getitem__(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


SIDES = ("left", "right", "midline")
MOMENTS = ("before", "after")
MODES = ("active", "passive")

_CLIENT = Column("client", "code", "client code; never a name", required=True)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            "clients",
            "one client",
            (
                _CLIENT,
                Column("clinic", "code", "site"),
                Column("practitioner", "code", "practitioner in charge"),
                Column("birth_year", "whole", "year of birth"),
                Column("sex", "word", "as recorded by the clinic"),
                Column("dominant_side", "word", "hand used for most tasks", choices=SIDES[:2]),
                Column(
                    "affected_side",
                    "word",
                    "side that brought the client",
                    choices=("left", "right", "both", "midline"),
                ),
                Column("complaint", "word", "region or label of the complaint"),
                Column("onset_weeks", "number", "weeks of symptoms before the first visit"),
                Column("consent_case_report", "truth", "consent to an anonymised case report"),
            ),
            ("client",),
        ),
        Table(
            "visits",
            "one visit",
            (
                _CLIENT,
                Column("episode", "whole", "episode of care, from 1"),
                Column("visit", "whole", "visit of the episode, from 1"),
                Column("date", "date", "date of the visit", required=True),
                Column("practitioner", "code", "who treated"),
                Column("attended", "truth", "false: booked, not kept"),
                Column("end_reason", "word", "why the episode ended, on its last visit"),
                Column("phase", "word", "phase of a single-case design: baseline, treatment"),
            ),
            ("client", "episode", "visit"),
        ),
        Table(
            "measurements",
            "one reading",
            (
                _CLIENT,
                Column("episode", "whole", "episode of care, from 1"),
                Column("visit", "whole", "visit of the episode; or give the date"),
                Column("date", "date", "date of the reading; or give the visit"),
                Column("measure", "code", "code of the measure in the catalogue", required=True),
                Column("side", "word", "side of the body", choices=SIDES),
                Column("moment", "word", "before or after treatment", choices=MOMENTS),
                Column("trial", "whole", "repeated reading within the visit, from 1"),
                Column("value", "number", "the reading", required=True),
                Column("unit", "word", "unit of the reading; the measure's own where empty"),
                Column("rater", "code", "who took the reading"),
                Column("instrument", "word", "what it was taken with"),
                Column("mode", "word", "active or passive movement", choices=MODES),
            ),
            (
                "client",
                "episode",
                "visit",
                "measure",
                "side",
                "moment",
                "trial",
                "instrument",
                "mode",
            ),
        ),
        Table(
            "answers",
            "one questionnaire item",
            (
                _CLIENT,
                Column("episode", "whole", "episode of care, from 1"),
                Column("visit", "whole", "visit of the episode; or give the date"),
                Column("date", "date", "date of the answer; or give the visit"),
                Column("questionnaire", "code", "code of the questionnaire", required=True),
                Column("item", "whole", "item number, from 1", required=True),
                Column("answer", "number", "the answer; empty where left blank", required=True),
            ),
            ("client", "episode", "visit", "questionnaire", "item"),
        ),
        Table(
            "treatments",
            "one procedure",
            (
                _CLIENT,
                Column("episode", "whole", "episode of care, from 1"),
                Column("visit", "whole", "visit of the episode", required=True),
                Column("technique", "word", "what was done", required=True),
                Column("region", "word", "where"),
                Column("dose", "number", "how much"),
                Column("dose_unit", "word", "of what"),
            ),
            ("client", "episode", "visit", "technique", "region"),
        ),
        Table(
            "home_exercise",
            "one line of the exercise diary",
            (
                _CLIENT,
                Column("date", "date", "day of the diary", required=True),
                Column("exercise", "word", "name of the exercise", required=True),
                Column("prescribed", "number", "sets or minutes asked for"),
                Column("done", "number", "sets or minutes done"),
            ),
            ("client", "date", "exercise"),
        ),
        Table(
            "events",
            "one unwanted event",
            (
                _CLIENT,
                Column("date", "date", "day of the event", required=True),
                Column("event", "word", "what happened", required=True),
                Column("severity", "word", "mild, moderate or severe"),
                Column("action", "word", "what was done about it"),
            ),
            ("client", "date", "event"),
        ),
    )
}
