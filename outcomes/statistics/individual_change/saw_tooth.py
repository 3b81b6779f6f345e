"""The saw-tooth of a caseload: up within each visit, part of it lost until the next.

Notation: ``I_v`` mean gain within visit v, ``K_v`` mean change of the before-treatment level from
visit v to the next; the level at visit v is the sum of K over the visits before it. Each mean rests
on the clients who have both numbers at that visit, so a tooth never mixes those who left with those
who stayed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import DataError, check_between, check_count
from outcomes.statistics.individual_change.within_between import KeptGains

__all__ = ["saw_tooth"]

_SERIES = ("client", "episode", "side", "mode", "instrument")


def saw_tooth(kept: KeptGains, *, least: int = 10, confidence: float = 0.95) -> pd.DataFrame:
    """Follow the caseload through its visits: gain within each, and what is left at the next.

    Use to draw the whole of `immediate_and_kept`. The level is a chain of mean steps, each over the
    clients who took that step; it is no mean of anybody's readings.

    Parameters
    ----------
    kept : KeptGains
        From `immediate_and_kept`.
    least : int
        Clients that a visit must have, at least 2; the chain ends before the first with fewer.
    confidence : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        One row per visit, counted from each client's first: `visit`, `n`, `before_level` (0 at the
        first), `immediate_gain` with `ci_low`, `ci_high`, `ci_level`, and `kept_gain` (to the next
        visit).

    Raises
    ------
    DataError
        If not even the first visit has enough clients with both gains.

    Notes
    -----
    Intervals of the mean gain within a visit: t, clients as the sample.

    Examples
    --------
    >>> from outcomes.statistics.individual_change import immediate_and_kept
    >>> client, visit = np.repeat(np.arange(12), 3), np.tile(np.arange(3.0), 12)
    >>> table = pd.DataFrame({"client": client, "visit": visit + 1, "week": visit})
    >>> before, after = (table.assign(value=50 + 3 * visit + up) for up in (0, 6))
    >>> saw_tooth(immediate_and_kept(before, after, link=False))["before_level"].tolist()
    [0.0, 3.0]

    Checked against: a plain loop over clients, in the tests.
    """
    least = check_count("least", least, least=2)
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    keys = [c for c in _SERIES if c in kept.per_visit.columns]
    rows = kept.per_visit.assign(
        visit=kept.per_visit.groupby(keys, sort=False, dropna=False).cumcount() + 1
    ).dropna(subset=["immediate_gain", "kept_gain"])
    found = rows.groupby("visit").agg(
        n=("immediate_gain", "size"),
        immediate_gain=("immediate_gain", "mean"),
        spread=("immediate_gain", "std"),
        kept_gain=("kept_gain", "mean"),
    )
    found = found.reindex(range(1, int(found.index.max()) + 1)) if len(found) else found
    enough = (found["n"] >= least).cummin()
    found = found[enough].reset_index()
    if found.empty:
        raise DataError(
            f"a saw-tooth must rest on at least {least} clients with both gains at their first "
            "visit; there are fewer. Record readings before and after treatment."
        )
    n = found["n"].to_numpy(float)
    half = stdtrit(n - 1, 1 - (1 - confidence) / 2) * found["spread"].to_numpy() / np.sqrt(n)
    kept_gain = found["kept_gain"].to_numpy(float)
    return pd.DataFrame(
        {
            "visit": found["visit"].astype(int),
            "n": n.astype(int),
            "before_level": np.r_[0.0, np.cumsum(kept_gain)[:-1]],
            "immediate_gain": found["immediate_gain"],
            "ci_low": found["immediate_gain"] - half,
            "ci_high": found["immediate_gain"] + half,
            "ci_level": confidence,
            "kept_gain": kept_gain,
        }
    )
