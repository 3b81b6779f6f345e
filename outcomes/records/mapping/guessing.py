"""What a column most likely is, from its header and its values."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from outcomes.measures import catalogue
from outcomes.records.cells.dates import UNDECIDED, read_dates
from outcomes.records.cells.numbers import read_numbers
from outcomes.records.cells.zero import suspect_zero
from outcomes.records.mapping.vocabulary import (
    FIXED,
    LONG_MEASURE,
    LONG_VALUE,
    ROLES,
    has,
    match_measure,
    weeks_in,
    words_of,
)

__all__ = ["Guess", "guess_column"]

_SAMPLE = 5000
_CLIENT_COLUMNS = frozenset(
    "clinic birth_year sex dominant_side affected_side complaint onset_weeks consent_case_report"
    .split()
)  # fmt: skip


@dataclass
class Guess:
    """How one column was understood.

    Attributes
    ----------
    header : str
    part : str
        ``"columns"``, ``"clients"``, ``"readings"``, ``"long"``, or empty where not understood.
    role : str
        Key of that part; for readings the measure.
    given : dict
        For readings: side, moment, unit and so on.
    why : str
        What it rests on.
    questions : list of str
        What could not be told.
    date_order : str
        Of a date column, where it matters.
    decimal : str
        Decimal mark that the column shows.
    filled, numeric, dated : float
        Shares of rows with a cell; of cells that are numbers; of cells that are dates.
    distinct : int
    """

    header: str
    part: str = ""
    role: str = ""
    given: dict[str, object] = field(default_factory=dict)
    why: str = ""
    questions: list[str] = field(default_factory=list)
    date_order: str = ""
    decimal: str = ""
    filled: float = 0.0
    numeric: float = 0.0
    dated: float = 0.0
    distinct: int = 0


def guess_column(header: str, cells: pd.Series) -> Guess:
    """Guess what a column is."""
    guess = Guess(header)
    held = cells.dropna()
    guess.filled = len(held) / max(len(cells), 1)
    sample = held.iloc[:_SAMPLE]
    guess.distinct = int(sample.nunique())
    words = words_of(header)
    if sample.empty:
        guess.why = "the column is empty"
        return guess
    numbers = read_numbers(sample)
    readable = len(set(numbers.readings["position"].tolist()))
    guess.numeric = readable / len(sample)
    guess.decimal = numbers.decimal
    dates = read_dates(sample)
    open_ = dates.order == UNDECIDED
    slashes = float((~dates.unreadable).mean()) if not open_ else 1.0
    guess.dated = slashes if set(dates.kinds) - {"serial number"} else 0.0
    if guess.dated > 0.7 and guess.numeric < 0.3:
        return _as_date(guess, words, dates.order)
    for role, phrases in ROLES.items():
        if any(has(words, phrase) for phrase in phrases) and _fits(role, guess):
            guess.part = "clients" if role in _CLIENT_COLUMNS else "columns"
            guess.role, guess.why = role, "its name"
            if role in ("week", "month", "day", "visit") and len(words) > 1:
                return _as_reading(guess, words, numbers.readings, sample) or guess
            return guess
    for role, phrases in (("measure", LONG_MEASURE), ("value", LONG_VALUE)):
        right = guess.numeric > 0.5 if role == "value" else guess.numeric < 0.2
        if right and any(has(words, phrase) for phrase in phrases):
            guess.part, guess.role, guess.why = "long", role, "its name and cells"
            return guess
    for role in ("side", "moment", "mode"):
        short = {str(cell).casefold() for cell in sample.unique()[:8]}
        if role in words or (len(short) > 1 and short <= set(FIXED[role])):
            guess.part, guess.role, guess.why = "columns", role, "its name or its words"
            return guess
    guess.why = "its name says nothing that is known here"
    return _as_reading(guess, words, numbers.readings, sample) or guess


def _fits(role: str, guess: Guess) -> bool:
    """Values must not contradict what the name says."""
    numeric = ("week", "month", "day", "visit", "birth_year", "onset_weeks", "episode")
    if role in numeric:
        return guess.numeric > 0.5 or (role == "visit" and guess.distinct <= 30)
    if role == "date":
        return False
    return True


def _as_date(guess: Guess, words: tuple[str, ...], order: str) -> Guess:
    if any(has(words, phrase) for phrase in ("birth", "born", "dob")):
        guess.why = "dates of birth: leave them out, the year is enough"
        return guess
    guess.part, guess.role, guess.why = "columns", "date", "its cells are dates"
    guess.date_order = order
    if order == UNDECIDED:
        guess.questions.append(
            "day or month first cannot be told from the values: set date_order under [file]"
        )
    return guess


def _as_reading(
    guess: Guess, words: tuple[str, ...], readings: pd.DataFrame, sample: pd.Series
) -> Guess | None:
    if guess.numeric < 0.5:
        return None
    given: dict[str, object] = {}
    for name, known in FIXED.items():
        said = list(dict.fromkeys(known[word] for word in words if word in known))
        if name == "side" and len(said) == 2:
            given["pairs"] = "/".join(said)
        elif len(said) == 1 and not (name == "unit" and said[0] == "s" and len(words) < 2):
            given[name] = said[0]
    week = weeks_in(guess.header)
    match = match_measure(words)
    many = readings["many"] > 1
    open_pairs = bool((many & readings["side"].isna()).mean() > 0.05)
    if match is None:
        guess.part, guess.role, guess.given = "", "", given
        guess.why = "numbers, but its name points to no measure of the catalogue"
        if week is not None:
            given["week"] = week
        return guess
    code, unsure = match
    measure = catalogue.get(code)
    guess.part, guess.role, guess.why = "readings", code, "its name"
    if not measure.sided:
        given.pop("side", None)
        given.pop("pairs", None)
    if unsure:
        guess.questions.append(f"is it {measure.name.lower()}? another measure fits as well")
    sides = bool(readings["side"].notna().any())
    if measure.sided and not ({"side", "pairs"} & set(given)) and not sides:
        guess.questions.append("side: not in the name; add side, or a column of sides")
    if open_pairs and "pairs" not in given:
        guess.questions.append('cells hold several readings: set pairs = "left/right" or "trials"')
    if not open_pairs:
        given.pop("pairs", None)
    if week is not None and not ("moment" in given and week == 0.0):
        given["week"] = week
    values = pd.Series(readings["value"].to_numpy())
    odd = suspect_zero(values, measure)
    if odd:
        guess.questions.append(odd)
    outside = ((values < measure.hard_min) | (values > measure.hard_max)).mean()
    if outside > 0.2 and "unit" not in given:
        guess.questions.append(
            f"{outside:.0%} of the values lie outside {measure.hard_min:g} to "
            f"{measure.hard_max:g} {measure.unit}: is the unit another one?"
        )
    guess.given = given
    return guess
