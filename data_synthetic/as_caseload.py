"""Made tables as a checked caseload, without files: for simulations that need hundreds of them.

It gives what reading the written folder gives (a test holds the two together): item answers are
scored and their totals stand among the measurements.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.measures.questionnaires import score_forms
from outcomes.records.caseload import Caseload

__all__ = ["as_caseload"]


def as_caseload(tables: dict[str, pd.DataFrame]) -> Caseload:
    """Give the tables of `make_caseload` as a caseload with an empty ledger."""
    found = {}
    for name, frame in tables.items():
        rows = pd.array(np.arange(2, len(frame) + 2), dtype="Int64")
        found[name] = frame.assign(
            source_file=pd.Series(f"{name}.csv", index=frame.index, dtype="str"), source_row=rows
        )
    found["measurements"] = pd.concat(
        [found["measurements"], _totals(found["answers"])], ignore_index=True
    )
    return Caseload(tables=found)


def _totals(answers: pd.DataFrame) -> pd.DataFrame:
    key = ["client", "episode", "visit"]
    scores = score_forms(answers).dropna(subset=["value"])
    first = answers.drop_duplicates([*key, "questionnaire"])
    first = first.rename(columns={"questionnaire": "measure"})
    scores = scores[[*key, "measure", "value", "unit"]].merge(
        first[[*key, "measure", "date", "source_file", "source_row"]],
        on=[*key, "measure"],
        how="left",
    )
    words = {"side": "midline", "moment": "before", "instrument": "items"}
    for name, word in words.items():
        scores[name] = pd.Series(word, index=scores.index, dtype="str")
    return scores.assign(trial=pd.array([1] * len(scores), dtype="Int64"))
