"""Hard checks: what makes a row useless whatever else it says.

Unknown measures and units, values outside a measure's hard range, and duplicates are set aside.
What is only suspicious is asked about by the cleaning rules; only columns that look counted from
another zero are asked about here, before their values are compared with anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.measures import catalogue
from outcomes.records.cells.zero import suspect_zero
from outcomes.records.known import OwnMeasure, known_measures, unit_factor
from outcomes.records.ledger import LedgerBook, shown, written_in
from outcomes.records.schema import TABLES

__all__ = [
    "ask_about_zero",
    "check_measurements",
    "row_codes",
    "set_aside_clashes",
    "set_aside_repeats",
]


def check_measurements(
    frame: pd.DataFrame, *, book: LedgerBook, own: Mapping[str, OwnMeasure]
) -> pd.DataFrame:
    """Check measures, sides, units and hard ranges; bring values to the measure's own unit."""
    known = known_measures(own)
    codes, names = pd.factorize(frame["measure"])
    place = known.index.get_indexer(pd.Index(names, dtype="str"))[codes]
    frame = book.set_aside(
        "measurements",
        frame.assign(place=place),
        place < 0,
        rule="unknown measure",
        column=written_in("measure"),
        old=lambda rows: shown(rows["measure"]),
        reason="the catalogue has no measure of this code; correct it, or declare it in the "
        "mapping under [measures]",
    )
    frame = _side_of_unsided(frame, known, book=book)
    frame = _own_units(frame, known, book=book, own=own)
    return _hard_range(frame, known, book=book).drop(columns="place")


def _side_of_unsided(frame: pd.DataFrame, known: pd.DataFrame, *, book: LedgerBook) -> pd.DataFrame:
    """Give unsided measures the side midline; a written left or right is a change."""
    unsided = ~known["sided"].to_numpy()[frame["place"].to_numpy()]
    book.note(
        "measurements",
        frame,
        unsided & frame["side"].isin(["left", "right"]).to_numpy(),
        rule="side of an unsided measure",
        column="side",
        old=lambda rows: rows["side"],
        new="midline",
        reason="the measure has no sides",
    )
    return frame.assign(side=frame["side"].where(~unsided, "midline"))


def _own_units(
    frame: pd.DataFrame,
    known: pd.DataFrame,
    *,
    book: LedgerBook,
    own: Mapping[str, OwnMeasure],
) -> pd.DataFrame:
    """Convert by the unit written in the cell, else by the unit column; the rest is refused."""
    place = frame["place"].to_numpy()
    written = frame["unit"]
    if "written_unit" in frame and bool(frame["written_unit"].notna().any()):
        written = frame["written_unit"].where(frame["written_unit"].notna(), written)
    unit_codes, unit_names = pd.factorize(written)
    where, pairs = pd.factorize((unit_codes + 1) * len(known) + place)
    factors = np.ones(len(pairs))
    for i, code in enumerate(pairs):
        unit, measure = divmod(int(code), len(known))
        if unit > 0:
            found = unit_factor(str(known.index[measure]), str(unit_names[unit - 1]), own)
            factors[i] = np.nan if found is None else found
    factor = factors[where]
    frame = frame.assign(
        unit=pd.array(known["unit"].tolist(), dtype="str").take(place),
        written_unit=written,
        old_value=frame["value"],
        value=frame["value"].to_numpy() * factor,
    )
    book.note(
        "measurements",
        frame,
        (factor != 1.0) & ~np.isnan(factor),
        rule="unit converted",
        column=written_in("value"),
        old=lambda rows: rows["old_value"].astype("str") + " " + rows["written_unit"],
        new=lambda rows: rows["value"].astype("str"),
        reason="brought to the measure's own unit",
    )
    frame = book.set_aside(
        "measurements",
        frame,
        np.isnan(factor),
        rule="unit does not fit",
        column=written_in("unit"),
        old=lambda rows: shown(rows["written_unit"]),
        reason=lambda rows: "the unit cannot be brought to the measure's own, " + rows["unit"],
    )
    return frame.drop(columns=["written_unit", "old_value"])


def _hard_range(frame: pd.DataFrame, known: pd.DataFrame, *, book: LedgerBook) -> pd.DataFrame:
    value, place = frame["value"].to_numpy(), frame["place"].to_numpy()
    low, high = known["hard_min"].to_numpy(), known["hard_max"].to_numpy()
    slack = 1e-9 * np.maximum(1.0, np.abs(high))
    inside = (value >= (low - slack)[place]) & (value <= (high + slack)[place])
    rules = [
        f"a value must lie between {least:g} and {most:g} {unit}"
        for least, most, unit in zip(low, high, known["unit"], strict=True)
    ]
    return book.set_aside(
        "measurements",
        frame,
        ~inside,
        rule="outside the hard range",
        column=written_in("value"),
        old=lambda rows: rows["value"].astype("str"),
        reason=lambda rows: pd.array(rules, dtype="str").take(rows["place"].to_numpy()),
    )


def ask_about_zero(frame: pd.DataFrame, *, book: LedgerBook) -> None:
    """Ask about readings that look counted from the other end, or on another scale."""
    codes, names = pd.factorize(frame["measure"])
    files, file_names = pd.factorize(frame["source_file"])
    for i, name in enumerate(names):
        measure = catalogue.measures().get(str(name))
        if measure is None:
            continue
        for j in np.unique(files[codes == i]):
            odd = suspect_zero(frame.loc[(codes == i) & (files == j), "value"], measure)
            if odd:
                book.remark(
                    "measurements",
                    str(file_names[j]),
                    rule="zero or scale suspected",
                    column="value",
                    reason=f"{measure.name}: {odd} in the mapping",
                )


def row_codes(frame: pd.DataFrame, columns: list[str]) -> np.ndarray:
    """Give one whole number per row, equal where all the columns are equal (missing included)."""
    key = np.zeros(len(frame), dtype=np.int64)
    size = 1
    for name in columns:
        codes, uniques = pd.factorize(frame[name], use_na_sentinel=False)
        codes = codes.astype(np.int64)
        if size * max(len(uniques), 1) >= 2**62:
            key, seen = pd.factorize(key)
            key, size = key.astype(np.int64), len(seen)
        key = key * max(len(uniques), 1) + codes
        size *= max(len(uniques), 1)
    return key


def set_aside_repeats(frame: pd.DataFrame, name: str, *, book: LedgerBook) -> pd.DataFrame:
    """Set aside rows that say the same as an earlier one in every column."""
    again = pd.Series(row_codes(frame, TABLES[name].names)).duplicated().to_numpy()
    reason = "an earlier row says the same"
    return book.set_aside(name, frame, again, rule="duplicate row", reason=reason)


def set_aside_clashes(frame: pd.DataFrame, name: str, *, book: LedgerBook) -> pd.DataFrame:
    """Set aside rows that have the key of an earlier row: its copy, or other content."""
    table = TABLES[name]
    key = pd.Series(row_codes(frame, list(table.key)))
    shared = key.duplicated(keep=False).to_numpy()
    if not shared.any():
        return frame
    again = key.duplicated().to_numpy()
    copy = np.zeros(len(frame), dtype=bool)
    copy[shared] = pd.Series(row_codes(frame.loc[shared], table.names)).duplicated().to_numpy()
    more: dict[str, Any] = {}
    if name == "measurements":
        more = {
            "column": written_in("value"),
            "old": lambda rows: rows["value"].astype("str"),
        }
    clash = f"an earlier row has the same {', '.join(table.key)} and other content, and is used"
    return book.set_aside(
        name,
        frame,
        again,
        rule=np.where(copy, "duplicate row", "second row for one key"),
        reason=np.where(copy, "an earlier row says the same", clash),
        **more,
    )
