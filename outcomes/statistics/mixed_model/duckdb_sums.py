"""The sums of `partial_sums`, made by DuckDB from Parquet files in SQL."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import DataError, MissingExtraError
from outcomes.statistics.mixed_model.partial_sums import Recipe
from outcomes.statistics.mixed_model.reduction import Work

__all__ = ["duckdb_gram", "duckdb_sums"]

Array = NDArray[np.float64]


def _connection() -> Any:
    try:
        import duckdb
    except ImportError as error:
        raise MissingExtraError("Pooling Parquet files", "network") from error
    connection = duckdb.connect()
    connection.execute("SET preserve_insertion_order = false")
    return connection


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _product_sql(term: Sequence[str], recipe: Recipe) -> str:
    if not term:  # DuckDB 2.0 overflows when it adds up a column that it knows to be constant
        return f"1.0 + 0.0 * CAST({_quoted(recipe.response)} AS DOUBLE)"
    return " * ".join(f"CAST({_quoted(name)} AS DOUBLE)" for name in term)


def _source_sql(recipe: Recipe) -> tuple[str, str]:
    """Name the files, and the condition of a complete row."""
    missing = [
        f"{_quoted(name)} IS NOT NULL AND NOT isnan(CAST({_quoted(name)} AS DOUBLE))"
        for name in recipe.used
    ]
    return "read_parquet($files, union_by_name = true)", " AND ".join(missing)


def _run(connection: Any, sql: str, files: list[str]) -> Any:
    import duckdb

    try:
        return connection.execute(sql, {"files": files})
    except duckdb.Error as error:
        raise DataError(
            "the Parquet files must all have the columns of the formulas, as numbers. Check their "
            "names and types."
        ) from error


def duckdb_gram(files: list[str], recipe: Recipe) -> tuple[Array, int, list[str]]:
    """Sum products of [1, z, x, y] over all files, as `file_gram` does over one."""
    source, complete = _source_sql(recipe)
    terms = [(), *recipe.z, *recipe.x, (recipe.response,)]
    m = len(terms)
    pairs = [(i, j) for i in range(m) for j in range(i, m)]
    columns = ", ".join(f"{_product_sql(term, recipe)} AS a{i}" for i, term in enumerate(terms))
    products = ", ".join(f"sum(a{i} * a{j})" for i, j in pairs)
    infinite = ", ".join(
        f"coalesce(bool_or(isinf(CAST({_quoted(name)} AS DOUBLE))), false)" for name in recipe.used
    )
    connection = _connection()
    head = _run(
        connection,
        f"SELECT count(*), count({_quoted(recipe.group)}), {infinite} FROM {source}",
        files,
    ).fetchone()
    if head[1] < head[0]:
        raise DataError(
            f"group column {recipe.group} must be filled in; {head[0] - head[1]:,} of {head[0]:,} "
            f"rows are not. Fill it in, or remove these rows first."
        )
    bad = [name for name, flag in zip(recipe.used, head[2:], strict=True) if flag]
    total = np.zeros((m, m))
    if not bad:
        row = _run(
            connection,
            f"SELECT {products} FROM (SELECT {columns} FROM {source} WHERE {complete})",
            files,
        ).fetchone()
        for (i, j), value in zip(pairs, row, strict=True):
            total[i, j] = total[j, i] = 0.0 if value is None else value
    return total, int(head[0]), bad


def duckdb_sums(
    files: list[str], recipe: Recipe, work: Work
) -> tuple[pd.Series, NDArray[np.intp], Array, Array]:
    """Sum products of the working columns per client over all files, as `file_sums` does."""
    source, complete = _source_sql(recipe)
    q, p = len(recipe.z), len(recipe.x)

    def combination(weights: Array, names: Sequence[str]) -> str:
        parts = [f"({float(w)!r}) * {name}" for w, name in zip(weights, names, strict=True) if w]
        return " + ".join(parts) or "0.0"

    raw_z, raw_x = [f"rz{i}" for i in range(q)], [f"rx{i}" for i in range(p)]
    raw = ", ".join(
        f"{_product_sql(term, recipe)} AS {name}"
        for term, name in zip([*recipe.z, *recipe.x], [*raw_z, *raw_x], strict=True)
    )
    z = [f"{combination(work.turns[0][:, i], raw_z)} AS z{i}" for i in range(q)]
    x = [f"{combination(work.inverse[:, i], raw_x)} AS b{i}" for i in range(p)]
    fitted = combination(work.inverse @ work.start, raw_x)
    y = f"(y - ({fitted})) / ({work.scale!r}) AS b{p}"
    rows = f"""
        SELECT client, {", ".join([*z, *x, y])}
        FROM (SELECT {_quoted(recipe.group)} AS client, {raw},
                     CAST({_quoted(recipe.response)} AS DOUBLE) AS y
              FROM {source} WHERE {complete})
    """
    sums = []
    for i in range(q):
        sums += [f"sum(z{i} * z{j})" for j in range(i, q)]
        sums += [f"sum(z{i} * b{j})" for j in range(p + 1)]
    totals = [f"sum(b{i} * b{j})" for i in range(p + 1) for j in range(p + 1)]
    connection = _connection()
    named = ", ".join(f"{sql} AS s{i}" for i, sql in enumerate(sums))
    grouped = _run(
        connection,
        f"SELECT client, count(*) AS n, {named} FROM ({rows}) GROUP BY client",
        files,
    ).fetchnumpy()
    rr = np.array(_run(connection, f"SELECT {', '.join(totals)} FROM ({rows})", files).fetchone())
    keys = pd.Series(np.asarray(grouped["client"]))
    values = np.column_stack([np.asarray(grouped[f"s{i}"]) for i in range(len(sums))])
    return keys, np.asarray(grouped["n"]).astype(np.intp), values, rr.reshape(p + 1, p + 1)
