"""From a frame and formulas to checked columns: the design of a mixed model.

Everything that can be wrong with the data is refused here, before anything is estimated, and in
one sentence each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ArgumentError, DataError, check_columns
from outcomes.statistics.mixed_model.checking import check_cells, check_design
from outcomes.statistics.mixed_model.grouping import number_groups

__all__ = [
    "Design",
    "RandomLevel",
    "build_design",
    "columns_for",
    "constant_within",
    "group_names",
    "random_terms",
]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class RandomLevel:
    """One level of grouping.

    Attributes
    ----------
    name : str
        Column that names the groups of this level.
    path : tuple of str
        Columns from the outermost level down to this one.
    formula : str
        Random terms.
    spec : object
        Model specification that rebuilds the terms for new rows.
    terms : tuple of str
        Names of the random terms.
    correlated : bool
        Whether the terms of a group may be correlated.
    z : tuple of arrays
        One array per random term, in the order of the kept rows.
    codes : array of int
        Group of every kept row, 0 .. n_groups - 1; groups of one outer group are neighbours.
    keys : pandas.DataFrame
        Columns of `path`, one row per group.
    outer_starts : array of int or None
        First group of every group of the next outer level; None at the outermost level.
    """

    name: str
    path: tuple[str, ...]
    formula: str
    spec: Any
    terms: tuple[str, ...]
    correlated: bool
    z: tuple[Array, ...]
    codes: NDArray[np.intp]
    keys: pd.DataFrame
    outer_starts: NDArray[np.intp] | None

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return len(self.keys)

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """Free entries of the covariance matrix, row by row of its lower triangle."""
        q = len(self.terms)
        if not self.correlated:
            return tuple((a, a) for a in range(q))
        return tuple((a, b) for a in range(q) for b in range(a + 1))


@dataclass(frozen=True)
class Design:
    """Checked columns of one model; levels from the innermost outwards."""

    formula: str
    response: str
    y: Array
    x: tuple[Array, ...]
    x_names: tuple[str, ...]
    x_spec: Any
    levels: tuple[RandomLevel, ...]
    groups: tuple[str, ...]
    inner_codes: NDArray[np.intp]
    n_clients: int
    kept: NDArray[np.intp]
    n_dropped: int
    frame: pd.DataFrame
    pooled_rows: int | None = None

    @property
    def n_rows(self) -> int:
        """Rows that the model uses (`pooled_rows` where only their sums are at hand)."""
        return self.y.size if self.pooled_rows is None else self.pooled_rows


def group_names(groups: str | Sequence[str]) -> tuple[str, ...]:
    """Column names of the levels, from outer to inner."""
    names = (groups,) if isinstance(groups, str) else tuple(groups)
    if not names or len(set(names)) != len(names):
        raise ArgumentError(
            f"groups must name one column, or several different ones from outer to inner, got "
            f"{groups!r}."
        )
    return names


def random_terms(
    random: str | Sequence[str] | Mapping[str, str] | None, names: Sequence[str]
) -> dict[str, str]:
    """Give the formula of the random terms of every level that has some."""
    if random is None:
        return {}
    if isinstance(random, str):
        return {name: "1" for name in names[:-1]} | {names[-1]: random}
    if isinstance(random, Mapping):
        unknown = [name for name in random if name not in names]
        if unknown:
            raise ArgumentError(
                f"random must give terms for columns of groups, got {', '.join(unknown)}. "
                f"The groups are {', '.join(names)}."
            )
        return {name: random[name] for name in names if name in random}
    given = list(random)
    if len(given) != len(names):
        raise ArgumentError(
            f"random must give one formula per group ({len(names)}), got {len(given)}."
        )
    return dict(zip(names, given, strict=True))


@lru_cache(maxsize=256)
def _parsed(text: str) -> Any:
    from formulaic import Formula

    make: Any = Formula
    return make(text)


def _formula(text: str, name: str, two_sided: bool) -> Any:
    try:
        formula = _parsed(text)
    except Exception as error:
        raise ArgumentError(
            f"{name} must be a formula such as {'value ~ week' if two_sided else '1 + week'!r}, "
            f"got {text!r}."
        ) from error
    if two_sided != hasattr(formula, "lhs"):
        side = "must have one side left of ~" if two_sided else "must have no ~"
        raise ArgumentError(f"{name} {side}, got {text!r}.")
    return formula


def _variables(formula: Any, frame: pd.DataFrame) -> list[str]:
    """Columns of the frame that a formula uses."""
    needed = formula.required_variables
    return [str(name) for name in needed]


def _columns(matrix: pd.DataFrame) -> tuple[Array, ...]:
    return tuple(np.ascontiguousarray(row) for row in matrix.to_numpy(dtype=float).T)


def _matrix(formula: Any, frame: pd.DataFrame, name: str) -> Any:
    from formulaic import model_matrix
    from formulaic.errors import FormulaicError

    try:
        return model_matrix(formula, frame, na_action="ignore")
    except (FormulaicError, TypeError, ValueError, KeyError, ArithmeticError) as error:
        raise ArgumentError(
            f"{name} must be computable from the columns of the data, and is not: "
            f"{type(error).__name__}. Check the functions and names in it."
        ) from error


def _random_columns(
    parsed: Any, frame: pd.DataFrame, name: str, fixed: Any, x: tuple[Array, ...]
) -> tuple[Any, tuple[Array, ...]]:
    """Specification and columns of random terms, shared with the fixed part where it has them.

    Terms of factors are built anew, because their coding depends on the other terms.
    """
    spec = fixed.model_spec
    numeric = all(pd.api.types.is_numeric_dtype(frame[v].dtype) for v in parsed.required_variables)
    if numeric and not spec.factor_contrasts and all(term in spec.terms for term in parsed):
        part = spec.subset(parsed)
        where = [spec.column_names.index(column) for column in part.column_names]
        return part, tuple(x[i] for i in where)
    matrix = _matrix(parsed, frame, f"random terms of {name}")
    matrix = getattr(matrix, "rhs", matrix)
    return matrix.model_spec, _columns(matrix)


def columns_for(spec: Any, new: pd.DataFrame, *, thing: str = "the new rows") -> Array:
    """Columns of a fitted specification for new rows, as (rows, columns)."""
    import warnings

    from formulaic.errors import DataMismatchWarning, FormulaicError

    check_columns(new, [str(v) for v in spec.required_variables], thing=thing)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", DataMismatchWarning)
            matrix = spec.get_model_matrix(new, na_action="ignore")
    except (FormulaicError, DataMismatchWarning, TypeError, ValueError, KeyError) as error:
        raise DataError(
            f"{thing} must use the same factor levels and kinds of columns as the data of the fit."
            f" Check the columns {', '.join(sorted(map(str, spec.required_variables)))}."
        ) from error
    return np.asarray(matrix.to_numpy(dtype=float))


def build_design(
    data: pd.DataFrame,
    formula: str,
    *,
    groups: str | Sequence[str],
    random: str | Sequence[str] | Mapping[str, str] | None,
    correlated: bool = True,
    extra: Sequence[str] = (),
) -> Design:
    """Read the formulas, check the data, drop incomplete rows and number the groups.

    `extra` names further columns that a complete row must have (weights, times, instruments).
    """
    names = group_names(groups)
    fixed = _formula(formula, "formula", True)
    terms = {
        name: (text, _formula(text, f"random terms of {name}", False))
        for name, text in random_terms(random, names).items()
    }
    used = list(dict.fromkeys(_variables(fixed, data)))
    for _, parsed in terms.values():
        used += [name for name in _variables(parsed, data) if name not in used]
    used += [name for name in extra if name not in used]
    check_columns(data, [*names, *used], thing="the data")
    response = [str(name) for name in fixed.lhs.required_variables]
    check_cells(data, used, response, names)
    frame = cast(pd.DataFrame, data[list(dict.fromkeys([*names, *used]))])
    complete = np.ones(len(frame), dtype=bool)
    for name in used:
        complete &= ~np.asarray(pd.isna(frame[name]), dtype=bool)
    kept = np.flatnonzero(complete)
    n_dropped = len(frame) - kept.size
    if n_dropped:
        frame = frame.iloc[kept]
    if kept.size == 0:
        raise DataError("the data must have rows without missing values; none has.")
    matrices = _matrix(fixed, frame, "formula")
    if matrices.lhs.shape[1] != 1:
        raise ArgumentError("the left side of formula must be one numeric column.")
    y = matrices.lhs.iloc[:, 0].to_numpy(dtype=float)
    x = _columns(matrices.rhs)
    levels = []
    for depth in range(len(names), 0, -1):
        name = names[depth - 1]
        if name not in terms:
            continue
        text, parsed = terms[name]
        path = names[:depth]
        spec, columns = _random_columns(parsed, frame, name, matrices.rhs, x)
        codes, keys = number_groups(frame, path)
        levels.append(
            RandomLevel(
                name=name,
                path=path,
                formula=text,
                spec=spec,
                terms=tuple(map(str, spec.column_names)),
                correlated=correlated,
                z=columns,
                codes=codes,
                keys=keys,
                outer_starts=None,
            )
        )
    nested = _nest(levels)
    if nested and nested[0].name == names[-1]:
        inner_codes, n_clients = nested[0].codes, nested[0].n_groups
    else:
        inner_codes, keys = number_groups(frame, names)
        n_clients = len(keys)
    design = Design(
        formula=formula,
        response=str(matrices.lhs.columns[0]),
        y=y,
        x=x,
        x_names=tuple(map(str, matrices.rhs.columns)),
        x_spec=matrices.rhs.model_spec,
        levels=nested,
        groups=names,
        inner_codes=inner_codes,
        n_clients=n_clients,
        kept=kept,
        n_dropped=n_dropped,
        frame=frame,
    )
    check_design(design)
    return design


def _nest(levels: list[RandomLevel]) -> tuple[RandomLevel, ...]:
    """Say for every level where each group of the next outer level begins."""
    from dataclasses import replace

    out = list(levels)
    for i, level in enumerate(levels[:-1]):
        outer = levels[i + 1]
        first = np.full(level.n_groups, -1, dtype=np.intp)
        first[level.codes[::-1]] = np.arange(level.codes.size - 1, -1, -1)
        upper = outer.codes[first]
        starts = np.flatnonzero(np.r_[True, upper[1:] != upper[:-1]])
        out[i] = replace(level, outer_starts=starts)
        # Number the outer groups in the order in which the inner groups run.
        place = np.empty(outer.n_groups, dtype=np.intp)
        place[upper[starts]] = np.arange(outer.n_groups)
        back = np.empty_like(place)
        back[place] = np.arange(outer.n_groups)
        levels[i + 1] = out[i + 1] = replace(
            outer,
            codes=place[outer.codes],
            keys=outer.keys.iloc[back].reset_index(drop=True),
        )
    return tuple(out)


def constant_within(design: Design, level: RandomLevel) -> int:
    """Count the fixed columns that do not change within any group of a level."""
    order = np.argsort(level.codes, kind="stable")
    codes = level.codes[order]
    same = codes[1:] == codes[:-1]
    return sum(
        not bool(np.any((column[order][1:] != column[order][:-1]) & same)) for column in design.x
    )
