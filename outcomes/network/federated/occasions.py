"""Few occasions in place of every visit: what makes clients' designs alike, so that they add up.

With visits at any day, nearly every client has a design of their own, and sums over clients of one
design would be sums over one client. So readings are taken at four occasions, each at its nominal
week: the reading nearest to it inside a window. A design cell is a set of occasions at which
clients have readings. For normal readings whose missing ones depend on nothing but those present,
number, mean and sums of products per cell are all that the mixed model needs.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.network.tally import Tally, moments

__all__ = ["OCCASIONS", "design_cells", "occasion_values"]

#: Nominal week: first and last week of its window.
OCCASIONS = {0.0: (0.0, 1.5), 3.0: (1.5, 4.5), 6.0: (4.5, 9.0), 12.0: (9.0, 18.0)}
_EPISODE = ["client", "episode"]


def occasion_values(values: pd.DataFrame) -> pd.DataFrame:
    """Keep the reading nearest to each occasion, at its nominal week.

    Parameters
    ----------
    values : DataFrame
        client, episode, week, value: one series per episode.

    Returns
    -------
    DataFrame
        client, episode, week (nominal), value.

    Examples
    --------
    >>> values = pd.DataFrame({"client": "a", "episode": 1, "week": [0.0, 2.0, 3.1, 30.0],
    ...                        "value": [50.0, 52.0, 55.0, 60.0]})
    >>> occasion_values(values)[["week", "value"]].values.tolist()
    [[0.0, 50.0], [3.0, 55.0]]
    """
    week = values["week"].to_numpy(float)
    nominal = np.full(week.size, np.nan)
    for at, (first, last) in OCCASIONS.items():
        nominal[(week >= first) & (week < last)] = at
    kept = values.assign(nominal=nominal, off=np.abs(week - nominal))
    kept = kept[np.isfinite(nominal)].sort_values([*_EPISODE, "nominal", "off", "week"])
    kept = kept.drop_duplicates([*_EPISODE, "nominal"])
    kept = kept.assign(week=kept["nominal"])
    return kept[[*_EPISODE, "week", "value"]].reset_index(drop=True)


def design_cells(values: pd.DataFrame, *, minimum: int) -> tuple[list[Tally], int]:
    """Sum readings per design cell, none with fewer than `minimum` clients.

    A cell that is too small joins the largest one that lacks one of its occasions: that occasion's
    readings are left out, which loses precision but makes nothing up. Clients of a cell that
    cannot join one, and of a cell whose readings at an occasion are all the same, are left out.

    Parameters
    ----------
    values : DataFrame
        From `occasion_values`.
    minimum : int
        Clients that a cell must have.

    Returns
    -------
    cells : list of dict
        occasions (weeks), and n, mean, m2 of the readings there.
    left_out : int
        Clients in no cell.
    """
    wide = values.pivot_table(index=_EPISODE, columns="week", values="value", aggfunc="first")
    wide = wide.reindex(columns=list(OCCASIONS))
    table = wide.to_numpy(float)
    place = 2 ** np.arange(len(OCCASIONS))
    pattern = np.isfinite(table).astype(int) @ place
    while True:
        sizes = {
            int(p): int(n) for p, n in zip(*np.unique(pattern, return_counts=True), strict=True)
        }
        small = [p for p, n in sizes.items() if p and n < minimum]
        if not small:
            break
        own = min(small, key=lambda p: (sizes[p], p))
        smaller = [own - int(bit) for bit in place if own & bit and own != bit]
        best = max(smaller, key=lambda p: (sizes.get(p, 0), -p), default=0)
        pattern[pattern == own] = best
    cells, left_out = [], int((pattern == 0).sum())
    for own in sorted({int(p) for p in pattern} - {0}):
        kept = [i for i, bit in enumerate(place) if own & bit]
        rows = table[pattern == own][:, kept]
        if (np.ptp(rows, axis=0) == 0).any():
            left_out += len(rows)
            continue
        weeks = [list(OCCASIONS)[i] for i in kept]
        cells.append({"occasions": weeks, **moments(rows)})
    return cells, left_out
