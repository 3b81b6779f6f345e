"""Who left, and the outer fence: what can be said of leavers without any assumption.

Notation: leavers are the rows without `latest_value`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import (
    ArgumentError,
    DataError,
    check_between,
    check_choice,
    check_columns,
)

__all__ = ["compare_leavers", "missing_bounds"]


def compare_leavers(
    starters: pd.DataFrame, *, columns: tuple[str, ...] = ("start_value",), confidence: float = 0.95
) -> pd.DataFrame:
    """Compare those who left with those who stayed, on what was known at the start.

    Use beside every result with missing clients. A small difference here does not show that leavers
    fared alike later.

    Parameters
    ----------
    starters : DataFrame
        One row a client, with `latest_value` (empty for leavers) and numeric start columns.
    columns : tuple of str
        What to compare; empty cells are passed over.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        One row per column: `quantity`, `n_leavers`, `n_stayers`, `leavers_mean`, `stayers_mean`,
        `estimate` (leavers minus stayers), interval (Welch), `standardised` (over the pooled SD).

    Raises
    ------
    DataError
        If a column is absent or a group has fewer than 2 clients.

    Examples
    --------
    >>> starters = pd.DataFrame({"start_value": [40.0, 42, 50, 52],
    ...                          "latest_value": [None, None, 55.0, 60.0]})
    >>> compare_leavers(starters)["estimate"].tolist()
    [-10.0]
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_columns(starters, ["latest_value", *columns], thing="the table of starters")
    left = starters["latest_value"].isna().to_numpy()
    rows = []
    for column in columns:
        value = starters[column].to_numpy(float, na_value=np.nan)
        a, b = (value[group & np.isfinite(value)] for group in (left, ~left))
        if min(a.size, b.size) < 2:
            raise DataError(
                "leavers and stayers must be at least 2 each to be compared, got "
                f"{a.size} and {b.size}. Report the counts."
            )
        v, w = a.var(ddof=1) / a.size, b.var(ddof=1) / b.size
        df = (v + w) ** 2 / max(v**2 / (a.size - 1) + w**2 / (b.size - 1), 1e-300)
        half = float(stdtrit(max(df, 1.0), 1 - (1 - confidence) / 2) * np.sqrt(v + w))
        pooled = np.sqrt((a.var() * a.size + b.var() * b.size) / (a.size + b.size - 2))
        difference = float(a.mean() - b.mean())
        rows.append(
            {
                "quantity": column,
                "n_leavers": a.size,
                "n_stayers": b.size,
                "leavers_mean": float(a.mean()),
                "stayers_mean": float(b.mean()),
                "estimate": difference,
                "ci_low": difference - half,
                "ci_high": difference + half,
                "ci_level": confidence,
                "standardised": difference / pooled if pooled > 0 else np.nan,
            }
        )
    return pd.DataFrame(rows)


def missing_bounds(
    starters: pd.DataFrame, *, worst: float, best: float, better: str = "higher"
) -> pd.DataFrame:
    """Give the mean improvement if every leaver fared as badly, or as well, as can be.

    Use as the outer fence: nothing that became of the leavers can lead outside it.

    Parameters
    ----------
    starters : DataFrame
        As `likely_change`; any number of stayers.
    worst, best : float
        Ends of the measure's range, in its unit, in clinic order (worst first).
    better : ``"higher"`` or ``"lower"``
        The good direction.

    Returns
    -------
    DataFrame
        Rows ``every leaver at the worst value``, ``every leaver unchanged``, ``every leaver at the
        best value``; `quantity`, `estimate`, `n`.

    Raises
    ------
    ArgumentError
        If `best` is not better than `worst`.

    Examples
    --------
    >>> starters = pd.DataFrame({"start_value": [40.0, 50.0], "latest_value": [60.0, None]})
    >>> missing_bounds(starters, worst=0, best=90)["estimate"].tolist()
    [-15.0, 10.0, 30.0]
    """
    check_columns(starters, ["start_value", "latest_value"], thing="the table of starters")
    check_choice("better", better, ["higher", "lower"])
    sign = 1.0 if better == "higher" else -1.0
    if sign * (best - worst) <= 0:
        raise ArgumentError("best must be better than worst. Check the range and the direction.")
    x = starters["start_value"].to_numpy(float, na_value=np.nan)
    y = starters["latest_value"].to_numpy(float, na_value=np.nan)
    if not np.isfinite(x).all():
        raise DataError("start_value must be a number in every row. Leave out unmeasured clients.")
    left = np.isnan(y)
    rows = [
        (f"every leaver {words}", float(np.mean(sign * (np.where(left, fill, y) - x))), x.size)
        for words, fill in (
            ("at the worst value", worst),
            ("unchanged", x),
            ("at the best value", best),
        )
    ]
    return pd.DataFrame(rows, columns=pd.Index(["quantity", "estimate", "n"]))
