"""Hiding small counts in a table, so that its totals cannot give them back.

Notation: the table has R rows and C columns of counts, and may have a row and a column of totals.
Hidden cells are unknowns x >= 0, everything shown is a known number, and every row and column must
add up to its total. A hidden cell is safe if x can still take several values, found by linear
programming: its smallest and its largest value under these equations.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_columns, check_count, rows_must

__all__ = ["hidden_ranges", "hide_small_counts"]

#: A hidden count must be able to take at least so many values besides its own.
LEAST_SPREAD = 2


def hide_small_counts(
    table: pd.DataFrame,
    *,
    below: int = 10,
    counts: Sequence[str] | None = None,
    total: str = "total",
    totals_known: bool = False,
    dependents: Mapping[str, Iterable[str]] | None = None,
) -> pd.DataFrame:
    """Hide counts from 1 to `below` - 1, and as many more as keep totals from giving them back.

    Use for every table that leaves the clinic. A single practitioner's caseload can be recognised
    by people who know the place even above such counts.

    Parameters
    ----------
    table : DataFrame
        One row per group, with columns of counts (whole numbers of zero or more) and others. The
        counts of a row add up to something only if a column is called `total`; likewise those of
        a column if a row is.
    below : int
        Counts from 1 to one less than this are hidden; zero is shown.
    counts : sequence of str, optional
        Columns of counts; all columns of whole numbers when left out.
    total : str
        Name of the column of row totals, and text in the first column that is no count that
        marks the row of column totals.
    totals_known : bool
        The totals stand elsewhere, so they are taken as known although the table lacks them.
    dependents : mapping of str to columns, optional
        Columns computed from a count (shares, rates, intervals), hidden where it is hidden.

    Returns
    -------
    DataFrame
        The same table; hidden counts are missing (``Int64``), dependents missing.

    Raises
    ------
    DataError
        If a column is absent, a count is no whole number of zero or more, or totals do not add
        up.

    Notes
    -----
    Secondary suppression: while a hidden count could be narrowed down to fewer than three values
    from what is shown, the smallest shown count of its row or column is hidden too.

    References
    ----------
    Willenborg and de Waal 2001, Elements of Statistical Disclosure Control, ch. 4 (secondary
    suppression). The limit of 10 is that of US health data (counts 1 to 10 or 1 to 9 hidden).

    Examples
    --------
    >>> table = pd.DataFrame({"site": ["hall", "field", "total"], "better": [3, 40, 43],
    ...                       "same": [20, 30, 50], "total": [23, 70, 93]})
    >>> hide_small_counts(table).astype(object).where(lambda t: t.notna(), "hidden").values.tolist()
    [['hall', 'hidden', 'hidden', 23], ['field', 'hidden', 'hidden', 70], ['total', 43, 50, 93]]

    Checked against: linear programming on random tables, tests/records/test_small_counts.py.
    """
    check_count("below", below, least=2, remedy="Give 10")
    names = _count_columns(table, counts, dependents)
    known = _checked(table, names)
    label = next((name for name in table.columns if name not in names), None)
    is_total = np.zeros(len(table), dtype=bool)
    if label is not None:
        is_total = (table[label].astype("str").str.casefold() == total.casefold()).to_numpy()
        is_total = is_total.astype(bool)
    inner = [name for name in names if name != total]
    order = np.r_[np.flatnonzero(~is_total), np.flatnonzero(is_total)[:1]]
    grid = known[np.ix_(order, [names.index(name) for name in inner])]
    row_totals = known[order, names.index(total)] if total in names else None
    full = _with_margins(grid, row_totals, bool(is_total.any()))
    unknown = np.zeros(full.shape, dtype=bool)
    if not totals_known:
        unknown[-1] = not is_total.any()
        unknown[:, -1] |= row_totals is None
    hidden = _protected(full, unknown, below)

    safe = table.copy()
    mask = np.zeros(known.shape, dtype=bool)
    rows, columns = len(order), len(inner)
    mask[np.ix_(order, [names.index(name) for name in inner])] = hidden[:rows, :columns]
    if total in names:
        mask[order, names.index(total)] = hidden[:rows, columns]
    for j, name in enumerate(names):
        safe[name] = pd.array(known[:, j], dtype="Int64")
        safe[name] = safe[name].mask(mask[:, j])
        for other in (dependents or {}).get(name, ()):
            whole = pd.api.types.is_integer_dtype(safe[other])
            safe[other] = (safe[other].astype("Int64") if whole else safe[other]).mask(mask[:, j])
    return safe


def _count_columns(
    table: pd.DataFrame,
    counts: Sequence[str] | None,
    dependents: Mapping[str, Iterable[str]] | None,
) -> list[str]:
    led = {name for others in (dependents or {}).values() for name in others}
    if counts is None:
        counts = [
            name
            for name in table.columns
            if pd.api.types.is_integer_dtype(table[name]) and name not in led
        ]
    check_columns(table, [*counts, *(dependents or {}), *led], thing="the table of counts")
    if not counts:
        raise DataError("the table must have a column of counts. Name it in counts.")
    return list(counts)


def _checked(table: pd.DataFrame, names: list[str]) -> np.ndarray:
    columns = []
    for name in names:
        values = np.array([_number(cell) for cell in table[name].tolist()], dtype=float)
        bad = ~((values >= 0) & (values == np.round(values)))
        if bad.any():
            raise rows_must(
                name, "be a whole number of zero or more", bad, "Hide counts from the whole table"
            )
        columns.append(values)
    return np.column_stack(columns)


def _number(cell: object) -> float:
    return float(cell) if isinstance(cell, (int, float, np.number)) else np.nan


def _with_margins(
    grid: np.ndarray, row_totals: np.ndarray | None, has_total_row: bool
) -> np.ndarray:
    """Complete a grid with the row and column of totals that it lacks."""
    body = grid[:-1] if has_total_row else grid
    bottom = grid[-1] if has_total_row else body.sum(axis=0)
    full = np.vstack([body, bottom])
    right = full.sum(axis=1)
    shown = right[: len(grid)] if row_totals is None else row_totals
    if not (np.array_equal(bottom, body.sum(axis=0)) and np.array_equal(shown, right[: len(grid)])):
        raise DataError("totals must be the sums of their counts. Correct them, or leave them out.")
    return np.column_stack([full, right])


def _protected(full: np.ndarray, unknown: np.ndarray, below: int) -> np.ndarray:
    """Mark the cells to hide; the unknown ones are totals that nobody sees."""
    hidden = unknown | ((full > 0) & (full < below))
    while (cell := _open_cell(full, hidden, unknown)) is not None:
        more = _one_more(full, hidden, *cell)
        if more is None:
            break
        hidden[more] = True
    return hidden


def _open_cell(full: np.ndarray, hidden: np.ndarray, unknown: np.ndarray) -> tuple[int, int] | None:
    """Find a hidden cell that what is shown narrows down too far, if there is one."""
    cells = np.argwhere(hidden)
    mine = ~unknown[hidden]
    if not mine.any():
        return None
    alone = (hidden.sum(axis=1)[cells[:, 0]] == 1) | (hidden.sum(axis=0)[cells[:, 1]] == 1)
    alone &= mine
    if not alone.any():  # the quick test finds nothing any more: the thorough one
        low, high = hidden_ranges(full, hidden)
        alone = mine & (high - low < LEAST_SPREAD - 1e-6)
    if not alone.any():
        return None
    row, column = cells[np.flatnonzero(alone)[0]]
    return int(row), int(column)


def _one_more(
    full: np.ndarray, hidden: np.ndarray, row: int, column: int
) -> tuple[int, int] | None:
    """Choose the shown cell to hide next: in a line where the hidden cell stands alone, else any.

    Small counts go first, and cells whose other line has hidden cells already: they close a
    rectangle, and no further cell is needed there.
    """
    in_row = [(row, j) for j in range(full.shape[1]) if not hidden[row, j]]
    in_column = [(i, column) for i in range(full.shape[0]) if not hidden[i, column]]
    if hidden[row].sum() == 1 and in_row:
        choices = in_row
    elif hidden[:, column].sum() == 1 and in_column:
        choices = in_column
    else:
        choices = in_row + in_column

    def cost(cell: tuple[int, int]) -> tuple[bool, bool, float]:
        i, j = cell
        crossing = hidden[:, j].any() if i == row else hidden[i].any()
        margin = i == full.shape[0] - 1 or j == full.shape[1] - 1
        return bool(margin), not crossing, float(full[cell])

    return min(choices, key=cost, default=None)


def hidden_ranges(full: np.ndarray, hidden: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Find the smallest and largest value that each hidden cell can have, given all the others.

    Parameters
    ----------
    full : array (rows + 1, columns + 1)
        Counts with their totals in the last row and column.
    hidden : array of bool, same shape
        Cells that are not shown.

    Returns
    -------
    tuple of two arrays
        One number per hidden cell, in the order of ``argwhere(hidden)``.

    Examples
    --------
    >>> full = np.array([[3., 20., 23.], [40., 30., 70.], [43., 50., 93.]])
    >>> hidden = np.zeros((3, 3), dtype=bool)
    >>> hidden[:2, :2] = True
    >>> low, high = hidden_ranges(full, hidden)
    >>> low.tolist(), high.tolist()
    ([0.0, 0.0, 20.0, 27.0], [23.0, 23.0, 43.0, 50.0])
    """
    from scipy.optimize import linprog

    cells = np.argwhere(hidden)
    rows, columns = full.shape
    number = np.full(hidden.shape, -1)
    number[hidden] = np.arange(len(cells))
    sign_row = np.r_[np.ones(columns - 1), -1.0]
    sign_column = np.r_[np.ones(rows - 1), -1.0]
    equations, known = [], []
    for i in range(rows):
        equations.append(_equation(number[i], sign_row, len(cells)))
        known.append(-float((sign_row * np.where(hidden[i], 0.0, full[i])).sum()))
    for j in range(columns):
        equations.append(_equation(number[:, j], sign_column, len(cells)))
        known.append(-float((sign_column * np.where(hidden[:, j], 0.0, full[:, j])).sum()))
    matrix, right = np.array(equations), np.array(known)
    used = np.abs(matrix).sum(axis=1) > 0
    low, high = full[hidden].copy(), full[hidden].copy()
    for k in range(len(cells)):
        goal = np.zeros(len(cells))
        goal[k] = 1.0
        for sign, end in ((1.0, low), (-1.0, high)):
            found = linprog(sign * goal, A_eq=matrix[used], b_eq=right[used], bounds=(0, None))
            if found.status == 0:
                end[k] = found.x[k]
            elif found.status == 3:  # without bound
                end[k] = np.inf if sign < 0 else 0.0
    return low, high


def _equation(numbers: np.ndarray, signs: np.ndarray, n: int) -> np.ndarray:
    row = np.zeros(n)
    row[numbers[numbers >= 0]] = signs[numbers >= 0]
    return row
