"""A clean clinic as a receptionist keeps it: the workbook before faults are planted.

Every sheet is a list of rows; a row is a dictionary from header to cell. Cells are text, numbers,
dates, or a `Formula`. Keys with an underscore are not written: the client and day of a visit
before any fault, its place (0 is the first, -1 the last), and the client's sore side. Nothing here
may trip a cleaning rule: courses are smooth, raters record every degree, one instrument and one
hand belong to one client.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = [
    "CLIENTS",
    "DIARY",
    "FORMS",
    "HEADERS",
    "INCIDENTS",
    "SHEETS",
    "YEAR1",
    "YEAR2",
    "Book",
    "Formula",
    "Row",
    "make_book",
    "weekday",
]

Row = dict[str, Any]

CLIENTS, YEAR1, YEAR2, FORMS, DIARY, INCIDENTS = SHEETS = (
    "Clients",
    "Visits 2025",
    "Visits 2026",
    "Forms",
    "Diary",
    "Incidents",
)

_VISITS = [
    "Pt no",
    "Visit",
    "Seen on",
    "Therapist",
    "Measured by",
    "Tool",
    "Flexion before",
    "Flexion after",
    "Flexion passive",
    "Abduction",
    "Ext rot L",
    "Ext rot R",
    "Neck turn L/R",
    "Tragus R cm",
    "Pain 0-10",
    "NDI %",
    "QuickDASH",
    "Left because",
]
HEADERS = {
    CLIENTS: ["Pt no", "Site", "Therapist", "Born", "Sex", "Hand", "Sore side", "Problem",
              "Weeks sore", "Case report ok", "Notes"],
    YEAR1: _VISITS,
    YEAR2: _VISITS,
    FORMS: ["Pt no", "Filled in", "Form", "Item no", "Answer"],
    DIARY: ["Pt no", "Day", "Exercise", "Asked", "Done"],
    INCIDENTS: ["Pt no", "Day", "What", "How bad", "Action"],
}  # fmt: skip

_PROBLEMS = {"shoulder": "stiff shoulder", "neck": "stiff neck"}


@dataclass(frozen=True)
class Formula:
    """A spreadsheet formula and the result stored with it (None: none was stored)."""

    text: str
    result: float | None


@dataclass
class Book:
    """The sheets, and the clients' own numbers for planting faults that need them."""

    sheets: dict[str, list[Row]] = field(default_factory=lambda: {name: [] for name in SHEETS})
    kinds: dict[str, str] = field(default_factory=dict)

    def visits_of(self, client: str) -> list[Row]:
        """Rows of a client in order of date, as they were before any fault."""
        rows = [r for name in (YEAR1, YEAR2) for r in self.sheets[name] if r.get("_who") == client]
        return sorted(rows, key=lambda row: row["_day"])

    def sheet_of(self, row: Row) -> str:
        """Name of the sheet that holds this very row."""
        for name, rows in self.sheets.items():
            if any(other is row for other in rows):
                return name
        raise LookupError("the row stands in no sheet")


def make_book(rng: np.random.Generator, n_clients: int = 64) -> Book:
    """Draw the clean clinic: half shoulders, half necks, from February 2025 to June 2026."""
    book = Book()
    starts = np.sort(rng.integers(0, 430, n_clients))
    for i, offset in enumerate(starts):
        code = f"P{i + 101}"
        kind = "shoulder" if i % 2 == 0 else "neck"
        book.kinds[code] = kind
        hall = i % 4 < 2
        therapist = ("T1", "T2")[i // 4 % 2] if hall else ("T3", "T4")[i // 4 % 2]
        side = ("left", "right")[(i // 2 + i // 4) % 2]
        # No two of up to 67 clients share a year of birth: a same-person rule must stay silent.
        born = 1938 + (i * 37) % 67
        book.sheets[CLIENTS].append(
            {
                "Pt no": code,
                "Site": "hall" if hall else "field",
                "Therapist": therapist,
                "Born": born,
                "Sex": "female" if i % 3 else "male",
                "Hand": "left" if i % 9 == 4 else "right",
                "Sore side": side,
                "Problem": _PROBLEMS[kind],
                "Weeks sore": int(rng.integers(2, 60)),
                "Case report ok": "no" if i % 7 == 3 else "yes",
            }
        )
        first = weekday(dt.date(2025, 2, 3) + dt.timedelta(days=int(offset)))
        _add_visits(rng, book, code, kind, side, therapist, hall, first)
    for name in (YEAR1, YEAR2):
        book.sheets[name].sort(key=lambda row: (row["Seen on"], row["Pt no"]))
    for name in (FORMS, DIARY):
        date = "Filled in" if name == FORMS else "Day"
        book.sheets[name].sort(key=lambda row: (row[date], row["Pt no"], row.get("Item no", 0)))
    for i in range(2, n_clients, 10):
        visits = book.visits_of(f"P{i + 101}")
        book.sheets[INCIDENTS].append(
            {
                "Pt no": f"P{i + 101}",
                "Day": visits[1]["Seen on"] + dt.timedelta(days=1),
                "What": "soreness for more than a day",
                "How bad": "mild",
                "Action": "advice",
            }
        )
    return book


def weekday(day: dt.date) -> dt.date:
    """Give the day itself, or the Monday after a weekend."""
    return day + dt.timedelta(days={5: 2, 6: 1}.get(day.weekday(), 0))


def _add_visits(
    rng: np.random.Generator,
    book: Book,
    code: str,
    kind: str,
    side: str,
    therapist: str,
    hall: bool,
    first: dt.date,
) -> None:
    number = int(rng.integers(5, 9))
    course = 1 - np.exp(-np.arange(number) / 3.0)
    after = 0.35 * np.exp(-np.arange(number) / 3.0)
    tool = "goniometer" if kind == "shoulder" else f"inclinometer {1 if hall else 2}"
    starts = {
        "flexion": (rng.uniform(126, 140), 26),
        "abduction": (rng.uniform(112, 128), 28),
        "rotation": (rng.uniform(46, 56), 16),
        "neck": (rng.uniform(50, 58), 14),
    }
    sound = {"flexion": rng.uniform(160, 168), "rotation": rng.uniform(78, 86)}
    tragus, pain, ndi, quickdash = (rng.uniform(*ends) for ends in
                                    ((12.5, 15.0), (5, 7), (30, 44), (36, 52)))  # fmt: skip
    passive = kind == "shoulder" and int(code[1:]) % 6 == 1
    discharged = rng.random() < 0.5
    for v in range(number):
        day = first if v == 0 else weekday(first + dt.timedelta(days=7 * v))
        done = course[v]

        def angle(name: str, share: float = 1.0, done: float = done) -> int:
            start, gain = starts[name]
            return round(start + share * gain * done + rng.normal(0, 1.5))

        row: Row = {
            "_who": code,
            "_day": day,
            "_place": v - number if v else 0,
            "_side": side,
            "Pt no": code,
            "Visit": v + 1,
            "Seen on": day,
            "Therapist": therapist,
            "Measured by": therapist,
            "Tool": tool,
            "Pain 0-10": round(float(np.clip(pain - 3.2 * done + rng.normal(0, 0.4), 0, 10))),
        }
        if kind == "shoulder":
            flexion, other = angle("flexion"), round(sound["flexion"] + rng.normal(0, 1.5))
            later = round(flexion + starts["flexion"][1] * after[v] + rng.normal(0, 1.0))
            rotation, other_rotation = (
                angle("rotation"),
                round(sound["rotation"] + rng.normal(0, 1.2)),
            )
            row["Flexion before"] = _pair(side, flexion, other)
            row["Flexion after"] = _pair(side, later, other + round(rng.normal(1, 1)))
            row["Abduction"] = f"{angle('abduction')} {side[0].upper()}"
            row["Ext rot L"], row["Ext rot R"] = (
                (rotation, other_rotation) if side == "left" else (other_rotation, rotation)
            )
            if passive:
                row["Flexion passive"] = f"{flexion + 7} {side[0].upper()}"
            if v % 4 == 0:
                row["QuickDASH"] = _quickdash(quickdash - 22 * done + rng.normal(0, 2))
        else:
            worse, better = angle("neck"), angle("neck", 0.6) + 8
            left, right = (worse, better) if side == "left" else (better, worse)
            row["Neck turn L/R"] = f"{left}/{right}"
            row["Tragus R cm"] = round(tragus - 1.6 * done + rng.normal(0, 0.15), 1)
            if v % 4 == 0:
                total = int(np.clip(round((ndi - 16 * done + rng.normal(0, 2)) / 2), 4, 46))
                row["NDI %"] = 2 * total
                _add_form(rng, book, code, day, total)
        if v == number - 1 and discharged:
            row["Left because"] = "discharged"
        book.sheets[YEAR1 if day.year == 2025 else YEAR2].append(row)
        if int(code[1:]) % 5 == 0 and v < 3:
            for extra in range(5):
                book.sheets[DIARY].append(
                    {
                        "Pt no": code,
                        "Day": day + dt.timedelta(days=extra),
                        "Exercise": "arm slides on the wall"
                        if kind == "shoulder"
                        else "neck turning",
                        "Asked": 3,
                        "Done": int(rng.integers(0, 4)),
                    }
                )


def _pair(side: str, sore: int, sound: int) -> str:
    left, right = (sore, sound) if side == "left" else (sound, sore)
    return f"{left} L / {right} R"


def _quickdash(wanted: float) -> float:
    """Nearest score that eleven items can give, to one decimal."""
    points = round(float(np.clip(wanted, 2, 95)) / 100 * 44)
    return round(points / 44 * 100, 1)


def _add_form(rng: np.random.Generator, book: Book, code: str, day: dt.date, total: int) -> None:
    """Spread an NDI sum (0 to 50 points) over ten answers of 0 to 5."""
    answers = np.full(10, total // 10)
    answers[: total % 10] += 1
    for _ in range(8):
        i, j = rng.integers(0, 10, 2)
        if answers[i] < 5 and answers[j] > 0 and i != j:
            answers[i] += 1
            answers[j] -= 1
    for item, answer in enumerate(answers, start=1):
        book.sheets[FORMS].append(
            {"Pt no": code, "Filled in": day, "Form": "ndi", "Item no": item, "Answer": int(answer)}
        )
