"""Numbers as clinics write them: decimal marks, thousands, units, two sides in one cell, words.

A cell is read as one or several readings, or it is kept as a note: ``<5`` and ``unable`` are
findings, but no numbers. Whether ``1,234`` is a thousand or one and a bit is decided from the
other cells of its column, and left unread where nothing decides it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.measures.units import spellings

__all__ = ["BLANK_WORDS", "NumberColumn", "read_numbers"]

#: Words that say no more than an empty cell.
BLANK_WORDS = frozenset(
    "- -- --- – — . .. n/a na n.a. nan nil null none missing blank unknown ? #n/a <na>".split()
)
#: Words that are a finding: kept as a note in the ledger, letter by letter.
_FINDINGS = """
unable, unable to test, unable to perform, could not, cannot, n/t, nt, n/m, not tested, not test,
not done, not measured, not assessed, refused, declined, deferred, contraindicated, too painful,
painful, pain, dna, dns, did not attend, full, normal, wnl, limited, absent, fail, failed, stopped
"""
FINDINGS = frozenset(word.strip() for word in _FINDINGS.split(","))

_NUMBER = r"[+-]?(?:\d{1,2}(?:[ ']\d{3})+(?!\d)(?:[.,]\d+)?|\d[\d.,]*|[.,]\d+)"
#: Unit words that are looked for inside a cell, longest first.
_UNIT_WORDS = (
    "degrees degree degs deg ° º radians radian rad millimetres millimeters mm centimetres "
    'centimeters cms cm metres meters m inches inch in. in " ″ ” kilograms kilos kgf/cm² kgf/cm2 '
    "kg/cm² kg/cm2 kgf kgs kg pounds pound lbs lb newtons n/cm² n/cm2 kpa n seconds secs sec s "
    "minutes mins min repetitions reps rep points point pts percent pct %"
).split()
_UNIT = "|".join(re.escape(w) for w in sorted(_UNIT_WORDS, key=len, reverse=True))
_SIDE = r"(?:left|lft|lt|l|right|rgt|rt|r)"
_READING = rf"(?P<number>{_NUMBER})(?:\s*(?P<unit>{_UNIT})(?:(?<=\W)|(?![^\W\d])))?"
#: The side is written before every number, or after it: never both ways in one cell.
_SIDE_FIRST = re.compile(rf"(?P<side>{_SIDE})\s*[.:=]?\s*{_READING}", re.IGNORECASE)
_SIDE_LAST = re.compile(rf"{_READING}(?:\s*\(?(?P<side>{_SIDE})(?![^\W\d])[).]?)?", re.IGNORECASE)
_BETWEEN = re.compile(r"\s*(?:[/;|&]|,\s|\band\b)?\s*")
_INEQUALITY = re.compile(
    r"\s*(?:[<>≤≥]=?|=[<>]|under|over|less than|more than|at least|up to)\s*\d"
)
_MINUTES = re.compile(r"(\d{1,3}):([0-5]\d)")
_DATE = re.compile(r"\d{1,4}\s*([-/.])\s*\d{1,2}\s*\1\s*\d{2,4}")
_DECIDED = (".", ",")
#: Numbers that read one way: no mark, or a point not before exactly three digits.
_PLAIN = r"-?[0-9]{1,9}(?:\.(?:[0-9]{1,2}|[0-9]{4,9}))?"
_READINGS = {
    "position": "int64", "value": "float64", "unit": "str", "side": "str", "place": "int64",
    "many": "int64",
}  # fmt: skip
_NOTES = {"position": "int64", "rule": "str", "reason": "str", "text": "str"}
_MOST_READINGS = 6


@dataclass(frozen=True, eq=False)
class NumberColumn:
    """A column read as numbers: one row of `readings` per reading, and what was no number.

    Attributes
    ----------
    readings : DataFrame
        Columns `position` (of the cell), `value`, `unit` (code, missing if none was written),
        `side` (missing if none was written), `place` (1 for the first reading of a cell), `many`
        (how many readings the cell holds).
    notes : DataFrame
        Cells that are no number: `position`, `rule`, `reason`, `text` (as the ledger may show it).
    decimal : str
        ``"."`` or ``","``, or empty where nothing shows it.
    """

    readings: pd.DataFrame
    notes: pd.DataFrame
    decimal: str


def read_numbers(
    text: pd.Series, *, decimal: str | None = None, missing: tuple[str, ...] = ()
) -> NumberColumn:
    """Read a column of numbers.

    Parameters
    ----------
    text : Series of str
        Blank cells (missing) give neither a reading nor a note.
    decimal : str, optional
        ``"."`` or ``","`` where the mapping settles it.
    missing : tuple of str
        Further words for "no value".

    Examples
    --------
    >>> column = read_numbers(pd.Series(["145 L / 150 R", "12,5 cm", "unable", "<5"]))
    >>> column.readings[["position", "value", "unit", "side"]].values.tolist()
    [[0, 145.0, nan, 'left'], [0, 150.0, nan, 'right'], [1, 12.5, 'cm', nan]]
    >>> column.notes["rule"].tolist()
    ['word instead of a number', 'inequality sign']
    """
    codes, uniques = pd.factorize(text)
    distinct = pd.Series(uniques, dtype="str")
    # Nearly all cells of a large file are plain numbers: these need no look at each of them.
    blank = BLANK_WORDS | {word.casefold() for word in missing}
    plain = distinct.str.fullmatch(_PLAIN).fillna(False).to_numpy(dtype=bool)
    plain = plain & ~distinct.isin(list(missing)).to_numpy()
    cells = {int(i): _split(str(uniques[i]), blank) for i in np.flatnonzero(~plain)}
    has_point = bool(distinct.loc[plain].str.contains(".", regex=False).any())
    mark = decimal or _decide(cells.values(), point=has_point)
    parts: list[tuple[int, float, str | None, str | None, int, int]] = []
    notes: list[tuple[int, str, str, str]] = []
    for i, cell in sorted(cells.items()):
        numbers = [_value(item.number, mark) for item in cell.items]
        if cell.rule:
            notes.append((i, cell.rule, cell.reason, _may_show(str(uniques[i]), cell)))
        elif any(number is None for number in numbers):
            reason = (
                "the comma or point before three digits may be a decimal mark or thousands; set "
                "decimal in the mapping"
            )
            notes.append((i, "decimal mark undecided", reason, str(uniques[i])[:40]))
        else:
            for place, (item, number) in enumerate(zip(cell.items, numbers, strict=True), start=1):
                value = float("nan") if number is None else number
                parts.append((i, value, item.unit, item.side, place, len(cell.items)))
    found = pd.DataFrame(parts, columns=list(_READINGS)).astype(_READINGS)
    whole = np.flatnonzero(plain)
    simple = pd.DataFrame({"position": whole, "value": distinct.loc[plain].to_numpy(dtype=float)})
    simple = simple.assign(unit=None, side=None, place=1, many=1).astype(_READINGS)
    found = pd.concat([found, simple]).sort_values("position", kind="stable")
    written = pd.DataFrame(notes, columns=list(_NOTES)).astype(_NOTES)
    return NumberColumn(
        _spread(found, codes, len(uniques)),
        _spread(written, codes, len(uniques)),
        mark if mark in _DECIDED else "",
    )


@dataclass(frozen=True)
class _Item:
    number: str
    unit: str | None
    side: str | None


@dataclass(frozen=True)
class _Cell:
    items: tuple[_Item, ...] = ()
    rule: str = ""
    reason: str = ""


def _split(text: str, blank: frozenset[str]) -> _Cell:
    """Cut a cell into readings, or say why it holds none."""
    clean = unicodedata.normalize("NFKC", text).replace("\u2212", "-").replace("\u2013", "-")
    clean = " ".join(clean.replace("\u2019", "'").split()).strip()
    if not clean or clean.casefold() in blank:
        return _Cell(rule="blank value", reason="the cell says that there is no value")
    if len(clean) > 80:
        return _no_number(clean)
    if _INEQUALITY.match(clean.casefold()):
        return _Cell(rule="inequality sign", reason="a bound is kept as a note, not as a number")
    if match := _MINUTES.fullmatch(clean):
        seconds = 60 * int(match[1]) + int(match[2])
        return _Cell((_Item(str(seconds), "s", None),))
    if _DATE.fullmatch(clean):
        return _Cell(rule="date instead of a number", reason="the cell holds a date")
    form = _SIDE_FIRST if _SIDE_FIRST.match(clean) else _SIDE_LAST
    items: list[_Item] = []
    at = 0
    while at < len(clean):
        match = form.match(clean, at)
        if match is None or len(items) == _MOST_READINGS:
            return _no_number(clean)
        side = _side(match["side"])
        items.append(_Item(match["number"], _unit(match["unit"]), side))
        gap = _BETWEEN.match(clean, match.end())
        at = match.end() if gap is None else gap.end()
        parted = gap is not None and bool(gap.group().strip())
        if at < len(clean) and not parted and side is None:
            return _no_number(clean)
        if at == len(clean) and parted:
            return _no_number(clean)
    labelled = [item.side for item in items if item.side]
    if labelled and len(set(labelled)) != len(items):
        return _no_number(clean)
    return _Cell(tuple(items))


def _no_number(text: str) -> _Cell:
    word = text.casefold().strip(" .!")
    if word in FINDINGS:
        return _Cell(
            rule="word instead of a number", reason="a word is kept as a note, not as a number"
        )
    return _Cell(
        rule="text instead of a number", reason="the cell holds no number that can be read"
    )


def _unit(text: str | None) -> str | None:
    if not text:
        return None
    return spellings(text.replace("″", '"').replace("”", '"'))


def _side(text: str | None) -> str | None:
    if not text:
        return None
    return "left" if text.casefold().startswith("l") else "right"


def _may_show(text: str, cell: _Cell) -> str:
    """Show findings, bounds and short texts of digits; of other text only the length."""
    words = re.search(r"[^\W\d]{4}", text) or _DATE.search(text)
    short = len(text) <= 20 and any(letter.isdigit() for letter in text) and not words
    if cell.rule == "date instead of a number":
        return "a date"
    if cell.rule != "text instead of a number" or short:
        return text[:40]
    return f"text of {len(text)} letters"


def _decide(cells: Iterable[_Cell], *, point: bool) -> str:
    """Find the decimal mark that the unambiguous cells of the column show."""
    comma = False
    for cell in cells:
        for item in cell.items:
            mark = _shows(item.number)
            point |= mark == "."
            comma |= mark == ","
    if point and comma:
        return "each"
    return "." if point else "," if comma else ""


def _shows(number: str) -> str:
    """Give the decimal mark that this number shows by itself; empty if it shows none."""
    points, commas = number.count("."), number.count(",")
    if not points and not commas:
        return ""
    last = "." if number.rfind(".") > number.rfind(",") else ","
    if points and commas:
        return last
    if points + commas > 1:
        return "," if points else "."
    digits = number.lstrip("+-")
    head, tail = digits.split(last)
    if len(tail) == 3 and 1 <= len(head) <= 3 and head != "0" and not head.startswith("0"):
        return ""
    return last


def _value(number: str, mark: str) -> float | None:
    """Give the number, or None where its mark cannot be told or its form is wrong."""
    text = number.replace(" ", "").replace("'", "")
    own = _shows(text)
    if own == "" and ("." in text or "," in text):
        if mark in ("each", ""):
            if "," in text or mark == "each":
                return None
            own = "."
        else:
            own = mark
    elif own and mark and mark != "each" and own != mark and text.count(".") + text.count(",") > 1:
        return None
    thousands = "," if own == "." else "."
    if thousands in text:
        if not re.fullmatch(r"[+-]?\d{1,3}(?:[.,]\d{3})+(?:[.,]\d*)?", text):
            return None
        text = text.replace(thousands, "")
    try:
        return float(text.replace(own, ".") if own else text)
    except ValueError:
        return None


def _spread(parts: pd.DataFrame, codes: np.ndarray, n_uniques: int) -> pd.DataFrame:
    """Give each cell the parts of its distinct text; `parts` are in the order of the texts."""
    counts = np.bincount(parts["position"].to_numpy(), minlength=n_uniques)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]) if n_uniques else counts
    kept = codes >= 0
    repeat = counts[codes[kept]]
    cell = np.repeat(np.flatnonzero(kept), repeat)
    within = np.arange(len(cell)) - np.repeat(np.cumsum(repeat) - repeat, repeat)
    taken = np.repeat(starts[codes[kept]], repeat) + within
    return parts.iloc[taken].reset_index(drop=True).assign(position=cell)
