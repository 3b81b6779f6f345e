"""Many measures at once: p-values adjusted for how many were looked at."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import check_columns, rows_must

__all__ = ["adjust_for_many", "benjamini_hochberg", "holm"]


def _checked(p_values: Any) -> np.ndarray:
    p = np.asarray(p_values, float)
    broken = ~((p >= 0) & (p <= 1))
    if broken.any():
        raise rows_must("p_value", "lie between 0 and 1", broken, "Leave out what was not tested")
    return p


def holm(p_values: Any) -> np.ndarray:
    """Adjust p-values so that one false alarm among all of them is as rare as the level says.

    Parameters
    ----------
    p_values : array-like
        Each in [0, 1].

    Returns
    -------
    array
        Adjusted p-values, in the order given: running maximum of (m - i + 1) p_(i), at most 1.

    References
    ----------
    Holm (1979) Scand J Stat 6:65-70.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(2).tolist()
    [0.03, 0.06, 0.06]
    """
    p = _checked(p_values)
    order = np.argsort(p, kind="stable")
    raised = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(raised, 1)
    return adjusted


def benjamini_hochberg(p_values: Any) -> np.ndarray:
    """Adjust p-values so that of the findings kept, at most the stated share is false on average.

    Parameters
    ----------
    p_values : array-like
        Each in [0, 1].

    Returns
    -------
    array
        Adjusted p-values, in the order given: running minimum from above of m p_(i) / i.

    References
    ----------
    Benjamini & Hochberg (1995) J R Stat Soc B 57:289-300,
    doi:10.1111/j.2517-6161.1995.tb02031.x.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, 0.03]).round(2).tolist()
    [0.03, 0.04, 0.04]
    """
    p = _checked(p_values)
    order = np.argsort(p, kind="stable")[::-1]
    lowered = np.minimum.accumulate(p[order] * p.size / np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(lowered, 1)
    return adjusted


def adjust_for_many(rows: pd.DataFrame) -> pd.DataFrame:
    """Add both adjusted p-values to a table of results, one row per measure.

    Parameters
    ----------
    rows : DataFrame
        With the column `p_value`; all rows are one family.

    Returns
    -------
    DataFrame
        The same rows with `p_value_holm` and `p_value_bh`.

    Raises
    ------
    DataError
        If the column is absent or a p-value is outside [0, 1].

    Examples
    --------
    >>> adjust_for_many(pd.DataFrame({"p_value": [0.01, 0.04]}))["p_value_holm"].tolist()
    [0.02, 0.04]

    Checked against: statsmodels.stats.multitest.multipletests.
    """
    check_columns(rows, ["p_value"])
    p = rows["p_value"].to_numpy(float, na_value=np.nan)
    return rows.assign(p_value_holm=holm(p), p_value_bh=benjamini_hochberg(p))
