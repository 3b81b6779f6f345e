"""Who the clients were: the columns that results are adjusted for, as a numeric design.

Numbers are centred at their mean, so that the intercept speaks of the average client; words become
one column per value but the commonest. A column that is empty, constant or mostly empty is left
out and named: a clinic that does not record it can still compare.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import check_columns

__all__ = ["CaseMix", "case_mix"]

#: Columns that results are adjusted for where the clinic records them.
DEFAULT_ADJUSTMENT = ("start_value", "age", "onset_weeks", "complaint")


@dataclass(frozen=True, eq=False)
class CaseMix:
    """A design without intercept for the rows kept, and what was left out."""

    kept: np.ndarray
    design: np.ndarray
    terms: tuple[str, ...]
    notes: tuple[str, ...]


def case_mix(rows: pd.DataFrame, *, adjust_for: Sequence[str]) -> CaseMix:
    """Turn the columns to adjust for into numbers.

    Parameters
    ----------
    rows : DataFrame
        One row per episode.
    adjust_for : sequence of str
        Columns; those absent from `rows` are refused unless they are in the usual set (start
        value, age, weeks of symptoms, complaint), which is used as far as it is recorded.

    Returns
    -------
    CaseMix
        Rows without a value in a column that is used are not kept; notes count them.
    """
    check_columns(rows, [name for name in adjust_for if name not in DEFAULT_ADJUSTMENT])
    notes: list[str] = []
    usable = []
    for name in adjust_for:
        if name not in rows or rows[name].notna().mean() < 0.5:
            notes.append(f"Not adjusted for {_words(name)}: recorded for less than half.")
        elif rows[name].nunique() < 2:
            notes.append(f"Not adjusted for {_words(name)}: the same for everyone.")
        else:
            usable.append(name)
    kept = rows[usable].notna().all(axis=1).to_numpy(bool) if usable else np.ones(len(rows), bool)
    if not kept.all():
        notes.append(
            f"{(~kept).sum()} of {kept.size} episodes left out: a value to adjust for is missing."
        )
    columns, terms = [], []
    for name in usable:
        for term, column in _numeric(rows.loc[kept, name], name):
            if np.ptp(column) > 0:
                columns.append(column)
                terms.append(term)
    design = np.column_stack(columns) if columns else np.empty((int(kept.sum()), 0))
    keep = _independent(design)
    return CaseMix(kept, design[:, keep], tuple(np.array(terms)[keep]), tuple(notes))


def _numeric(column: pd.Series, name: str) -> list[tuple[str, np.ndarray]]:
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        values = column.to_numpy(float)
        if name == "onset_weeks" and values.min() >= 0:
            values = np.log1p(values)
        return [(name, values - values.mean())]
    words = column.astype("str")
    common = words.value_counts().index
    return [(f"{name}: {word}", _centred(words == word)) for word in common[1:]]


def _centred(flags: pd.Series) -> np.ndarray:
    values = flags.to_numpy(float)
    return values - values.mean()


def _independent(design: np.ndarray) -> list[int]:
    """Keep columns in order, dropping those that earlier ones (and the intercept) explain."""
    kept: list[int] = []
    basis = np.ones((design.shape[0], 1)) / np.sqrt(max(design.shape[0], 1))
    for j in range(design.shape[1]):
        column = design[:, j] / np.linalg.norm(design[:, j])
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size > 1e-8:
            kept.append(j)
            basis = np.column_stack([basis, rest / size])
    return kept


def _words(name: str) -> str:
    return name.replace("_", " ")
