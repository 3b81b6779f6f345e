"""From a clinic's own layout to drafts of our tables, by a mapping.

A draft is a table still in text. Dates are read here already, because a visit number or a week
becomes a date where the file has none.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import DataError, Faults
from outcomes.records.cells.dates import UNDECIDED, read_dates
from outcomes.records.cells.numbers import read_numbers
from outcomes.records.ledger import LedgerBook, shown
from outcomes.records.mapping.model import Mapping, Reading
from outcomes.records.sources.raw import RawTable
from outcomes.records.typed import ask_about_swapped_dates

__all__ = ["own_zero", "shape"]

#: What may say when a row was taken, in days; a month is 365.25 / 12 days.
_STEPS = {"week": 7.0, "day": 1.0, "month": 365.25 / 12}
_OF_VISIT = ("practitioner", "phase", "end_reason", "attended")
_OF_READING = ("side", "moment", "mode", "instrument", "rater", "trial", "unit", "pairs")


def shape(
    raws: list[RawTable], mapping: Mapping, *, book: LedgerBook, faults: Faults
) -> dict[str, pd.DataFrame]:
    """Give drafts of measurements, visits and clients from the raw tables.

    Every filled cell of a column of readings becomes one row of measurements; rows in are counted
    after this step. Faults (absent or doubled columns, undecidable dates) are added to `faults`.
    """
    parts: dict[str, list[pd.DataFrame]] = {"measurements": [], "visits": [], "clients": []}
    _find_readings(raws, mapping, faults)
    if not raws:
        faults.add(
            DataError("the source must hold the columns of [readings] or [long]; it holds none.")
        )
        return {}
    for raw in raws:
        sheet = _Sheet(raw, mapping, book, faults)
        who = sheet.who_and_when()
        if who is None:
            continue
        for reading in mapping.readings:
            if reading.sheet in (None, raw.name) and raw.find(reading.column):
                draft = sheet.wide(who, reading)
                if draft is not None:
                    parts["measurements"].append(draft)
        if mapping.long:
            parts["measurements"].append(sheet.long(who))
        elif (lost := sheet.rows_without_anything(who)) is not None:
            parts["measurements"].append(lost)
        parts["visits"].append(sheet.visits(who))
        parts["clients"].append(sheet.clients(who))
    if any(raw.find(mapping.columns.get("client", "")) for raw in raws):
        _remark_on_dates(raws, mapping, book)
    return {name: pd.concat(drafts, ignore_index=True) for name, drafts in parts.items() if drafts}


def _find_readings(raws: list[RawTable], mapping: Mapping, faults: Faults) -> None:
    for reading in mapping.readings:
        among = [raw for raw in raws if reading.sheet in (None, raw.name)]
        if not any(raw.find(reading.column) for raw in among):
            where = f" of sheet {reading.sheet}" if reading.sheet else ""
            faults.add(
                DataError(
                    f"{raws[0].file}: column {reading.column!r}{where}, which the mapping names, "
                    "must be in the file, and is not. Correct the mapping."
                )
            )


def _remark_on_dates(raws: list[RawTable], mapping: Mapping, book: LedgerBook) -> None:
    if "date" in mapping.columns:
        return
    reason = (
        f"the file has no dates; visits are counted from {mapping.start_date.isoformat()} for "
        "every client, so calendar quarters mean nothing"
    )
    book.remark("visits", raws[0].file, rule="nominal dates", reason=reason)


class _Sheet:
    """One raw table under a mapping."""

    def __init__(self, raw: RawTable, mapping: Mapping, book: LedgerBook, faults: Faults) -> None:
        self.raw = raw
        self.mapping = mapping
        self.book = book
        self.faults = faults

    def cell(self, header: str) -> pd.Series | None:
        """Give the column with this header; an absent or doubled one is a fault."""
        found = self.raw.find(header)
        if len(found) == 1:
            return self.raw.cells[found[0]]
        what = "must be in the file, and is not" if not found else "must stand there once only"
        self.faults.add(
            DataError(
                f"{self.raw.file}: column {header!r} {what}. Correct the mapping or the file."
            )
        )
        return None

    def who_and_when(self) -> pd.DataFrame | None:
        """Give client, episode, visit, date of each row, and what else describes the row."""
        columns = {name: self.cell(header) for name, header in self.mapping.columns.items()}
        if any(column is None for column in columns.values()):
            return None
        frame = pd.DataFrame(
            {"source_file": self.raw.file, "source_row": pd.array(self.raw.rows, dtype="Int64")},
            index=self.raw.cells.index,
        ).astype({"source_file": "str"})
        for name, column in columns.items():
            if column is not None and name not in (*_STEPS, "date", "visit"):
                frame[name] = column
        frame["date"] = pd.Series(None, index=frame.index, dtype="datetime64[us]")
        frame["visit"] = pd.Series(None, index=frame.index, dtype="Int64")
        frame["days"] = np.nan
        if (text := columns.get("date")) is not None:
            self.read_date(frame, text)
        if (text := columns.get("visit")) is not None:
            self.read_visit(frame, text)
        for name, days in _STEPS.items():
            if (text := columns.get(name)) is not None:
                frame["days"] = self.read_number(text) * days
        return frame

    def read_date(self, frame: pd.DataFrame, text: pd.Series) -> None:
        """Read the date column; what is no date is kept in `date_text` for the ledger."""
        dates = read_dates(text, order=self.mapping.file.date_order)
        if dates.order == UNDECIDED:
            header = self.mapping.columns["date"]
            self.faults.add(
                DataError(
                    f"{self.raw.file}: date column {header!r} must show whether the day or the "
                    'month comes first, and no value settles it. Set date_order = "day-first" '
                    'or "month-first" under [file] in the mapping.'
                )
            )
            return
        if dates.swapped:
            header = self.mapping.columns["date"]
            ask_about_swapped_dates("visits", self.raw.file, header, self.book)
        frame["date"] = dates.values
        frame["date_text"] = shown(text, figures=True).where(dates.unreadable, None)

    def read_visit(self, frame: pd.DataFrame, text: pd.Series) -> None:
        """Read the visit column: whole numbers, or words that the mapping numbers."""
        words = self.mapping.visit_numbers
        if words:
            text = text.map(lambda word: words.get(word.casefold(), word), na_action="ignore")
            text = text.astype("str")
        numbers = self.read_number(text)
        wrong = (numbers != np.floor(numbers)) | (numbers < 0) | (numbers > 1e6)
        self.book.note(
            "visits",
            frame,
            wrong & text.notna().to_numpy(),
            rule="unreadable visit",
            column=self.mapping.columns["visit"],
            old=lambda rows: shown(text.loc[rows.index], figures=True),
            new="",
            reason="no whole number; the row goes by its date, if it has one",
        )
        frame["visit"] = pd.array(np.where(wrong, np.nan, numbers), dtype="Float64").astype("Int64")

    def read_number(self, text: pd.Series) -> np.ndarray:
        """Read a column of plain numbers; what is none is missing."""
        column = read_numbers(text, decimal=self.mapping.file.decimal)
        single = column.readings.loc[column.readings["many"] == 1]
        values = np.full(len(text), np.nan)
        values[single["position"].to_numpy(dtype=np.int64)] = single["value"].to_numpy()
        values[np.abs(values) > 1e6] = np.nan
        return values

    def wide(self, who: pd.DataFrame, reading: Reading) -> pd.DataFrame | None:
        """Give one draft row per filled cell of a column of readings."""
        text = self.cell(reading.column)
        if text is None:
            return None
        filled = text.notna().to_numpy()
        draft = who.loc[filled].copy()
        value = text.loc[filled]
        if reading.values:
            value = value.map(
                lambda word: _number_text(reading.values.get(word.casefold()), word)
            ).astype("str")
        draft["value"] = value
        draft["measure"] = reading.measure
        draft["source_column"] = reading.column
        for name in _OF_READING:
            given = getattr(reading, name)
            if given is not None:
                draft[name] = pd.Series(str(given), index=draft.index, dtype="str")
        if reading.visit is not None:
            draft["visit"] = pd.array([reading.visit] * len(draft), dtype="Int64")
        if reading.week is not None:
            draft["days"] = draft["days"].fillna(0.0) + 7.0 * reading.week
        draft["reading"] = self.mapping.readings.index(reading)
        return self.timed(draft, own_time=reading.week is not None)

    def rows_without_anything(self, who: pd.DataFrame) -> pd.DataFrame | None:
        """Give the rows without a reading whose visit cannot be told either.

        They become rows of measurements without a value, so that the ledger accounts for them.
        """
        if not {"date", "visit", "week", "day", "month"} & set(self.mapping.columns):
            return None
        empty = np.ones(len(who), dtype=bool)
        for reading in self.mapping.readings:
            for place in self.raw.find(reading.column):
                empty &= self.raw.cells[place].isna().to_numpy()
        dated = self.timed(who)["date"].notna() & who["client"].notna()
        lost = empty & ~dated.to_numpy()
        if not lost.any():
            return None
        return who.loc[lost].assign(lost=True)

    def long(self, who: pd.DataFrame) -> pd.DataFrame:
        """Give one draft row per row of a file that has one reading per row."""
        draft = who.copy()
        for name, header in self.mapping.long.items():
            text = self.cell(header)
            if text is not None:
                draft[name] = text
        if self.mapping.long_measures and "measure" in draft:
            words = self.mapping.long_measures
            draft["measure"] = draft["measure"].map(
                lambda word: words.get(word.casefold(), word), na_action="ignore"
            )
            draft["measure"] = draft["measure"].astype("str")
        draft["source_column"] = self.mapping.long.get("value", "")
        return self.timed(draft)

    def timed(self, draft: pd.DataFrame, *, own_time: bool = False) -> pd.DataFrame:
        """Turn weeks, days, months or visit numbers into dates where there are none."""
        days = draft["days"].to_numpy(dtype=float)
        dated = draft["date"].notna().to_numpy()
        if "date" in self.mapping.columns:
            if own_time:
                shift = pd.to_timedelta(np.round(np.nan_to_num(days)), unit="D")
                draft["date"] = draft["date"] + shift
            return draft
        visit = draft["visit"].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        by_visit = (visit - 1) * 7.0 * self.mapping.weeks_between
        days = np.where(np.isnan(days), by_visit, days)
        start = np.datetime64(self.mapping.start_date, "us")
        known = ~np.isnan(days) & ~dated & (np.abs(np.nan_to_num(days)) < 36500)
        dates = np.full(len(draft), np.datetime64("NaT", "us"))
        dates[known] = start + np.round(days[known]).astype("timedelta64[D]").astype(
            "timedelta64[us]"
        )
        draft["date"] = dates
        return draft

    def visits(self, who: pd.DataFrame) -> pd.DataFrame:
        """Give what the rows say about their visits (practitioner, phase, ...)."""
        kept = [name for name in _OF_VISIT if name in who]
        episode = ["episode"] if "episode" in who else []
        kept = ["client", *episode, "visit", "date", *kept, "source_file", "source_row"]
        return self.timed(who.copy()).loc[:, kept]

    def clients(self, who: pd.DataFrame) -> pd.DataFrame:
        """Give what the rows say about the client."""
        frame = who.loc[:, ["client", "source_file", "source_row"]].copy()
        for name, header in self.mapping.clients.items():
            text = self.cell(header)
            if text is not None:
                frame[name] = text
        return frame


def _number_text(number: float | None, word: str) -> str:
    """Write the number of a word so that it reads one way (never with three decimals)."""
    return word if number is None else f"{number:.4f}"


def own_zero(frame: pd.DataFrame, mapping: Mapping, *, book: LedgerBook) -> pd.DataFrame:
    """Apply zero conventions and factors that the mapping declares to the typed values."""
    if "reading" not in frame or bool(frame["reading"].isna().all()):
        return frame
    place = frame["reading"].to_numpy(dtype=float)
    value = frame["value"].to_numpy(dtype=float).copy()
    changed = np.zeros(len(frame), dtype=bool)
    for i, reading in enumerate(mapping.readings):
        rows = place == i
        if reading.multiply is not None:
            value[rows] *= reading.multiply
            changed |= rows & (reading.multiply != 1)
        if reading.zero_at is not None:
            value[rows] = reading.zero_at - value[rows]
            changed |= rows
    frame = frame.assign(old_value=frame["value"], value=value)
    book.note(
        "measurements",
        frame,
        changed,
        rule="zero or factor of the mapping",
        column=lambda rows: rows["source_column"],
        old=lambda rows: rows["old_value"].astype("str"),
        new=lambda rows: rows["value"].astype("str"),
        reason="the mapping declares zero_at or multiply for this column",
    )
    return frame.drop(columns="old_value")
