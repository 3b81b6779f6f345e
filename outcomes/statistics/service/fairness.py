"""Do some groups of clients fare worse: results by age, sex, site or complaint.

Means are drawn towards the whole by as much as they rest on chance (see `shrinkage`), and small
groups are hidden, with a second group wherever one could be worked out from the total.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_between, check_columns, check_count, rows_must
from outcomes.statistics.service.casemix import case_mix
from outcomes.statistics.service.shrinkage import shrink

__all__ = ["age_bands", "group_outcomes", "hidden_groups"]

_NUMBERS = ["n", "observed", "estimate", "ci_low", "ci_high", "chance_above"]


def age_bands(ages: pd.Series, *, edges: Sequence[int] = (18, 30, 45, 60, 75)) -> pd.Series:
    """Sort ages in years into bands.

    Parameters
    ----------
    ages : Series of float
        Years; empty stays empty.
    edges : sequence of int
        First year of each band, rising.

    Returns
    -------
    Series of str
        As ``"30-44"``, ``"under 18"``, ``"75 and over"``.

    Examples
    --------
    >>> age_bands(pd.Series([17, 30, 44.9, 80])).tolist()
    ['under 18', '30-44', '30-44', '75 and over']
    """
    if list(edges) != sorted(set(edges)) or not edges:
        raise ArgumentError("edges must rise from band to band.")
    labels = [f"under {edges[0]}"]
    labels += [f"{a}-{b - 1}" for a, b in zip(edges[:-1], edges[1:], strict=True)]
    labels += [f"{edges[-1]} and over"]
    years = ages.to_numpy(float, na_value=np.nan)
    place = np.searchsorted(np.asarray(edges, float), years, side="right")
    words = np.array(labels, dtype=object)[np.where(np.isnan(years), 0, place)]
    return pd.Series(words, index=ages.index, dtype="str").where(~np.isnan(years))


def group_outcomes(
    rows: pd.DataFrame,
    *,
    by: str,
    adjust_for: Sequence[str] = (),
    hide_below: int = 10,
    level: float = 0.95,
) -> pd.DataFrame:
    """Give the mean improvement by group of clients, shrunken, with small groups hidden.

    Use to look for groups that the clinic serves less well. Do not adjust away what the group is
    made of: adjusting for the start value, say, hides that a group comes later and worse.

    Parameters
    ----------
    rows : DataFrame
        One row per episode of one measure: improvement, the column `by`, and columns to adjust
        for.
    by : str
        Column that groups clients; empty cells form the group ``"not recorded"``.
    adjust_for : sequence of str
        Columns to adjust for.
    hide_below : int
        Groups with fewer clients are hidden (1 hides none).
    level : float
        Level of intervals, in (0, 1).

    Returns
    -------
    DataFrame
        by, group, n, observed (plain mean), estimate, ci_low, ci_high (shrunken), ci_level,
        chance_above (the whole), chance_real (that groups differ at all), hidden. Hidden rows
        have empty numbers. Groups in order of name.

    Raises
    ------
    DataError
        If improvement is not a finite number somewhere.
    ArgumentError
        If there is only one group.
    ModelError
        If all clients improved equally.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> rows = pd.DataFrame({"site": [*"ab"] * 30, "improvement": rng.normal(6, 4, 60)})
    >>> found = group_outcomes(rows, by="site")
    >>> found["group"].tolist(), bool(found["chance_real"].iloc[0] < 0.5)
    (['a', 'b'], True)
    """
    check_columns(rows, ["improvement", by], thing="the rows")
    hide_below = check_count("hide_below", hide_below)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    wrong = ~np.isfinite(rows["improvement"].to_numpy(float))
    if wrong.any():
        raise rows_must("improvement", "be a finite number", wrong, "Leave these rows out")
    mix = case_mix(rows, adjust_for=adjust_for)
    used = rows[mix.kept]
    words = used[by].astype("object").where(used[by].notna(), "not recorded").astype("str")
    codes, groups = pd.factorize(words, sort=True)
    if len(groups) < 2:
        raise ArgumentError(f"by must be a column with at least two groups, got {by!r} with one.")
    outcome = used["improvement"].to_numpy(float)
    fit = shrink(np.column_stack([np.ones(len(used)), mix.design]), outcome, [codes])
    own = np.zeros((len(groups), fit.means.shape[1]))
    own[:, fit.slices[0]] = np.eye(len(groups))
    n = np.bincount(codes)
    above = fit.summarise(own - (n / n.sum()) @ own, level=level)[3]
    own[:, 0] = 1
    estimate, low, high, _ = fit.summarise(own, level=level)
    table = pd.DataFrame(
        {
            "by": by,
            "group": groups.astype("str"),
            "n": pd.array(n, dtype="Int64"),
            "observed": np.bincount(codes, outcome) / n,
            "estimate": estimate,
            "ci_low": low,
            "ci_high": high,
            "ci_level": level,
            "chance_above": above,
            "chance_real": float(fit.chance_real[0]),
        }
    )
    table["hidden"] = hidden_groups(n, hide_below=hide_below)
    table.loc[table["hidden"], "n"] = pd.NA
    table.loc[table["hidden"], _NUMBERS[1:]] = np.nan
    return table


def hidden_groups(counts: np.ndarray, *, hide_below: int = 10) -> np.ndarray:
    """Mark the cells of one table to be hidden, so that none can be worked out from the total.

    Parameters
    ----------
    counts : array of int
        Counts whose total is known.
    hide_below : int
        Counts from 1 to one less than this are hidden; zero is shown.

    Returns
    -------
    ndarray of bool
        True where hidden. If the hidden counts add up to less than `hide_below`, or only one is
        hidden, the next smallest count is hidden too, until both hold.

    See Also
    --------
    outcomes.records.privacy.hide_small_counts : the same for whole tables that leave the clinic.
        There a hidden sum may be small as long as each part stays uncertain; here the hidden
        groups together are never a small group themselves.

    Examples
    --------
    >>> hidden_groups(np.array([4, 30, 12, 55])).tolist()
    [True, False, True, False]
    """
    sizes = np.asarray(counts)
    hidden = (sizes > 0) & (sizes < hide_below)
    while hidden.any() and (hidden.sum() < 2 or sizes[hidden].sum() < hide_below):
        rest = np.flatnonzero(~hidden & (sizes > 0))
        if rest.size == 0:
            break
        hidden[rest[np.argmin(sizes[rest])]] = True
    return hidden
