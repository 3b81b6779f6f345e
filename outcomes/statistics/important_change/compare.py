"""Every threshold for a measure side by side, and how many clients reach each."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_between, check_columns, rows_must
from outcomes.measures.matching import all_thresholds
from outcomes.results import Estimate

__all__ = ["compare_thresholds"]

#: Kinds of the catalogue that a change is held against, in words.
_KINDS = {
    "minimal_important_change": "minimal important change",
    "minimal_important_worsening": "minimal important worsening",
    "minimal_detectable_change": "minimal detectable change",
}

_COLUMNS = ["quantity", "origin", "value", "unit", "population", "instrument", "mode", "source"]


def compare_thresholds(
    changes: pd.DataFrame,
    *,
    measure: str,
    own: Iterable[Estimate | pd.DataFrame] = (),
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Put every published and own threshold side by side with the share of clients that reach it.

    Use it to see how much a headline share hangs on the threshold chosen. Do not pick the
    threshold by the share it gives.

    Parameters
    ----------
    changes : DataFrame
        improvement, one row per client, of one measure; rows without a value are left out.
    measure : str
        Code in the catalogue; its published thresholds are listed.
    own : sequence of Estimate or DataFrame
        The clinic's own: results of `predictive_threshold`, `mean_change_threshold`,
        `MeasurementError.detectable_change`, `cut_points`, `distribution_thresholds`. Their
        quantity must be a size of change.
    confidence : float, default 0.95
        Of the intervals, and level to which detectable changes are brought.

    Returns
    -------
    DataFrame
        Smallest first: measure, quantity, origin (published, own), value, unit, population,
        instrument, mode, source, status, count (clients whose improvement reaches the value; for
        worsening, whose decline does), n, share, ci_low, ci_high (Wilson), ci_level,
        count_worse, share_worse (decline of the same size), default.

    Raises
    ------
    ArgumentError
        Unknown measure.
    DataError
        No improvements; no threshold at all; an own threshold that is no size of change.

    Notes
    -----
    Reached: improvement >= value. The interval is that of the share at this threshold; it does
    not hold the threshold's own uncertainty.

    References
    ----------
    Newcombe 1998, Stat Med 17:857 (Wilson interval).

    Examples
    --------
    >>> changes = pd.DataFrame({"improvement": [2, 5, 8, 12, 18, 25.0]})
    >>> table = compare_thresholds(changes, measure="ndi")
    >>> bool((table["share"].diff().dropna() <= 0).all())
    True

    Checked against: counts by hand (tests/statistics/important_change).
    """
    from outcomes.statistics.effect_size.shares import share_interval

    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    check_columns(changes, ["improvement"], thing="changes")
    improvement = np.asarray(pd.to_numeric(changes["improvement"], errors="coerce"), dtype=float)
    improvement = improvement[np.isfinite(improvement)]
    if not len(improvement):
        raise DataError("changes must hold improvements; none do. Measure clients again.")
    table = pd.concat([_published(measure, level), *(_own(one) for one in own)], ignore_index=True)
    if not len(table):
        raise DataError(
            "no threshold is known for this measure, published or own. Give one as own."
        )
    value = np.asarray(table["value"], dtype=float)
    bad = ~(np.isfinite(value) & (value > 0))
    if bad.any():
        raise rows_must("thresholds", "be sizes of change above zero", bad, "Leave those out")
    worsening = np.asarray(table["quantity"].str.contains("worsening"))
    up = (improvement[:, None] >= value).sum(axis=0)
    down = (-improvement[:, None] >= value).sum(axis=0)
    count, n = np.where(worsening, down, up), len(improvement)
    low, high = share_interval(count, np.full(len(count), n), confidence=level)
    table = table.assign(
        count=count,
        n=n,
        share=count / n,
        ci_low=low,
        ci_high=high,
        ci_level=level,
        count_worse=down,
        share_worse=down / n,
    )
    table.insert(0, "measure", measure)
    return table.sort_values(["value", "quantity"], ignore_index=True, kind="stable")


def _published(measure: str, level: float) -> pd.DataFrame:
    """List published thresholds of the kinds that a change is held against."""
    parts = []
    for kind, words in _KINDS.items():
        found: Any = all_thresholds(measure, kind, confidence=level)
        found = found.assign(quantity=words, origin="published")
        parts.append(found[[*_COLUMNS, "status", "default"]])
    parts = [part for part in parts if len(part)]
    empty = pd.DataFrame(columns=[*_COLUMNS, "status", "default"])
    return pd.concat(parts, ignore_index=True) if parts else empty


def _own(one: Estimate | pd.DataFrame) -> pd.DataFrame:
    """Put the clinic's own thresholds into the same columns."""
    if isinstance(one, Estimate):
        named = [(one.measure, one.estimate, one.unit, one.method)]
    else:
        check_columns(one, ["quantity", "estimate", "method"], thing="own thresholds")
        unit = one["unit"] if "unit" in one else [""] * len(one)
        named = list(zip(one["quantity"], one["estimate"], unit, one["method"], strict=True))
    return pd.DataFrame(
        [
            {
                "quantity": quantity,
                "origin": "own",
                "value": float(value),
                "unit": unit,
                "population": "this clinic",
                "instrument": "",
                "mode": "",
                "source": method,
                "status": "own study",
                "default": False,
            }
            for quantity, value, unit, method in named
        ]
    )
