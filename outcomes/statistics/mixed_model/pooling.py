"""Caseloads larger than memory: per-client sums add up, wherever they are made.

Two passes over the files. The first sums products of all columns over all rows, which gives the
working units (`reduction.work_from_gram`); the second sums products of the working columns per
client. Both are sums over rows, so that files, threads and machines can each do a part:

- DuckDB reads Parquet files on one machine, in SQL (the default; `duckdb_sums`);
- with a `dask.distributed` client each file is reduced where a worker can read it, and the parts
  are added up (`partial_sums`).

Designs are limited to what both can compute exactly: numeric columns and their products, one level
of groups, independent residuals.
"""

from __future__ import annotations

import glob
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.statistics.mixed_model.choices import Choices
from outcomes.statistics.mixed_model.design import Design, build_design, group_names
from outcomes.statistics.mixed_model.duckdb_sums import duckdb_gram, duckdb_sums
from outcomes.statistics.mixed_model.fit import finish
from outcomes.statistics.mixed_model.likelihood import State, Sums
from outcomes.statistics.mixed_model.partial_sums import (
    Recipe,
    add_sums,
    file_gram,
    file_sums,
    unpacked,
)
from outcomes.statistics.mixed_model.reduction import Work, work_from_gram
from outcomes.statistics.mixed_model.residual_structure import Independent
from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["fit_files"]

Array = NDArray[np.float64]


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
        total, n_all, infinite = duckdb_gram(files, recipe)
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
        keys, counts, rows, rr = duckdb_sums(files, recipe, work)
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
    work, sums = _scaled(work, unpacked(rows, rr, q, p), n_rows)
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
