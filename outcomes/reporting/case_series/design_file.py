"""The draw of a randomised case series, as a short TOML file beside the records.

drawn = "start"            # what was drawn at random before the series began:
                           #   "start": each client's start, independently of the others
                           #   "order of starts": who of the clients got which fixed start
                           #   "condition": baseline or treatment, visit by visit
                           #   "order of pairs": the order of both within each pair of visits
                           #   "change points": the ends of all phases
least_baseline = 3         # fewest visits in a baseline; also least_treatment
shared_starts = [4, 6, 8]  # of "order of starts": numbers of baseline visits, one per client
treated = 6                # of "condition": treated visits; also most_in_a_row
phases = 4                 # of "change points"

[starts]                   # of "start", only where not every visit could be drawn
C012 = [4, 6, 8]           # by client code: numbers of baseline visits
"""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.errors import DataError, Faults
from outcomes.statistics.single_case.recorded_design import DRAWN, RecordedDesign

__all__ = ["read_design", "with_labels"]

_WHOLE = ("least_baseline", "least_treatment", "treated", "most_in_a_row", "phases")


def read_design(path: str | Path) -> RecordedDesign | None:
    """Read what was drawn; None without a file.

    Raises
    ------
    DataError
        If the file cannot be read, with every fault of its content.

    Examples
    --------
    >>> read_design("") is None
    True
    """
    if not str(path):
        return None
    name = Path(path).name
    try:
        given = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        raise DataError(
            f"{name} must be a TOML file that says what was drawn; it cannot be read. Check its "
            f"name, quotes and brackets."
        ) from None
    faults = Faults()
    for key in sorted(set(given) - {f.name for f in fields(RecordedDesign)}):
        faults.add(DataError(f"{name}: there is no setting {key}. Take the line out."))
    if given.get("drawn") not in DRAWN:
        faults.add(DataError(f"{name}: drawn must be one of {', '.join(DRAWN)}. Give one of them."))
    for key in _WHOLE:
        if key in given and not _whole(given[key]):
            faults.add(DataError(f"{name}: {key} must be a whole number of at least 1."))
    shared, starts = given.get("shared_starts", []), given.get("starts", {})
    if not _wholes(shared):
        faults.add(
            DataError(f"{name}: shared_starts must be a list of whole numbers of at least 1.")
        )
    if not (isinstance(starts, dict) and all(_wholes(list_) for list_ in starts.values())):
        faults.add(
            DataError(
                f"{name}: starts must give each client a list of whole numbers of at least 1."
            )
        )
    faults.raise_if_any()
    return RecordedDesign(
        **{key: value for key, value in given.items() if key not in ("shared_starts", "starts")},
        shared_starts=tuple(shared),
        starts={client: tuple(list_) for client, list_ in starts.items()},
    )


def with_labels(design: RecordedDesign, key: pd.DataFrame) -> RecordedDesign:
    """Put the labels of a case series in place of client codes."""
    labels = dict(zip(key["client"].astype(str), key["label"], strict=True))
    return replace(
        design, starts={labels[c]: list_ for c, list_ in design.starts.items() if c in labels}
    )


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 1


def _wholes(values: Any) -> bool:
    return isinstance(values, list) and all(_whole(value) for value in values)
