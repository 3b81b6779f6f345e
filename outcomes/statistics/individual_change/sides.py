"""The two sides of the body: affected against other, and the way back to it or to the usual range.

Notation: ``a, o`` value of the affected and of the other side, turned so that higher is better;
``deficit = o - a``; ``e`` standard error of measurement of one side. A deficit has error
``sqrt(2) e`` and a change of the deficit ``2 e``, the errors of the sides being independent.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from outcomes.errors import DataError, check_between, check_columns
from outcomes.statistics.individual_change._rows import GATE_TOLERANCE, per_row, signs

__all__ = ["compare_sides"]

_KEYS = ("client", "episode", "measure", "mode", "instrument")
_VALUES = ("start_value", "latest_value")


def compare_sides(
    pairs: pd.DataFrame,
    *,
    affected_side: Any = None,
    standard_error_of_measurement: Any = None,
    reference_low: Any = None,
    better: Any = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Compare the affected side with the other one, at the start and now.

    Use for measures taken on both sides. Healthy sides differ too, and the dominant side has its
    own habits: a deficit of a few degrees is usual. Do not read the other side as a control; care
    may change it as well.

    Parameters
    ----------
    pairs : DataFrame
        One row per client, (episode,) measure and side (``"left"``, ``"right"``) with `start_value`
        and `latest_value`, like `start_and_latest` gives. Clients with one side only, or whose
        sides were taken with different instruments or modes, are left out.
    affected_side : one per row, or None
        ``"left"`` or ``"right"``; None takes the column `affected_side`. Other words leave the
        client out.
    standard_error_of_measurement : float, one per row, or None
        Of one side's recorded value; None takes the column of that name.
    reference_low : float, one per row, or None
        Worst value of the usual range: its lower end where higher is better, else its upper end.
        None takes the column of that name, if any.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level of the gates, in (0, 1).

    Returns
    -------
    DataFrame
        One row per client and measure: `affected_side`, `affected_start`, `affected_latest`,
        `other_start`, `other_latest`, `start_deficit`, `latest_deficit` (other minus affected,
        positive: affected side worse), `deficit_error`, `deficit_closed` (start minus latest),
        `deficit_closed_error`, `deficit_detectable`, `closing_detectable`, `back_to_other_side`
        (latest deficit within its error), `back_in_range` (latest value in the usual range; empty
        without one) and `other_side_changed` (the other side moved detectably itself).

    Raises
    ------
    DataError
        If a column is absent or a client has two rows for one side.

    Examples
    --------
    >>> pairs = pd.DataFrame({"client": ["a", "a"], "measure": "cervical_rotation",
    ...     "side": ["left", "right"], "start_value": [45.0, 70.0], "latest_value": [64.0, 71.0]})
    >>> row = compare_sides(pairs, affected_side=["left", "left"],
    ...                     standard_error_of_measurement=3.0).iloc[0]
    >>> print(row["start_deficit"], row["latest_deficit"], row["back_to_other_side"])
    25.0 7.0 True

    Checked against: arithmetic in the tests, and simulated false alarms.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_columns(pairs, ["client", "measure", "side", *_VALUES], thing="the table of pairs")
    sided = _with_affected(pairs, affected_side)
    sided = sided.assign(
        error=per_row("standard_error_of_measurement", standard_error_of_measurement, pairs),
        low=np.nan if reference_low is None and "reference_low" not in pairs.columns
        else _numbers(reference_low, pairs),
        sign=signs(better, pairs),
    )  # fmt: skip
    joined = _both_sides(sided)
    sign = joined["sign"].to_numpy()
    error = np.hypot(joined["error"].to_numpy(float), joined["error_other"].to_numpy(float))
    z = ndtri(1 - (1 - confidence) / 2)
    deficits = {
        moment: sign * (joined[f"{moment}_value_other"] - joined[f"{moment}_value"]).to_numpy()
        for moment in ("start", "latest")
    }
    closed = deficits["start"] - deficits["latest"]
    other_moved = np.abs((joined["latest_value_other"] - joined["start_value_other"]).to_numpy())
    latest, low = sign * joined["latest_value"].to_numpy(), sign * joined["low"].to_numpy()
    known, ranged = np.isfinite(error), np.isfinite(low)
    keys = [
        c for c in ("client", "episode", "measure", "mode", "instrument") if c in joined.columns
    ]
    return joined[keys].assign(
        affected_side=joined["side"].to_numpy(),
        affected_start=joined["start_value"],
        affected_latest=joined["latest_value"],
        other_start=joined["start_value_other"],
        other_latest=joined["latest_value_other"],
        start_deficit=deficits["start"],
        latest_deficit=deficits["latest"],
        deficit_error=error,
        deficit_closed=closed,
        deficit_closed_error=np.sqrt(2) * error,
        deficit_detectable=_truth(_reaches(np.abs(deficits["start"]), z * error), known),
        closing_detectable=_truth(_reaches(np.abs(closed), z * np.sqrt(2) * error), known),
        back_to_other_side=_truth(~_reaches(deficits["latest"], z * error), known),
        back_in_range=_truth(latest >= low, ranged),
        other_side_changed=_truth(
            _reaches(other_moved, z * np.sqrt(2) * joined["error_other"].to_numpy()), known
        ),
    )


def _with_affected(pairs: pd.DataFrame, affected_side: Any) -> pd.DataFrame:
    if affected_side is None:
        check_columns(pairs, ["affected_side"], thing="the table of pairs")
        return pairs
    return pairs.assign(affected_side=affected_side)


def _numbers(value: Any, pairs: pd.DataFrame) -> np.ndarray:
    chosen = pairs["reference_low"] if value is None else value
    return np.broadcast_to(np.asarray(chosen, float), (len(pairs),))


def _both_sides(sided: pd.DataFrame) -> pd.DataFrame:
    """Join the row of the affected side with that of the other side, like with like."""
    keys = [c for c in ("client", "episode", "measure", "mode", "instrument") if c in sided.columns]
    usable = sided.loc[
        sided["side"].isin(["left", "right"]) & sided["affected_side"].isin(["left", "right"])
    ]
    if usable.duplicated([*keys, "side"]).any():
        raise DataError(
            "a client must have one row per measure and side. Choose the pairs first, with "
            "start_and_latest."
        )
    mine = usable.loc[usable["side"] == usable["affected_side"]]
    other = usable.loc[usable["side"] != usable["affected_side"], [*keys, *_VALUES, "error"]]
    return mine.merge(other, on=keys, suffixes=("", "_other"))


def _reaches(size: np.ndarray, line: np.ndarray) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return size >= line - GATE_TOLERANCE * np.abs(line)


def _truth(values: np.ndarray, known: np.ndarray) -> pd.arrays.BooleanArray:
    return pd.arrays.BooleanArray(np.asarray(values, dtype=bool) & known, ~known)
