"""What can be wrong with the data of a mixed model, refused in one sentence each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import DataError, Faults, rows_must

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.design import Design

__all__ = ["as_numbers", "check_cells", "check_design"]


def _text_that_should_beas_numbers(column: pd.Series) -> NDArray[np.bool_] | None:
    """Rows of a text column that are not numbers, where most of its values are."""
    if pd.api.types.is_numeric_dtype(column.dtype) or isinstance(column.dtype, pd.CategoricalDtype):
        return None
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return np.ones(len(column), dtype=bool)
    distinct = pd.Series(column.dropna().unique())
    numbers = ~np.isnan(as_numbers(distinct))
    if numbers.sum() >= 2 and (not numbers.all() or numbers.sum() > 10):
        bad = ~column.isin(distinct.to_numpy()[numbers]).to_numpy()
        return bad if bad.any() else np.ones(len(column), dtype=bool)
    return None


def as_numbers(column: pd.Series) -> NDArray[np.float64]:
    """Read a column as numbers, not-a-number where it is not one."""
    read = cast(pd.Series, pd.to_numeric(column, errors="coerce"))
    return read.to_numpy(dtype=float, na_value=np.nan)


def check_cells(
    data: pd.DataFrame, columns: Sequence[str], response: Sequence[str], groups: Sequence[str]
) -> None:
    """Refuse missing groups, text among numbers, and infinite values, all at once."""
    faults = Faults()
    for name in groups:
        faults.add_if(
            pd.isna(data[name]),
            f"group column {name}",
            "be filled in",
            "Fill it in, or remove these rows first",
        )
    for name in columns:
        column = cast(pd.Series, data[name])
        if name in response and not pd.api.types.is_numeric_dtype(column.dtype):
            bad = np.isnan(as_numbers(column)) & column.notna().to_numpy()
            broken = bad if bad.any() else np.ones(len(column), dtype=bool)
        else:
            text = _text_that_should_beas_numbers(column)
            if text is not None and not pd.api.types.is_datetime64_any_dtype(column.dtype):
                text = text & column.notna().to_numpy()
            broken = np.zeros(len(column), dtype=bool) if text is None else text
        remedy = "Correct the cells, or convert the column with pandas.to_numeric"
        faults.add_if(broken, name, "hold numbers, not text or dates", remedy)
        if pd.api.types.is_float_dtype(column.dtype):
            values = column.to_numpy(dtype=float, na_value=np.nan)
            faults.add_if(np.isinf(values), name, "be finite", "Correct or empty the cells")
    faults.raise_if_any()


def check_design(design: Design) -> None:
    """Refuse a design that no estimate can come from, all reasons at once."""
    faults = Faults()
    for columns, owner in [(design.x, "a column of the fixed part")] + [
        (level.z, f"a random term of {level.name}") for level in design.levels
    ]:
        for column in columns:
            total = float(column.sum())
            if not np.isfinite(total) and not np.isfinite(column).all():
                faults.add(
                    rows_must(
                        owner,
                        "be finite after its function is applied",
                        ~np.isfinite(column),
                        "Check the formula and these rows",
                    )
                )
    if not np.isfinite(design.y).all():
        faults.add(
            rows_must(
                "the outcome", "be finite", ~np.isfinite(design.y), "Check the formula and the rows"
            )
        )
    faults.raise_if_any()
    if np.ptp(design.y) == 0.0:
        faults.add(DataError("the outcome must vary; all its values are equal."))
    if design.n_rows <= len(design.x):
        faults.add(
            DataError(
                f"the data must have more complete rows than the fixed part has columns "
                f"({len(design.x)}); there are {design.n_rows}."
            )
        )
    for level in design.levels:
        if level.n_groups < 2:
            faults.add(
                DataError(
                    f"{level.name} must have at least two groups; there is one. For a single "
                    f"client use a regression or the single-case statistics."
                )
            )
    if design.levels:
        inner = design.levels[0]
        counts = np.bincount(inner.codes)
        if counts.max() == 1:
            faults.add(
                DataError(
                    f"each {inner.name} must have several rows; every one has a single row, so "
                    f"that differences between groups and error cannot be told apart. Use an "
                    f"ordinary regression."
                )
            )
        elif counts.max() < len(inner.terms) or (
            len(inner.terms) > 1 and counts.max() == len(inner.terms)
        ):
            faults.add(
                DataError(
                    f"the random terms of {inner.name} ({len(inner.terms)}) must be fewer than the "
                    f"rows of at least one group; the longest has {counts.max()}. Drop random "
                    f"terms."
                )
            )
    faults.raise_if_any()
