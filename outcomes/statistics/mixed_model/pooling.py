"""Caseloads larger than memory: per-client sums add up, wherever they are made.

Two passes over the files. The first sums products of all columns over all rows, which gives the
working units (`reduction.work_from_gram`); the second sums products of the working columns per
client. Both are sums over rows, so that files, threads and machines can each do a part:

- DuckDB reads Parquet files on one machine, in SQL (the default);
- with a `dask.distributed` client each file is reduced where a worker can read it, by `file_gram`
  and `file_sums`, and the parts are added up by `add_sums`.

Designs are limited to what both can compute exactly: numeric columns and their products, one level
of groups, independent residuals.
"""

from __future__ import annotations

import glob
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ArgumentError, DataError, MissingExtraError, ModelError
from outcomes.statistics.mixed_model.design import Design, build_design, group_names
from outcomes.statistics.mixed_model.fit import finish
from outcomes.statistics.mixed_model.likelihood import State, Sums
from outcomes.statistics.mixed_model.reduction import Work, work_from_gram
from outcomes.statistics.mixed_model.residual_structure import Independent
from outcomes.statistics.mixed_model.result import Choices, MixedModelFit

__all__ = ["Recipe", "add_sums", "file_gram", "file_sums", "fit_files"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Recipe:
    """Which columns are multiplied to make a design.

    Attributes
    ----------
    group, response : str
        Column of the clients, and of the outcome.
    x, z : tuple of tuples of str
        Columns whose product is each fixed column and random term; empty for the intercept.
    """

    group: str
    response: str
    x: tuple[tuple[str, ...], ...]
    z: tuple[tuple[str, ...], ...]

    @property
    def used(self) -> list[str]:
        """Numeric columns that a complete row must have."""
        return list(dict.fromkeys([self.response, *(c for term in self.x + self.z for c in term)]))


def fit_files(
    source: str | Path | Sequence[str | Path],
    formula: str,
    *,
    groups: str | Sequence[str],
    random: str | Sequence[str] | Mapping[str, str] | None,
    correlated: bool,
    choices: Choices,
    distributed: Any = None,
) -> MixedModelFit:
    """Fit Parquet files; see `fit_mixed_model`."""
    _check_choices(groups, choices)
    files = _files(source)
    example = _example(files[0], groups)
    design = build_design(example, formula, groups=groups, random=random, correlated=correlated)
    recipe = _recipe(design)
    if distributed is None:
        total, n_all, infinite = _duckdb_gram(files, recipe)
    else:
        parts = distributed.gather(distributed.map(file_gram, files, recipe=recipe))
        total = np.sum([part[0] for part in parts], axis=0)
        n_all = sum(part[1] for part in parts)
        infinite = sorted({name for part in parts for name in part[2]})
    if infinite:
        raise DataError(f"{', '.join(infinite)} must be finite in all files. Correct the cells.")
    n_rows, gram = int(total[0, 0]), total[1:, 1:]
    p, q = len(recipe.x), len(recipe.z)
    if n_rows <= p:
        raise DataError(
            f"the files must have more complete rows than the fixed part has columns ({p}); "
            f"there are {n_rows}."
        )
    level = design.levels[0]
    work = work_from_gram(
        design.x_names,
        [(level.name, level.terms, level.correlated)],
        gram[q:, q:],
        [gram[:q, :q]],
        n_rows,
    )
    if distributed is None:
        keys, counts, rows, rr = _duckdb_sums(files, recipe, work)
    else:
        futures = distributed.map(file_sums, files, recipe=recipe, work=work)
        keys, counts, rows, rr = add_sums(distributed.gather(futures))
    if len(keys) < 2:
        raise DataError(f"{recipe.group} must have at least two groups; there is one.")
    if counts.max() <= q - (q == 1):
        raise DataError(
            f"the random terms of {recipe.group} ({q}) must be fewer than the rows of at least "
            f"one group; the longest has {int(counts.max())}. Drop random terms."
        )
    work, sums = _scaled(work, _unpacked(rows, rr, q, p), n_rows)
    pooled = _pooled_design(design, recipe, keys, n_rows, n_all - n_rows)
    structure = Independent.__new__(Independent)
    structure.hold(State(s=sums))
    if choices.degrees_of_freedom is None:
        rule = "kenward_roger" if len(keys) <= 5_000 else "satterthwaite"
        choices = replace(choices, degrees_of_freedom=rule)
    return finish(pooled, replace(work, design=pooled), structure, choices)


def _check_choices(groups: str | Sequence[str], choices: Choices) -> None:
    faults = []
    if len(group_names(groups)) > 1:
        faults.append("one level of groups")
    if choices.residual != "independent" or choices.weights is not None:
        faults.append("independent residuals without weights")
    if choices.degrees_of_freedom == "small_sample":
        faults.append("the rules kenward_roger, satterthwaite and normal")
    if faults:
        raise ArgumentError(
            f"files can be pooled only with {' and '.join(faults)}. Read them into a data frame."
        )


def _files(source: str | Path | Sequence[str | Path]) -> list[str]:
    given = [source] if isinstance(source, (str, Path)) else list(source)
    files: list[str] = []
    for one in given:
        path = Path(one)
        found = sorted(map(str, path.glob("*.parquet"))) if path.is_dir() else []
        files += found or sorted(glob.glob(str(one)))
    if not files:
        raise DataError("data must be a data frame, or name Parquet files; no such file is there.")
    return files


def _example(file: str, groups: str | Sequence[str]) -> pd.DataFrame:
    """Read a few rows: the formulas are read against them, the numbers are not used."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        batch = next(pq.ParquetFile(file).iter_batches(batch_size=5_000))
    except (pa.ArrowException, OSError, StopIteration) as error:
        raise DataError("data must name Parquet files with rows; the first cannot be read.") from (
            error
        )
    return batch.to_pandas()


def _recipe(design: Design) -> Recipe:
    """Read the products of columns off the formulas, refusing anything else."""
    refused: list[str] = []

    def columns(spec: Any) -> tuple[tuple[str, ...], ...]:
        out = []
        for term in spec.terms:
            names = [str(factor) for factor in term.factors if str(factor) != "1"]
            out.append(tuple(names))
            refused.extend(
                name
                for name in names
                if name not in design.frame
                or not pd.api.types.is_numeric_dtype(design.frame[name].dtype)
            )
        return tuple(out)

    if not design.levels:
        raise ArgumentError("files can be pooled only with random terms.")
    x, z = columns(design.x_spec), columns(design.levels[0].spec)
    if design.response not in design.frame:
        refused.append(design.response)
    if refused:
        raise ArgumentError(
            f"files can be pooled only for numeric columns and their products, got "
            f"{', '.join(dict.fromkeys(refused))}. Make numeric columns first."
        )
    return Recipe(design.groups[0], design.response, x, z)


def _pooled_design(
    design: Design, recipe: Recipe, keys: pd.Series, n_rows: int, n_dropped: int
) -> Design:
    """Describe the design without its rows."""
    none = np.zeros(0)
    codes = np.zeros(0, dtype=np.intp)
    level = replace(
        design.levels[0],
        z=tuple(none for _ in recipe.z),
        codes=codes,
        keys=pd.DataFrame({recipe.group: keys}),
    )
    return replace(
        design,
        y=none,
        x=tuple(none for _ in recipe.x),
        levels=(level,),
        inner_codes=codes,
        n_clients=len(keys),
        kept=codes,
        n_dropped=n_dropped,
        frame=design.frame.iloc[:0],
        pooled_rows=n_rows,
    )


# Sums of one data frame or file, and of several -----------------------------------------------


def _products(frame: pd.DataFrame, terms: Sequence[Sequence[str]]) -> Array:
    """Columns of products, (terms, rows)."""
    out = np.ones((len(terms), len(frame)))
    for row, term in zip(out, terms, strict=True):
        for name in term:
            row *= frame[name].to_numpy(dtype=float)
    return out


def _complete(frame: pd.DataFrame, recipe: Recipe) -> pd.DataFrame:
    if np.asarray(pd.isna(frame[recipe.group]), dtype=bool).any():
        raise DataError(
            f"group column {recipe.group} must be filled in; some rows of the files are not. Fill "
            f"it in, or remove these rows first."
        )
    return frame.dropna(subset=recipe.used)


def file_gram(file: str, *, recipe: Recipe) -> tuple[Array, int, list[str]]:
    """Sum products of [1, z, x, y] over a file; also its rows, and columns that are not finite."""
    frame = pd.read_parquet(file, columns=[recipe.group, *recipe.used])
    n = len(frame)
    frame = _complete(frame, recipe)
    infinite = [name for name in recipe.used if np.isinf(frame[name].to_numpy(dtype=float)).any()]
    a = _products(frame, [(), *recipe.z, *recipe.x, (recipe.response,)])
    return a @ a.T, n, infinite


def file_sums(
    file: str, *, recipe: Recipe, work: Work
) -> tuple[pd.Series, NDArray[np.intp], Array, Array]:
    """Sum products of the working columns of a file per client.

    Returns the clients, their rows, (clients, sums) as `_unpacked` reads them, and the sums over
    all rows of products of the fixed columns and the outcome.
    """
    frame = _complete(pd.read_parquet(file, columns=[recipe.group, *recipe.used]), recipe)
    codes, labels = pd.factorize(frame[recipe.group])
    z = work.turns[0].T @ _products(frame, recipe.z)
    x = work.inverse.T @ _products(frame, recipe.x)
    y = (frame[recipe.response].to_numpy(dtype=float) - work.start @ x) / work.scale
    rest = np.concatenate([x, y[None]])
    n = len(labels)
    sums = [
        np.bincount(codes, weights=product, minlength=n)
        for i in range(len(z))
        for product in [*(z[i] * z[i:]), *(z[i] * rest)]
    ]
    counts = np.bincount(codes, minlength=n)
    return pd.Series(labels), counts, np.array(sums, dtype=np.float64).T, rest @ rest.T


def add_sums(
    parts: Sequence[tuple[pd.Series, NDArray[np.intp], Array, Array]],
) -> tuple[pd.Series, NDArray[np.intp], Array, Array]:
    """Add the results of `file_sums`: a client may have rows in several files."""
    keys = pd.concat([part[0] for part in parts], ignore_index=True)
    codes, labels = pd.factorize(keys)
    n = len(labels)
    counts = np.bincount(codes, weights=np.concatenate([p[1] for p in parts]), minlength=n)
    rows = np.concatenate([part[2] for part in parts])
    if n < len(rows):
        rows = np.column_stack([np.bincount(codes, weights=c, minlength=n) for c in rows.T])
    else:
        order = np.argsort(codes, kind="stable")
        rows = rows[order]
    rr = np.asarray(np.sum([part[3] for part in parts], axis=0), dtype=np.float64)
    return pd.Series(labels), counts.astype(np.intp), np.asarray(rows, dtype=np.float64), rr


def _unpacked(rows: Array, rr: Array, q: int, p: int) -> Sums:
    """Arrange (clients, sums) as the likelihood reads them."""
    n, r = len(rows), p + 1
    zz, zr = np.empty((q, q, n)), np.empty((q, n, r))
    at = 0
    for i in range(q):
        for j in range(i, q):
            zz[i, j] = zz[j, i] = rows[:, at]
            at += 1
        zr[i] = rows[:, at : at + r]
        at += r
    return Sums(zz, zr, rr[None])


def _scaled(work: Work, sums: Sums, n_rows: int) -> tuple[Work, Sums]:
    """Take out what least squares left, and make the outcome's unit its own residual size."""
    p = work.start.size
    rr = sums.rr[0]
    if rr[p, p] <= 0.0:
        raise ModelError("the outcome must not be an exact combination of the fixed part.")
    unit = float(np.sqrt(rr[p, p] / n_rows))
    scale = np.ones(p + 1)
    scale[p] = 1.0 / unit
    out = Sums(sums.zz, sums.zr * scale, (rr * np.outer(scale, scale))[None])
    return replace(work, scale=work.scale * unit), out


# DuckDB ---------------------------------------------------------------------------------------


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


def _duckdb_gram(files: list[str], recipe: Recipe) -> tuple[Array, int, list[str]]:
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


def _duckdb_sums(
    files: list[str], recipe: Recipe, work: Work
) -> tuple[pd.Series, NDArray[np.intp], Array, Array]:
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
