"""Which facts together would let a reader recognise a client.

A reader of a case series from a small place may know someone of that age, sex, complaint and side.
The count that matters is how many clients of the whole caseload share the facts printed about one.
"""

from __future__ import annotations

from itertools import combinations

import pandas as pd

from outcomes.errors import check_count

__all__ = ["DESCRIBED", "identifying_combinations"]

#: Facts that Table 1 prints, with the words for them.
DESCRIBED = {
    "age_band": "age band",
    "sex": "sex",
    "complaint": "complaint",
    "affected_side": "affected side",
    "onset_band": "weeks of symptoms",
    "clinic": "clinic",
}


def identifying_combinations(
    everyone: pd.DataFrame, key: pd.DataFrame, *, least: int = 3, most_facts: int = 3
) -> pd.DataFrame:
    """List the smallest combinations of printed facts that few clients of the caseload share.

    Use before anything is sent out. Do not take an empty list for safety: readers know facts that
    no table holds.

    Parameters
    ----------
    everyone : DataFrame
        All clients with the columns of `DESCRIBED`.
    key : DataFrame
        label and client of those in the series.
    least : int
        Fewest clients that must share a combination.
    most_facts : int
        Largest combination looked at.

    Returns
    -------
    DataFrame
        label, facts (words joined by " + "), n_sharing (clients of the caseload with all of them,
        this one included). Only combinations none of whose parts is already listed.
    """
    check_count("least", least, least=2)
    columns = [c for c in DESCRIBED if c in everyone.columns and everyone[c].notna().any()]
    frame = everyone[["client", *columns]].astype("str")
    labels = dict(zip(key["client"].astype(str), key["label"], strict=True))
    rows: list[dict[str, object]] = []
    found: dict[str, list[set[str]]] = {label: [] for label in labels.values()}
    for size in range(1, most_facts + 1):
        for facts in combinations(columns, size):
            known = frame[list(facts)].notna().all(axis=1)
            count = frame[known].groupby(list(facts))["client"].transform("size")
            for client, n in zip(frame.loc[count.index, "client"], count, strict=True):
                label = labels.get(str(client))
                if label is None or n >= least:
                    continue
                if any(part <= set(facts) for part in found[label]):
                    continue
                found[label].append(set(facts))
                words = " + ".join(DESCRIBED[fact] for fact in facts)
                rows.append({"label": label, "facts": words, "n_sharing": int(n)})
    return pd.DataFrame(rows, columns=["label", "facts", "n_sharing"]).sort_values(
        ["label", "n_sharing", "facts"], ignore_index=True
    )
