"""Hard checks: what makes a row useless whatever else it says.

Unknown measures and units, values outside a measure's hard range, and duplicates are set aside.
What is only suspicious is asked about by the cleaning rules, not here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.known import OwnMeasure, known_measures, unit_factor
from outcomes.records.ledger import LedgerBook, shown
from outcomes.records.schema import TABLES

__all__ = ["check_measurements", "row_codes", "set_aside_clashes", "set_aside_repeats"]


def check_measurements(
    frame: pd.DataFrame, *, book: LedgerBook, own: Mapping[str, OwnMeasure]
) -> pd.DataFrame:
    """Check measures, sides, units and hard ranges; bring values to the measure's own unit."""
    known = known_measures(own)
    codes, names = pd.factorize(frame["measure"])
    place = known.index.get_indexer(pd.Index(names, dtype="str"))[codes]
    column = frame["source_column"] if "source_column" in frame else "measure"
    frame = book.set_aside(
        "measurements",
        frame,
        place < 0,
        rule="unknown measure",
        column=column,
        old=shown(frame["measure"]),
        reason="the catalogue has no measure of this code; correct it, or declare it in the "
        "mapping under [measures]",
    )
    place = place[place >= 0]
    unsided = ~known["sided"].to_numpy()[place]
    given = frame["side"].isin(["left", "right"]).to_numpy()
    book.note(
        "measurements",
        frame,
        unsided & given,
        rule="side of an unsided measure",
        column="side",
        old=frame["side"],
        new="midline",
        reason="the measure has no sides",
    )
    frame = frame.assign(side=frame["side"].where(~unsided, "midline"))
    frame, place = _own_units(frame, place, known, book=book, own=own)
    return _hard_range(frame, place, known, book=book)


def _own_units(
    frame: pd.DataFrame,
    place: np.ndarray,
    known: pd.DataFrame,
    *,
    book: LedgerBook,
    own: Mapping[str, OwnMeasure],
) -> tuple[pd.DataFrame, np.ndarray]:
    """Convert by the unit written in the cell, else by the unit column; the rest is refused."""
    written = frame["unit"]
    if "written_unit" in frame:
        written = frame["written_unit"].where(frame["written_unit"].notna(), written)
    unit_codes, unit_names = pd.factorize(written)
    pair = (unit_codes + 1) * len(known) + place
    pairs, where = np.unique(pair, return_inverse=True)
    factors = np.empty(len(pairs))
    for i, code in enumerate(pairs):
        unit, measure = divmod(int(code), len(known))
        name = str(known.index[measure])
        factor = 1.0 if unit == 0 else unit_factor(name, str(unit_names[unit - 1]), own)
        factors[i] = np.nan if factor is None else factor
    factor = factors[where] if len(frame) else np.ones(0)
    changed = (factor != 1.0) & ~np.isnan(factor)
    value = frame["value"].to_numpy() * factor
    book.note(
        "measurements",
        frame,
        changed,
        rule="unit converted",
        column="value",
        old=frame["value"].astype("str") + " " + written.astype("str"),
        new=pd.Series(value, index=frame.index).astype("str"),
        reason="brought to the measure's own unit",
    )
    units = known["unit"].to_numpy(dtype=object)[place]
    bad = np.isnan(factor)
    frame = frame.assign(value=value, unit=pd.Series(units, index=frame.index, dtype="str"))
    frame = book.set_aside(
        "measurements",
        frame,
        bad,
        rule="unit does not fit",
        column="unit",
        old=shown(written),
        reason="the unit cannot be brought to the measure's own: "
        + pd.Series(units, index=written.index, dtype="str"),
    )
    return frame, place[~bad]


def _hard_range(
    frame: pd.DataFrame, place: np.ndarray, known: pd.DataFrame, *, book: LedgerBook
) -> pd.DataFrame:
    value = frame["value"].to_numpy()
    low = known["hard_min"].to_numpy()[place]
    high = known["hard_max"].to_numpy()[place]
    slack = 1e-9 * np.maximum(1.0, np.abs(high))
    outside = ~((value >= low - slack) & (value <= high + slack))
    if not outside.any():
        return frame
    texts = pd.Series("", index=frame.index, dtype=object)
    for i in np.flatnonzero(outside):
        unit = frame["unit"].iloc[i]
        texts.iloc[i] = f"a value must lie between {low[i]:g} and {high[i]:g} {unit}"
    return book.set_aside(
        "measurements",
        frame,
        outside,
        rule="outside the hard range",
        column=frame["source_column"] if "source_column" in frame else "value",
        old=frame["value"].astype("str"),
        reason=texts,
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
    copy[shared] = pd.Series(row_codes(frame[shared], table.names)).duplicated().to_numpy()
    more: dict[str, Any] = {}
    if name == "measurements":
        more = {"column": "value", "old": frame["value"].astype("str")}
    clash = f"an earlier row has the same {', '.join(table.key)} and other content, and is used"
    return book.set_aside(
        name,
        frame,
        again,
        rule=np.where(copy, "duplicate row", "second row for one key"),
        reason=np.where(copy, "an earlier row says the same", clash),
        **more,
    )
