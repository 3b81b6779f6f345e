"""Numbering the groups of rows, nested levels included."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import DataError

__all__ = ["number_groups"]


def number_groups(
    frame: pd.DataFrame, path: tuple[str, ...]
) -> tuple[NDArray[np.intp], pd.DataFrame]:
    """Give the number of every row's group along `path`, and the key of every group.

    Groups are numbered so that those of one outer group are neighbours.
    """
    inner = cast(pd.Series, frame[path[-1]])
    if pd.api.types.is_integer_dtype(inner.dtype) and len(path) == 1:
        runs = _codes_of_runs(inner.to_numpy())
        if runs is not None:
            codes, heads = runs
            return codes, pd.DataFrame({path[0]: inner.to_numpy()[heads]})
    codes, labels = pd.factorize(inner)
    first = np.full(len(labels), -1, dtype=np.intp)
    first[codes[::-1]] = np.arange(len(codes) - 1, -1, -1)
    keys = cast(pd.DataFrame, frame[list(path)]).iloc[first].reset_index(drop=True)
    if len(path) == 1:
        return codes, keys
    for outer in path[:-1]:
        upper, _ = pd.factorize(frame[outer])
        crossed = upper != upper[first][codes]
        if crossed.any():
            n = np.unique(codes[crossed]).size
            raise DataError(
                f"{path[-1]} must lie within one {outer}; {n:,} of {len(labels):,} groups do not "
                f"(first at row {int(np.flatnonzero(crossed)[0])}). If labels are reused for "
                f"different {path[-1]}s, make them unique (join the two columns); groups that "
                f"truly cross need {outer} in the fixed part, as C({outer}), instead of in groups.",
                rows=np.flatnonzero(crossed).tolist(),
            )
    uppers = [pd.factorize(keys[outer])[0] for outer in path[:-1]]
    order = np.lexsort(uppers[::-1])
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    keys = keys.iloc[order].reset_index(drop=True)
    return place[codes], keys


def _codes_of_runs(values: NDArray[Any]) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """Codes where each group's rows stand together; None where they do not."""
    change = np.empty(values.size, dtype=bool)
    change[0] = True
    np.not_equal(values[1:], values[:-1], out=change[1:])
    heads = np.flatnonzero(change)
    found = values[heads]
    if not bool((found[1:] > found[:-1]).all()) and np.unique(found).size != heads.size:
        return None
    return np.cumsum(change) - 1, heads
