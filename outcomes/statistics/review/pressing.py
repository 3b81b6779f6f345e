"""One row per client for a meeting that has an hour: the measure that presses most."""

from __future__ import annotations

import pandas as pd

from outcomes.errors import check_columns

__all__ = ["PRESSING", "most_pressing"]

#: What a meeting looks at first: a decline, then who is stuck short of the line.
PRESSING = (
    "getting worse",
    "levelled off short of the line",
    "still gaining",
    "levelled off past the line",
    "levelled off",
    "too little data to say",
)


def most_pressing(plateau: pd.DataFrame) -> pd.DataFrame:
    """Choose for each client the measure that presses most, surest first within a state.

    Use to go through a caseload client by client. A client who gains in one measure and declines in
    another stands under the decline; the other measures are in the full table.

    Parameters
    ----------
    plateau : DataFrame
        Rows of `meeting_table` for several measures: client, state, chance_of_state, further_gain,
        and episode where present.

    Returns
    -------
    DataFrame
        The chosen rows, by state in the order of `PRESSING`, then by expected further gain.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": ["a", "a", "b"], "measure": ["x", "y", "x"],
    ...     "state": ["still gaining", "getting worse", "still gaining"],
    ...     "chance_of_state": [0.9, 0.7, 0.8], "further_gain": [2.0, -1.0, 3.0]})
    >>> most_pressing(rows)["measure"].tolist()
    ['y', 'x']
    """
    check_columns(plateau, ["client", "state", "chance_of_state", "further_gain"])
    keys = [c for c in ("client", "episode") if c in plateau.columns]
    rank = plateau["state"].map({state: i for i, state in enumerate(PRESSING)})
    rows = plateau.assign(_rank=rank).sort_values(
        ["_rank", "chance_of_state"], ascending=[True, False], kind="stable"
    )
    rows = rows.drop_duplicates(keys).sort_values(["_rank", "further_gain"], kind="stable")
    return rows.drop(columns="_rank").reset_index(drop=True)
