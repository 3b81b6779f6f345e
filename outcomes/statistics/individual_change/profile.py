"""Several measures of one client: which moved, without counting noise as success.

Notation: ``p`` two-sided p-value of no true change in one measure; the measures of one client and
episode are one family.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtr

from outcomes.errors import check_between, check_columns

__all__ = ["profile", "profile_by_chance"]


def profile(judged: pd.DataFrame, *, false_share: float = 0.10) -> pd.DataFrame:
    """Say which of a client's measures moved, allowing for how many were looked at.

    Use whenever one client has more than two measures: of ten that did not move at all, four
    clients in ten would have at least one "detectable" by chance. Measures of one client go
    together; the control used here holds for measures that move in step, and is no proof otherwise.

    Parameters
    ----------
    judged : DataFrame
        What `judge_change` gave, with `client` and `measure` (and `episode`): `improvement` and
        `standard_error_of_measurement`. Measures without a known error are kept, not judged.
    false_share : float
        Share of the measures called moved that may be noise, on average; in (0, 1).

    Returns
    -------
    DataFrame
        The rows of `judged` with `p_value`, `p_value_bh` (within client), `moved` (``"better"``,
        ``"worse"``, ``"not shown"``, ``"not judged"``) and `n_measures`, declines first per client.

    Raises
    ------
    DataError
        If a column is absent.

    Notes
    -----
    p = 2 Phi(-abs(improvement) / (sqrt(2) e)); adjusted per client by Benjamini and Hochberg.

    References
    ----------
    Benjamini & Hochberg (1995) J R Stat Soc B 57:289-300,
    doi:10.1111/j.2517-6161.1995.tb02031.x.

    Examples
    --------
    >>> judged = pd.DataFrame({"client": "a", "measure": ["x", "y", "z"],
    ...     "improvement": [12.0, 8.0, 1.0], "standard_error_of_measurement": 3.0})
    >>> profile(judged)["moved"].tolist()
    ['better', 'better', 'not shown']

    Checked against: scipy.stats.false_discovery_control; simulated share of false findings.
    """
    check_between("false_share", false_share, 0, 1, remedy="Give 0.1")
    check_columns(judged, ["client", "measure", "improvement", "standard_error_of_measurement"])
    keys = [c for c in ("client", "episode") if c in judged.columns]
    gain = judged["improvement"].to_numpy(float)
    error = judged["standard_error_of_measurement"].to_numpy(float)
    p = 2 * ndtr(-np.abs(gain) / (np.sqrt(2) * error))
    client = judged.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    adjusted = _within(p, client)
    found = adjusted <= false_share
    words = np.select(
        [np.isnan(p), found & (gain > 0), found & (gain < 0)],
        ["not judged", "better", "worse"],
        default="not shown",
    )
    rank = np.select([words == "worse", words == "better", words == "not shown"], [0, 1, 2], 3)
    table = judged.assign(
        p_value=p,
        p_value_bh=adjusted,
        moved=pd.array(words, dtype="str"),
        n_measures=np.bincount(client, weights=~np.isnan(p), minlength=1)[client].astype(int),
    )
    return table.iloc[np.lexsort([-np.abs(gain / error), rank, client])].reset_index(drop=True)


def profile_by_chance(judged: pd.DataFrame, *, false_share: float = 0.05) -> pd.DataFrame:
    """Say which of a client's measures moved, from the chances that all visits give.

    Use beside verdicts that come from the model, so that the profile and the verdicts rest on the
    same readings; `profile` does the same from first and latest reading alone.

    Parameters
    ----------
    judged : DataFrame
        One row per client (and episode) and measure, with `chance_improved` and `chance_worse`.
        Measures without chances are kept, not judged.
    false_share : float
        Share of the measures named that may have moved the other way, on average; in (0, 1).

    Returns
    -------
    DataFrame
        The rows of `judged` with `chance_other_way`, `moved` (``"better"``, ``"worse"``,
        ``"not shown"``, ``"not judged"``) and `n_measures`, declines first per client, surest
        first.

    Raises
    ------
    DataError
        If a column is absent.

    Notes
    -----
    Chances to have moved the other way, sorted within the client; as many are named as keep their
    mean at or below `false_share`. It holds whatever goes together among the measures, as far as
    the chances are right.

    References
    ----------
    Newton, Noueiry, Sarkar & Ahlquist (2004) Biostatistics 5:155-176,
    doi:10.1093/biostatistics/5.2.155: direct posterior probability approach.

    Examples
    --------
    >>> judged = pd.DataFrame({"client": "a", "measure": ["x", "y", "z"],
    ...     "chance_improved": [0.99, 0.02, 0.6], "chance_worse": [0.01, 0.98, 0.4]})
    >>> profile_by_chance(judged)[["measure", "moved"]].to_numpy().tolist()
    [['y', 'worse'], ['x', 'better'], ['z', 'not shown']]

    Checked against: a plain loop, and the share of false findings where the truth is planted.
    """
    check_between("false_share", false_share, 0, 1, remedy="Give 0.05")
    check_columns(judged, ["client", "measure", "chance_improved", "chance_worse"])
    keys = [c for c in ("client", "episode") if c in judged.columns]
    up, down = (judged[c].to_numpy(float) for c in ("chance_improved", "chance_worse"))
    other = np.minimum(up, down)
    client = judged.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    order = np.lexsort([other, client])
    sums = pd.Series(other[order]).groupby(client[order]).cumsum().to_numpy()
    place = pd.Series(client[order]).groupby(client[order]).cumcount().to_numpy() + 1
    found = np.zeros(other.size, dtype=bool)
    with np.errstate(invalid="ignore"):
        found[order] = sums / place <= false_share
    words = np.select(
        [np.isnan(other), found & (up > down), found & (down > up)],
        ["not judged", "better", "worse"],
        default="not shown",
    )
    rank = np.select([words == "worse", words == "better", words == "not shown"], [0, 1, 2], 3)
    table = judged.assign(
        chance_other_way=other,
        moved=pd.array(words, dtype="str"),
        n_measures=np.bincount(client, weights=~np.isnan(other), minlength=1)[client].astype(int),
    )
    return table.iloc[np.lexsort([other, rank, client])].reset_index(drop=True)


def _within(p: np.ndarray, client: np.ndarray) -> np.ndarray:
    """Adjust by Benjamini and Hochberg within every client at once; empty p-values stay empty.

    Rows are sorted by client and descending p, so that the running minimum of one family is a
    running minimum over its rows: families are kept apart by adding 2 per family, downwards.
    """
    adjusted = np.full(p.size, np.nan)
    known = np.flatnonzero(~np.isnan(p))
    if known.size == 0:
        return adjusted
    order = known[np.lexsort([-p[known], client[known]])]
    family = np.unique(client[order], return_inverse=True)[1]
    size = np.bincount(family)
    first = np.r_[0, np.cumsum(size)[:-1]]
    rank = size[family] - (np.arange(order.size) - first[family])
    raised = np.minimum(p[order] * size[family] / rank, 1.0)
    offset = -2.0 * family
    adjusted[order] = np.minimum.accumulate(raised + offset) - offset
    return adjusted
