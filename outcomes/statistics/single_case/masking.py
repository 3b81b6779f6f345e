"""Masked visual analysis: who saw which series under which letter, and what chance gives.

Analysts look at figures in random order, without names, phases or lines, and say where treatment
began (or which clients had which start). The key stays shut until they have written it down.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_between, check_count

__all__ = ["chance_of_hits", "masking_key"]


def masking_key(series: Sequence[str], *, rng: np.random.Generator) -> pd.DataFrame:
    """Shuffle series and give each a neutral label; the frame is the key to lock away.

    Parameters
    ----------
    series : sequence of str
        What identifies each series, once each.
    rng : numpy Generator
        Source of the order.

    Returns
    -------
    DataFrame
        label (``Series 01``, in the order shown) and name (the series).

    Raises
    ------
    DataError
        A series named twice, or none.

    Examples
    --------
    >>> masking_key(["A", "B", "C"], rng=np.random.default_rng(3))["label"].tolist()
    ['Series 01', 'Series 02', 'Series 03']
    """
    names = [str(one) for one in series]
    if not names or len(set(names)) < len(names):
        raise DataError("series must be named once each, at least one. Drop the repeats.")
    order = rng.permutation(len(names))
    width = max(2, len(str(len(names))))
    return pd.DataFrame(
        {
            "label": [f"Series {place + 1:0{width}d}" for place in range(len(names))],
            "name": [names[i] for i in order],
        }
    )


def chance_of_hits(hits: int, *, series: int, chance: float) -> float:
    """Chance that guessing alone gives at least so many right answers (one-sided p-value).

    Use when each series is judged on its own and starts were drawn independently. Do not use when
    analysts share out known starts among the series: count the orders instead.

    Parameters
    ----------
    hits : int
        Right answers.
    series : int
        Series judged.
    chance : float
        Chance of a right guess, 1 / number of eligible starts, in (0, 1).

    Returns
    -------
    float

    Raises
    ------
    ArgumentError
        Counts or chance outside their rule.

    References
    ----------
    Ferron & Jones 2006, J Exp Educ 75:66 (visual analysis as a randomisation test).

    Examples
    --------
    >>> round(chance_of_hits(3, series=4, chance=1 / 6), 4)
    0.0162
    """
    n = check_count("series", series)
    k = check_count("hits", hits, least=0)
    return float(stats.binom.sf(k - 1, n, check_between("chance", chance, 0, 1)))
