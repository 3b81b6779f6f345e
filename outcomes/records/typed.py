"""From text to typed columns: what cannot be read goes to the ledger, row by row.

A cell of a required column that cannot be read sets its row aside. In any other column the cell
alone is lost: it becomes missing, and the ledger says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, Faults
from outcomes.records.caseload import DTYPES
from outcomes.records.cells.dates import UNDECIDED, read_dates
from outcomes.records.cells.numbers import BLANK_WORDS, read_numbers
from outcomes.records.cells.words import read_truths, read_words, spread
from outcomes.records.ledger import LedgerBook, shown, written_in
from outcomes.records.schema import TABLES, Column

__all__ = ["type_table"]

#: Columns of a draft (a table still in text) beside those of the schema.
_EXTRA = ("source_file", "source_row", "source_column")

#: Text columns that may hold what a client said or did: never shown in the ledger.
_PRIVATE = frozenset({"birth_year", "complaint", "event", "action", "end_reason", "sex"})


def type_table(
    draft: pd.DataFrame,
    name: str,
    *,
    book: LedgerBook,
    faults: Faults,
    settings: Mapping[str, Mapping[str, Any]],
    missing: tuple[str, ...] = (),
) -> pd.DataFrame:
    """Give a draft its types.

    Parameters
    ----------
    draft : DataFrame of text
        Columns of the table (any may be absent) with source_file, source_row, source_column.
    name : str
        Name of the table.
    settings : dict
        By column: ``date_order``, ``decimal``.
    missing : tuple of str
        Words of this source for "no value".

    Returns
    -------
    DataFrame
        All columns of the table, typed; `value` of measurements has become one row per reading.
    """
    table = TABLES[name]
    frame = _without_blanks(draft, table.names, missing)
    if name == "measurements":
        frame = _read_values(frame, book=book, settings=settings.get("value", {}), missing=missing)
    for column in table.columns:
        if column.name not in frame:
            frame[column.name] = pd.Series(None, index=frame.index, dtype=DTYPES[column.kind])
        elif _needs_reading(frame.loc[:, column.name], column, name):
            frame = _type_column(
                frame, column, name, book=book, faults=faults, settings=settings, missing=missing
            )
    kept = [*table.names, *(extra for extra in _EXTRA if extra in frame)]
    kept += [extra for extra in ("written_unit", "reading") if extra in frame]
    return frame.loc[:, kept]


def _needs_reading(cells: pd.Series, column: Column, table: str) -> bool:
    """Tell columns in text from those that a mapping has typed, and from the values."""
    done = column.kind in ("date", "whole") and cells.dtype == DTYPES[column.kind]
    return not done and not (table == "measurements" and column.name == "value")


def _without_blanks(
    draft: pd.DataFrame, names: list[str], missing: tuple[str, ...]
) -> pd.DataFrame:
    """Turn the words for "no value" into missing (numbers are treated by their own reader)."""
    frame = draft.copy(deep=False)
    words = {word.casefold() for word in missing}
    for name in names:
        if name not in frame or name == "value" or frame[name].dtype != "str":
            continue
        codes, uniques = pd.factorize(frame[name])
        texts = [str(text).casefold() for text in uniques]
        blank = np.array(
            [text in BLANK_WORDS - {"none", "unknown"} or text in words for text in texts] + [True]
        )
        if blank[:-1].any():
            frame[name] = frame[name].where(~blank[codes], None)
    return frame


def _type_column(
    frame: pd.DataFrame,
    column: Column,
    table: str,
    *,
    book: LedgerBook,
    faults: Faults,
    settings: Mapping[str, Mapping[str, Any]],
    missing: tuple[str, ...],
) -> pd.DataFrame:
    text = frame.loc[:, column.name]
    wanted = settings.get(column.name, {})
    reason = "cannot be read"
    if column.kind == "date":
        dates = read_dates(text, order=wanted.get("date_order"))
        if dates.order == UNDECIDED:
            faults.add(_undecided(frame, column.name))
        if dates.swapped:
            ask_about_swapped_dates(table, str(frame["source_file"].iloc[0]), column.name, book)
        values, bad = dates.values, dates.unreadable & (dates.order != UNDECIDED)
        reason = "no date of the years 1900 to 2100 in the form of its column"
    elif column.kind in ("whole", "number"):
        values, bad = _plain_numbers(text, column.kind, wanted.get("decimal"), missing)
        reason = "no whole number" if column.kind == "whole" else "no number"
        if column.name == "birth_year":
            wrong = ((values < 1900) | (values > 2100)).fillna(False).to_numpy(dtype=bool)
            values, bad = values.mask(wrong), bad | wrong
            reason = "no year from 1900 to 2100"
    elif column.kind == "truth":
        values, bad = read_truths(text)
        reason = "neither yes nor no"
    elif column.choices:
        values, bad = read_words(text, column=column.name, choices=column.choices)
        reason = f"none of {', '.join(column.choices)}"
    else:
        values = text.astype("str")
        if column.kind == "code":
            values = _plain_codes(values, lower=column.name in ("measure", "questionnaire"))
        bad = np.zeros(len(frame), dtype=bool)
    frame = frame.assign(**{column.name: values})
    figures = column.kind in ("date", "whole", "number")
    old: Any = lambda rows: shown(text.loc[rows.index], figures=figures)  # noqa: E731
    if column.name in _PRIVATE or (table == "clients" and column.kind == "date"):
        old = "not shown"
    needed = column.required and not (table == "answers" and column.name == "answer")
    empty = values.isna().to_numpy() & ~bad if needed else np.zeros(len(frame), dtype=bool)
    if bad.any():
        more = {"rule": f"unreadable {column.name}", "column": column.name, "old": old}
        if needed:
            kept = ~bad
            frame = book.set_aside(table, frame, bad, reason=reason, **more)
            empty = empty[kept]
        else:
            lost = f"{reason}; the cell is left out, the row is used"
            book.note(table, frame, bad, reason=lost, new="", **more)
    if empty.any():
        frame = book.set_aside(
            table,
            frame,
            empty,
            rule=f"no {column.name}",
            column=column.name,
            reason=f"the row gives no {column.name}",
        )
    return frame


def ask_about_swapped_dates(table: str, file: str, column: str, book: LedgerBook) -> None:
    """Ask about a column whose dates a spreadsheet may have converted in the wrong order."""
    book.remark(
        table,
        file,
        rule="day and month may be swapped",
        column=column,
        reason="the dates stored as dates all lie up to the 12th and the others, left as text, "
        "after it: a spreadsheet that expected the other order may have converted them",
    )


def _undecided(frame: pd.DataFrame, column: str) -> DataError:
    file = str(frame["source_file"].iloc[0])
    named = str(frame["source_column"].iloc[0]) if "source_column" in frame else column
    return DataError(
        f"{file}: date column {named!r} must show whether the day or the month comes first, and "
        'no value settles it. Set date_order = "day-first" or "month-first" under [file] in '
        "the mapping, or write the dates as 2026-04-03."
    )


def _plain_numbers(
    text: pd.Series, kind: str, decimal: str | None, missing: tuple[str, ...]
) -> tuple[pd.Series, np.ndarray]:
    """Read one plain number per cell; anything else is unreadable."""
    column = read_numbers(text, decimal=decimal, missing=missing)
    single = column.readings.loc[(column.readings["many"] == 1) & column.readings["side"].isna()]
    values = np.full(len(text), np.nan)
    values[single["position"].to_numpy(dtype=np.int64)] = single["value"].to_numpy()
    blank = np.zeros(len(text), dtype=bool)
    notes = column.notes
    blank[notes.loc[notes["rule"] == "blank value", "position"].to_numpy(dtype=np.int64)] = True
    if kind == "whole":
        wrong = (values != np.floor(values)) | (np.abs(values) > 2**31)
        values[wrong] = np.nan
    bad = np.isnan(values) & text.notna().to_numpy() & ~blank
    series = pd.Series(values, index=text.index)
    return series.astype(DTYPES[kind]), bad


def _plain_codes(text: pd.Series, *, lower: bool) -> pd.Series:
    """Collapse inner white space; measures and questionnaires in small letters with underscores."""
    codes, uniques = pd.factorize(text)
    plain = [" ".join(str(code).split()) for code in uniques]
    if lower:
        plain = [code.casefold().replace(" ", "_").replace("-", "_") for code in plain]
    return spread(plain, codes, text.index)


def _read_values(
    frame: pd.DataFrame,
    *,
    book: LedgerBook,
    settings: Mapping[str, Any],
    missing: tuple[str, ...],
) -> pd.DataFrame:
    """Read the values of measurements: one row per reading, with the side and unit of the cell."""
    frame = frame.reset_index(drop=True)
    column = read_numbers(frame.loc[:, "value"], decimal=settings.get("decimal"), missing=missing)
    notes = column.notes
    where = "source_column" in frame
    if len(notes):
        rows = frame.iloc[notes["position"].to_numpy(dtype=np.int64)]
        book.write(
            "measurements",
            rows,
            rule=pd.Series(notes["rule"].to_numpy(), index=rows.index),
            action="set aside",
            column=rows["source_column"] if where else "value",
            old=pd.Series(notes["text"].to_numpy(), index=rows.index),
            reason=pd.Series(notes["reason"].to_numpy(), index=rows.index),
        )
    blank = frame["value"].isna()
    book.set_aside(
        "measurements",
        frame,
        blank,
        rule="blank value",
        column=frame["source_column"] if where else "value",
        reason="the row gives no value",
    )
    readings = column.readings
    positions = readings["position"].to_numpy(dtype=np.int64)
    if len(positions) == len(frame) and not len(notes):
        out = frame.copy(deep=False)
    else:
        out = frame.iloc[positions].reset_index(drop=True)
    out["value"] = readings["value"].to_numpy()
    out["written_unit"] = readings["unit"].array
    many = readings["many"].to_numpy() > 1
    second = out.loc[readings["place"].to_numpy() > 1, "source_file"]
    for file, count in second.value_counts().items():
        book.gained["measurements", str(file)] += int(count)
    written = readings.loc[:, "side"]
    if many.any():
        out = _place_pairs(out, readings, book=book, pairs=settings.get("pairs"))
        written = written.loc[out.index]
    out = out.reset_index(drop=True)
    return _take_sides(out, written.reset_index(drop=True), book=book)


def _place_pairs(
    out: pd.DataFrame, readings: pd.DataFrame, *, book: LedgerBook, pairs: str | None
) -> pd.DataFrame:
    """Settle cells that hold several readings: sides if written or declared, trials if declared."""
    many = (readings["many"] > 1).to_numpy()
    open_ = many & ~readings["side"].notna().to_numpy()
    column = written_in("value")
    order = pd.Series(pairs, index=out.index, dtype="str")
    if "pairs" in out:
        order = out["pairs"].fillna(order)
    place = readings["place"].to_numpy()
    two = (readings["many"] == 2).to_numpy()
    for declared in ("left/right", "right/left"):
        mine = open_ & two & (order == declared).to_numpy()
        side = np.where(place == 1, *declared.split("/"))
        out = _put(out, "side", mine, side)
        open_ &= ~mine
    trials = open_ & (order == "trials").to_numpy()
    out = _put(out, "trial", trials, place.astype(str))
    open_ &= ~trials
    settled = many & ~open_ & (place == 1)
    if settled.any():
        cells = out.loc[settled]
        cells = cells.assign(written=column(cells))
        for key, part in cells.groupby(["source_file", "written"], sort=True):
            file, header = key if isinstance(key, tuple) else (key, "")
            reason = f"{len(part):,} cells held several readings; each became a row"
            book.remark(
                "measurements",
                str(file),
                rule="several readings in one cell",
                column=str(header),
                reason=reason,
            )
    return book.set_aside(
        "measurements",
        out,
        open_,
        rule="several readings without sides",
        column=column,
        old=lambda rows: rows["value"].astype("str"),
        reason='the cell does not say which is left; set pairs = "left/right", "right/left" or '
        '"trials" for this column in the mapping',
    )


def _put(out: pd.DataFrame, name: str, where: np.ndarray, values: np.ndarray) -> pd.DataFrame:
    """Set a text column where asked, making it if it is not there."""
    if not where.any():
        return out
    had = out[name] if name in out else pd.Series(None, index=out.index, dtype="str")
    new = pd.Series(values.astype(object), index=out.index, dtype="str")
    return out.assign(**{name: had.where(~where, new)})


def _take_sides(out: pd.DataFrame, written: pd.Series, *, book: LedgerBook) -> pd.DataFrame:
    """Take the side that stands in the cell, unless another column says otherwise."""
    if not written.notna().any():
        return out
    if "side" not in out:
        return out.assign(side=written)
    given, _ = read_words(out.loc[:, "side"], column="side", choices=("left", "right", "midline"))
    clash = (written.notna() & given.notna() & (written != given)).to_numpy()
    out = out.assign(side=out["side"].where(written.isna(), written))
    return book.set_aside(
        "measurements",
        out,
        clash,
        rule="two sides for one reading",
        column="side",
        old=lambda rows: given.loc[rows.index],
        reason="the cell names one side and the side column or the mapping the other",
    )
