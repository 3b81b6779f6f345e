"""Which visits are missing, and how those who left fared until they did. Notation: the package."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import check_between
from outcomes.statistics.effect_size.missing_visits._grid import grid_of

__all__ = ["leavers_course", "missing_patterns"]


def missing_patterns(
    values: pd.DataFrame, *, visits: Sequence[int] | None = None, least_share: float = 0.5
) -> pd.DataFrame:
    """Count which visits are there: everybody, those who left, those with gaps.

    Use before anything is imputed. Leaving asks for a story of what became of the client; a gap
    with later readings hardly does.

    Parameters
    ----------
    values : DataFrame
        One row per client (and episode) and visit of one measure: `client`, `visit`, `week`,
        `value`.
    visits : sequence of int or None
        Planned visit numbers. None: the first, and those with readings of enough clients.
    least_share : float
        Share of all clients that is enough, in (0, 1).

    Returns
    -------
    DataFrame
        One row per pattern, commonest first: `pattern` (1 there, 0 missing, visit by visit),
        `missing_kind` (``complete``, ``left``, ``gaps``, ``gaps and left``), `last_visit`, `count`,
        `share`, `n`. Clients without a first reading are left out.

    Raises
    ------
    DataError
        If columns are missing, a visit has two values, or a planned visit fewer than 5 clients.

    References
    ----------
    Little & Rubin (2019) Statistical analysis with missing data, 3rd ed., Wiley, ch. 1 (monotone
    and general patterns).

    Examples
    --------
    >>> values = pd.DataFrame({"client": np.repeat(np.arange(12), 3), "visit": [1, 2, 3] * 12,
    ...                        "week": [0.0, 1, 2] * 12, "value": 40.0 + np.arange(36)})
    >>> values = values.drop(index=[5, 10, 14])
    >>> missing_patterns(values)[["pattern", "missing_kind", "count"]].values.tolist()
    [['111', 'complete', 9], ['110', 'left', 2], ['101', 'gaps', 1]]

    Checked against: counts by hand.
    """
    grid = grid_of(values, visits=visits, least_share=least_share)
    seen, n = grid.seen, len(grid.y)
    kinds, counts = np.unique(seen, axis=0, return_counts=True)
    last = kinds.shape[1] - 1 - kinds[:, ::-1].argmax(axis=1)
    left = last < kinds.shape[1] - 1
    gaps = kinds.sum(axis=1) < last + 1
    names = np.array([["complete", "gaps"], ["left", "gaps and left"]])
    table = pd.DataFrame(
        {
            "pattern": ["".join("1" if there else "0" for there in row) for row in kinds],
            "missing_kind": names[left.astype(int), gaps.astype(int)],
            "last_visit": grid.visits[last],
            "count": counts,
            "share": counts / n,
            "n": n,
        }
    )
    return table.sort_values(
        ["count", "pattern"], ascending=[False, False], kind="stable", ignore_index=True
    )


def leavers_course(
    values: pd.DataFrame,
    *,
    better: str = "higher",
    visits: Sequence[int] | None = None,
    least_share: float = 0.5,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Compare, visit by visit, those about to leave with those who came on.

    Use to see whether clients left when they did badly, or when they had what they came for. It
    says nothing of how leavers fared afterwards.

    Parameters
    ----------
    values, visits, least_share
        As `missing_patterns`.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        One row per last visit seen and visit up to it: `last_visit`, `visit`, `n_leavers`,
        `n_stayers` (came later too), `leavers_mean`, `stayers_mean` (level at the first visit, mean
        improvement since it at the others; positive is better), `estimate` (leavers minus stayers),
        interval (Welch), empty with fewer than 2 on a side.

    Raises
    ------
    DataError
        As `missing_patterns`.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, visit = np.repeat(np.arange(30), 4), np.tile(np.arange(1, 5), 30)
    >>> gain = np.where(client < 10, 0, 3) * (visit - 1)
    >>> values = pd.DataFrame({"client": client, "visit": visit, "week": visit - 1.0,
    ...                        "value": 50 + gain + rng.normal(0, 1, 120)})
    >>> values = values[(client >= 10) | (visit <= 2)]
    >>> rows = leavers_course(values)
    >>> rows[["last_visit", "visit", "n_leavers", "n_stayers"]].values.tolist()
    [[2, 1, 10, 20], [2, 2, 10, 20]]

    Checked against: scipy's Welch test.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    grid = grid_of(values, visits=visits, least_share=least_share, better=better)
    last = grid.last
    shown = grid.y - np.where(np.arange(grid.visits.size) > 0, grid.y[:, :1], 0)
    shown[:, 0] *= 1.0 if better == "higher" else -1.0  # a level, as it was read
    rows = []
    for at in range(grid.visits.size - 1):
        leaving, staying = last == at, last > at
        if not leaving.any():
            continue
        for k in range(at + 1):
            a, b = (shown[who & grid.seen[:, k], k] for who in (leaving, staying))
            rows.append(
                {
                    "last_visit": int(grid.visits[at]),
                    "visit": int(grid.visits[k]),
                    "n_leavers": a.size,
                    "n_stayers": b.size,
                    "leavers_mean": a.mean() if a.size else np.nan,
                    "stayers_mean": b.mean() if b.size else np.nan,
                    **_welch(a, b, confidence),
                    "ci_level": confidence,
                }
            )
    columns = ["last_visit", "visit", "n_leavers", "n_stayers", "leavers_mean", "stayers_mean",
               "estimate", "ci_low", "ci_high", "ci_level"]  # fmt: skip
    return pd.DataFrame(rows, columns=pd.Index(columns))


def _welch(a: np.ndarray, b: np.ndarray, confidence: float) -> dict[str, float]:
    if min(a.size, b.size) < 2:
        apart = a.mean() - b.mean() if min(a.size, b.size) else np.nan
        return {"estimate": apart, "ci_low": np.nan, "ci_high": np.nan}
    v, w = a.var(ddof=1) / a.size, b.var(ddof=1) / b.size
    df = (v + w) ** 2 / max(v**2 / (a.size - 1) + w**2 / (b.size - 1), 1e-300)
    half = float(stdtrit(max(df, 1.0), 1 - (1 - confidence) / 2) * np.sqrt(v + w))
    apart = float(a.mean() - b.mean())
    return {"estimate": apart, "ci_low": apart - half, "ci_high": apart + half}
