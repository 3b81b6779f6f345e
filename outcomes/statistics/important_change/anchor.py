"""Clients' own ratings of change: reading them, sorting clients by them, judging the anchor.

Notation
--------
improvement   change of the measure, positive when the client is better
rating        global rating of change; positive is better, 0 is no change
improved      rating at or above `improved_from`; worse: at or below minus that
slightly      ratings that mean "a little better"; their mirror image means "a little worse"
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import ndtri

from outcomes.errors import (
    ArgumentError,
    DataError,
    Faults,
    check_between,
    check_choice,
    check_columns,
    check_positive,
)

__all__ = ["AnchoredChange", "anchor_adequacy", "read_anchored"]

Direction = Literal["improvement", "deterioration"]

#: A correlation below this makes an anchor useless (common practice: 0.3 to 0.35).
WEAK = 0.3


@dataclass(frozen=True, eq=False)
class AnchoredChange:
    """Checked changes and ratings, turned so that what is asked about is positive.

    Attributes
    ----------
    change : ndarray
        Improvement; for deterioration its negative.
    rating : ndarray
        Turned alike.
    reached : ndarray of bool
        Rating at or beyond `improved_from` in the direction asked about.
    slightly : ndarray of bool
    unchanged : ndarray of bool
    start : ndarray or None
        Start value, where given.
    direction : str
    notes : tuple of str
    """

    change: np.ndarray
    rating: np.ndarray
    reached: np.ndarray
    slightly: np.ndarray
    unchanged: np.ndarray
    start: np.ndarray | None
    direction: str
    notes: tuple[str, ...]

    @property
    def n(self) -> int:
        """Clients."""
        return len(self.change)

    @property
    def sign(self) -> float:
        """Plus one for improvement, minus one for deterioration."""
        return 1.0 if self.direction == "improvement" else -1.0

    @property
    def quantity(self) -> str:
        """What the thresholds are called."""
        word = "change" if self.direction == "improvement" else "worsening"
        return f"minimal important {word}"


def read_anchored(
    changes: pd.DataFrame,
    *,
    direction: str = "improvement",
    improved_from: float = 2.0,
    slightly: tuple[float, float] = (2.0, 3.0),
    both_classes: bool = True,
) -> AnchoredChange:
    """Check changes with ratings and sort clients by what they say.

    Parameters
    ----------
    changes : DataFrame
        improvement and rating, one row per client; start_value where its role is asked about.
        Rows without a rating or an improvement are left out and counted in the notes.
    direction : {"improvement", "deterioration"}
        For deterioration both signs are turned, and clients who improved count as not worse.
    improved_from : float
        Smallest rating that counts as improved.
    slightly : tuple of float
        From and to, of the ratings that mean slightly better.
    both_classes : bool
        Whether an empty class is an error.

    Returns
    -------
    AnchoredChange

    Raises
    ------
    ArgumentError, DataError
        Bad ranges; missing columns; fewer than five clients; nothing varies; an empty class.
    """
    check_choice("direction", direction, ("improvement", "deterioration"))
    check_positive("improved_from", improved_from)
    low, high = slightly
    if not 0 < low <= high:
        raise ArgumentError(
            f"slightly must run from a rating above zero upwards, got {slightly!r}. Give (2, 3)."
        )
    check_columns(changes, ["improvement", "rating"], thing="changes")
    change, rating = _numbers(changes, "improvement"), _numbers(changes, "rating")
    start = _numbers(changes, "start_value") if "start_value" in changes else None
    use = np.isfinite(change) & np.isfinite(rating)
    notes = []
    if not use.all():
        notes.append(f"{int((~use).sum()):,} rows without improvement or rating were left out.")
    sign = 1.0 if direction == "improvement" else -1.0
    change, rating = sign * change[use], sign * rating[use]
    reached = rating >= improved_from
    faults = Faults()
    if len(change) < 5:
        faults.add(
            DataError(
                f"changes must come from five or more rated clients, got {len(change)}. Wait for "
                "more ratings, or use a published value."
            )
        )
    elif change.max() == change.min():
        faults.add(DataError("improvement must vary; all clients changed alike. Add clients."))
    elif both_classes and (reached.all() or not reached.any()):
        which = "all" if reached.all() else "none"
        faults.add(
            DataError(
                f"ratings must split clients in two; {which} of {len(change):,} reach "
                f"{improved_from:g} in the direction of {direction}. Choose another "
                "improved_from, or wait for more ratings."
            )
        )
    faults.raise_if_any()
    smaller = int(min(reached.sum(), (~reached).sum()))
    if both_classes and smaller < 10:
        notes.append(f"The smaller class has {smaller} clients: the threshold is a rough guess.")
    return AnchoredChange(
        change=change,
        rating=rating,
        reached=reached,
        slightly=(rating >= low) & (rating <= high),
        unchanged=np.abs(rating) < low,
        start=None if start is None else start[use],
        direction=direction,
        notes=tuple(notes),
    )


def anchor_adequacy(changes: pd.DataFrame, *, confidence: float = 0.95) -> pd.DataFrame:
    """Check whether clients' ratings of change can serve as a yardstick at all.

    Use it before any anchor-based threshold is believed. Do not use a threshold whose anchor
    hardly follows the change, or follows how the client is now rather than the change.

    Parameters
    ----------
    changes : DataFrame
        improvement, rating; start_value and latest_value (signed or not) where known.
    confidence : float, default 0.95

    Returns
    -------
    DataFrame
        One row per correlation of the rating, with the change, the start and the present state:
        question, estimate (Spearman), ci_low, ci_high, ci_level, n, notes. The notes warn below
        0.3, when the present state is followed more closely than the change, and when the start
        is not reflected although it should be.

    Raises
    ------
    DataError
        Fewer than five rated clients; ratings or changes that do not vary.

    Notes
    -----
    Interval by Fisher's z with standard error sqrt((1 + r^2 / 2) / (n - 3)) (Bonett & Wright
    2000). A rating of pure change correlates with start and present state about equally, with
    opposite signs; one that follows only the present state does not correlate with the start.

    References
    ----------
    Revicki et al. 2008, J Clin Epidemiol 61:102, doi:10.1016/j.jclinepi.2007.03.012 (0.30 to
    0.35). Guyatt et al. 2002, Mayo Clin Proc 77:371, doi:10.4065/77.4.371 (present state).
    Bonett & Wright 2000, Psychometrika 65:23, doi:10.1007/BF02294183.

    Examples
    --------
    >>> changes = pd.DataFrame({"improvement": [1, 2, 3, 5, 8, 9.0], "rating": [0, 1, 0, 2, 3, 5]})
    >>> anchor_adequacy(changes)["estimate"].round(3).tolist()
    [0.899]

    Checked against: scipy.stats.spearmanr.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    found = read_anchored(changes, both_classes=False)
    if found.rating.max() == found.rating.min():
        raise DataError("ratings must vary; all clients rate alike. The anchor says nothing.")
    use = np.isfinite(_numbers(changes, "improvement")) & np.isfinite(_numbers(changes, "rating"))
    rows = [_correlation("rating follows the change", found.rating, found.change, level)]
    if abs(rows[0]["estimate"]) < WEAK or rows[0]["estimate"] < 0:
        rows[0]["notes"] = (
            f"Below {WEAK:g}: the anchor hardly follows the change; do not use its thresholds."
        )
    better = _direction_of_better(changes, use)
    for column, question in (
        ("start_value", "rating follows the start"),
        ("latest_value", "rating follows the present state"),
    ):
        if column not in changes:
            continue
        values = _numbers(changes, column)[use] * better
        there = np.isfinite(values)
        if there.sum() < 5 or values[there].max() == values[there].min():
            continue
        rows.append(_correlation(question, found.rating[there], values[there], level))
    if len(rows) == 3 and abs(rows[2]["estimate"]) > abs(rows[0]["estimate"]):
        rows[2]["notes"] = (
            "The rating follows the present state more closely than the change: thresholds from "
            "this anchor reflect how clients are, not how far they came."
        )
    return pd.DataFrame(rows)


def _direction_of_better(changes: pd.DataFrame, use: np.ndarray) -> float:
    """Plus one if higher values are better, as seen from change and improvement."""
    if not {"start_value", "latest_value"} <= set(changes.columns):
        return 1.0
    raw = (_numbers(changes, "latest_value") - _numbers(changes, "start_value"))[use]
    agree = np.nansum(raw * _numbers(changes, "improvement")[use])
    return -1.0 if agree < 0 else 1.0


def _correlation(question: str, x: np.ndarray, y: np.ndarray, level: float) -> dict[str, Any]:
    rank_x, rank_y = (pd.Series(v).rank().to_numpy(dtype=float) for v in (x, y))
    r = float(np.corrcoef(rank_x, rank_y)[0, 1])
    n = len(x)
    bounded = min(max(r, -1 + 1e-12), 1 - 1e-12)
    half = float(ndtri((1 + level) / 2)) * float(np.sqrt((1 + r**2 / 2) / (n - 3)))
    centre = float(np.arctanh(bounded))
    return {
        "question": question,
        "estimate": r,
        "ci_low": float(np.tanh(centre - half)),
        "ci_high": float(np.tanh(centre + half)),
        "ci_level": level,
        "n": n,
        "method": "Spearman; Fisher z interval of Bonett and Wright",
        "notes": "",
    }


def _numbers(frame: pd.DataFrame, column: str) -> np.ndarray:
    return np.asarray(pd.to_numeric(frame[column], errors="coerce"), dtype=float)
