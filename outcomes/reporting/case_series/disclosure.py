"""Which facts together would let a reader recognise a client.

A reader of a case series from a small place may know someone of that age, sex, complaint and side.
The count that matters is how many clients of the whole caseload share the facts printed about one.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations

import numpy as np
import pandas as pd

from outcomes.errors import check_choice, check_count

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
    everyone: pd.DataFrame,
    key: pd.DataFrame,
    *,
    facts: Iterable[str] = tuple(DESCRIBED),
    least: int = 3,
    most_facts: int = 3,
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
    facts : iterable of str
        Facts that are printed, of the keys of `DESCRIBED`.
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
    wanted = [check_choice("facts", fact, DESCRIBED) for fact in facts]
    columns = [c for c in DESCRIBED if c in wanted and bool(np.any(everyone[c].notna()))]
    if not columns:
        return pd.DataFrame(columns=["label", "facts", "n_sharing"])
    frame = everyone[["client", *columns]].astype("str")
    labels = dict(zip(key["client"].astype(str), key["label"], strict=True))
    rows: list[dict[str, object]] = []
    found: dict[str, list[set[str]]] = {label: [] for label in labels.values()}
    for size in range(1, most_facts + 1):
        for some in combinations(columns, size):
            known = frame[list(some)].notna().all(axis=1)
            count = frame[known].groupby(list(some))["client"].transform("size")
            for client, n in zip(frame.loc[count.index, "client"], count, strict=True):
                label = labels.get(str(client))
                if label is None or n >= least:
                    continue
                if any(part <= set(some) for part in found[label]):
                    continue
                found[label].append(set(some))
                words = " + ".join(DESCRIBED[fact] for fact in some)
                rows.append({"label": label, "facts": words, "n_sharing": int(n)})
    rows += _all_facts(frame, columns, labels, found, least)
    return pd.DataFrame(rows, columns=["label", "facts", "n_sharing"]).sort_values(
        ["label", "n_sharing", "facts"], ignore_index=True
    )


def _all_facts(
    frame: pd.DataFrame,
    columns: list[str],
    labels: dict[str, str],
    found: dict[str, list[set[str]]],
    least: int,
) -> list[dict[str, object]]:
    """Clients whom no short combination singles out, but the whole line of Table 1 does."""
    count = frame.groupby(columns, dropna=False)["client"].transform("size")
    rows: list[dict[str, object]] = []
    for client, n in zip(frame["client"], count, strict=True):
        label = labels.get(str(client))
        if label is not None and n < least and not found[label]:
            words = "all facts of Table 1 together"
            rows.append({"label": label, "facts": words, "n_sharing": int(n)})
    return rows
