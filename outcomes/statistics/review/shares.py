"""Shares of clients by the model's verdict: those one can be sure of, and those to be expected.

A count of the clients that one can be sure of (chance of at least 95%) leaves out many who did
gain; the mean chance over all clients counts each by how sure one is, and is right on average where
the chances are calibrated. Both are given.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import check_between, check_columns
from outcomes.statistics.effect_size.shares import share_interval

__all__ = ["model_shares"]

_SURE = {
    "surely improved": "chance_improved",
    "surely improved importantly": "chance_important",
    "surely worse": "chance_worse",
}
_EXPECTED = {
    "expected to have improved": "chance_improved",
    "expected to have improved importantly": "chance_important",
}


def model_shares(
    judged: pd.DataFrame, *, sure: float = 0.95, confidence: float = 0.95
) -> pd.DataFrame:
    """Give the shares of clients of one measure who improved, importantly, or got worse.

    Parameters
    ----------
    judged : DataFrame
        One row per client, as `judge_measure` gives it: chance_improved, chance_important,
        chance_worse, empty where the model has no verdict; such rows are left out.
    sure : float
        Chance from which a client counts as sure, in (0.5, 1).
    confidence : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        quantity, count (empty for expected shares), n, share, ci_low, ci_high, ci_level, method.
        No rows where nobody has a model verdict; rows about importance are absent where the
        measure has no line.

    Notes
    -----
    Sure: Wilson's interval for the count. Expected: the mean of the chances p; its variance over
    clients is that of the chances plus the mean of p (1 - p), since a chance is not yet an outcome;
    t interval, cut off at 0 and 1.

    Examples
    --------
    >>> chances = pd.DataFrame({"chance_improved": [0.99, 0.7, 0.4], "chance_important": None})
    >>> rows = model_shares(chances.assign(chance_worse=1 - chances["chance_improved"]))
    >>> rows.set_index("quantity")["share"].round(2).to_dict()
    {'surely improved': 0.33, 'surely worse': 0.0, 'expected to have improved': 0.7}
    """
    check_between("sure", sure, 0.5, 1, remedy="Give 0.95")
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_columns(judged, ["chance_improved", "chance_important", "chance_worse"])
    rows = []
    for quantity, column in {**_SURE, **_EXPECTED}.items():
        chance = judged[column].to_numpy(float, na_value=np.nan)
        chance = chance[np.isfinite(chance)]
        if not chance.size:
            continue
        if quantity in _SURE:
            count = int((chance >= sure).sum())
            low, high = share_interval(count, chance.size, confidence=confidence)
            row = {"count": count, "share": count / chance.size, "method": "Wilson"}
        else:
            low, high = _mean_interval(chance, confidence)
            row = {"count": pd.NA, "share": float(chance.mean()), "method": "mean chance, t"}
        rows.append(
            {
                "quantity": quantity,
                **row,
                "n": chance.size,
                "ci_low": float(low),
                "ci_high": float(high),
                "ci_level": confidence,
            }
        )
    columns = ["quantity", "count", "n", "share", "ci_low", "ci_high", "ci_level", "method"]
    return pd.DataFrame(rows, columns=columns).astype({"count": "Int64"})


def _mean_interval(chance: np.ndarray, confidence: float) -> tuple[float, float]:
    n = chance.size
    if n < 2:
        return 0.0, 1.0
    variance = chance.var(ddof=1) + np.mean(chance * (1 - chance))
    reach = stdtrit(n - 1, 1 - (1 - confidence) / 2) * np.sqrt(variance / n)
    return max(0.0, chance.mean() - reach), min(1.0, chance.mean() + reach)
