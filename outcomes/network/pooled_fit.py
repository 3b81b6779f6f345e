"""The mixed model from sums: ``value ~ time`` with random starts and slopes, no rows needed.

Notation: ``t`` the time variable, ``c`` a centre near the values, and per series (client's
episode), over its readings with weights w,

    S = sum of w (1, t, y - c)' (1, t, y - c), kept as the six numbers
        [sum w, sum w t, sum w t^2, sum w (y - c), sum w t (y - c), sum w (y - c)^2].

Every column of the model is a combination of these three, so that S is all that the likelihood
needs (`outcomes.statistics.mixed_model.likelihood`). Sums over readings add up wherever they are
made; the fit is that of `fit_mixed_model` on the rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.statistics.mixed_model import MixedModelFit
from outcomes.statistics.mixed_model.design import Design, build_design
from outcomes.statistics.mixed_model.fit import finish
from outcomes.statistics.mixed_model.reduction import Work, level_plan, work_from_gram
from outcomes.statistics.mixed_model.residual_structure import Independent
from outcomes.statistics.mixed_model.result import Choices
from outcomes.statistics.mixed_model.sums import Level, State, Sums

__all__ = ["SUMS", "SeriesSums", "fit_sums", "series_sums"]

#: Names of the six sums as columns.
SUMS = [f"s{i}" for i in range(6)]
_COLUMNS = {"1": (1.0, 0.0, 0.0), "Intercept": (1.0, 0.0, 0.0), "time": (0.0, 1.0, 0.0)}
_CELLS = ((0, 0), (0, 1), (1, 1), (0, 2), (1, 2), (2, 2))
#: Above so many series the search starts from the answer of a sample of them.
_SAMPLED = 20_000


@dataclass(frozen=True)
class SeriesSums:
    """Sums per series.

    Attributes
    ----------
    sums : array (series, 6)
        As at the head of this module.
    centre : float
        What was taken off the values.
    n_readings : int
        Readings in all.
    outer : array (series,), optional
        Number of the clinic of each series.
    log_weights : float
        Sum of the logarithms of the weights.
    """

    sums: np.ndarray
    centre: float
    n_readings: int
    outer: np.ndarray | None = None
    log_weights: float = 0.0


def series_sums(
    first: np.ndarray, time: np.ndarray, value: np.ndarray, weight: np.ndarray | float = 1.0
) -> np.ndarray:
    """Add up readings that are sorted by series; `first` are the positions where series begin.

    Examples
    --------
    >>> series_sums(np.array([0, 2]), np.array([0.0, 1, 0]), np.array([5.0, 7, 1])).tolist()
    [[2.0, 1.0, 1.0, 12.0, 7.0, 74.0], [1.0, 0.0, 0.0, 1.0, 0.0, 1.0]]
    """
    rows = np.stack([np.ones(time.size), time, value])
    products = np.stack([weight * rows[i] * rows[j] for i, j in _CELLS])
    return np.add.reduceat(products, first, axis=1).T if first.size else np.zeros((0, 6))


def fit_sums(
    data: SeriesSums,
    *,
    random: str = "1 + time",
    outer_random: str | None = None,
    method: str = "REML",
    degrees_of_freedom: str | None = None,
    ci_level: float = 0.95,
) -> MixedModelFit:
    """Fit ``value ~ time`` to sums, as `fit_mixed_model` fits it to rows.

    Parameters
    ----------
    data : SeriesSums
        Sums of all series.
    random : {"1", "1 + time"}
        Random terms of a series.
    outer_random : {"1", "1 + time"}, optional
        Random terms of a clinic; `data.outer` says which. Left out: one level.
    method, degrees_of_freedom, ci_level
        As `fit_mixed_model`.

    Returns
    -------
    MixedModelFit
        Questions that need the rows are refused.
    """
    if len(data.sums) < 2:
        raise DataError("a pooled model must rest on at least two series; there is one.")
    choices = Choices(method=method, degrees_of_freedom=degrees_of_freedom, ci_level=ci_level)
    nested = outer_random is not None
    if nested:
        if data.outer is None:
            raise DataError("a model with clinics must know the clinic of every series.")
        order = np.argsort(data.outer, kind="stable")
        data = replace(data, sums=data.sums[order], outer=data.outer[order])
    design = _design(data, random, outer_random)
    terms = [level.terms for level in design.levels]
    total = _matrix(data.sums.sum(axis=0))
    x = _combinations(design.x_names, data.centre)
    y = np.array([data.centre, 0.0, 1.0])
    xy = np.column_stack([x, y])
    z = [_combinations(names, data.centre) for names in terms]
    work = work_from_gram(
        design.x_names,
        [(level.name, level.terms, level.correlated) for level in design.levels],
        xy.T @ total @ xy,
        [columns.T @ total @ columns for columns in z],
        data.n_readings,
    )
    work = _refined(replace(work, design=design, log_weights=data.log_weights), total, x, y)
    turned = [columns @ turn for columns, turn in zip(z, work.turns, strict=True)]
    rest = np.column_stack([*turned[1:], x @ work.inverse, _working_outcome(work, x, y)])
    outer_starts = design.levels[0].outer_starts
    sums = _sums(data.sums, turned[0], rest, outer_starts)
    structure = Independent.__new__(Independent)
    structure.hold(State(s=sums, log_det=-data.log_weights))
    if len(data.sums) > _SAMPLED:
        structure.sample = _sample(data, turned[0], rest, design)
    return finish(design, work, structure, choices)


def _design(data: SeriesSums, random: str, outer_random: str | None) -> Design:
    """Read the formulas against a small example, and describe the series without their rows."""
    example = pd.DataFrame(
        {
            "clinic": np.repeat(np.arange(4), 12),
            "series": np.repeat(np.arange(16), 3),
            "time": np.tile([0.0, 0.5, 0.8], 16),
            "value": np.arange(48) % 7.0,
        }
    )
    nested = outer_random is not None
    design = build_design(
        example,
        "value ~ time",
        groups=["clinic", "series"] if nested else "series",
        random={"clinic": outer_random, "series": random} if nested else random,
        correlated=True,
    )
    n, none, codes = len(data.sums), np.zeros(0), np.zeros(0, dtype=np.intp)
    sizes, starts = [n], None
    if nested and data.outer is not None:
        starts = np.flatnonzero(np.r_[True, data.outer[1:] != data.outer[:-1]])
        sizes.append(starts.size)
    levels = tuple(
        replace(
            level,
            z=tuple(none for _ in level.terms),
            codes=codes,
            keys=pd.DataFrame({level.name: np.arange(size)}),
            outer_starts=starts if i == 0 else None,
        )
        for i, (level, size) in enumerate(zip(design.levels, sizes, strict=True))
    )
    return replace(
        design,
        y=none,
        x=tuple(none for _ in design.x),
        levels=levels,
        inner_codes=codes,
        n_clients=n,
        kept=codes,
        n_dropped=0,
        frame=design.frame.iloc[:0],
        pooled_rows=data.n_readings,
    )


def _combinations(names: Sequence[str], centre: float) -> np.ndarray:
    """Give columns of the model as combinations of (1, t, y - c)."""
    return np.array([_COLUMNS[name] for name in names]).T


def _matrix(six: np.ndarray) -> np.ndarray:
    out = np.empty((3, 3))
    for value, (i, j) in zip(six, _CELLS, strict=True):
        out[i, j] = out[j, i] = value
    return out


def _working_outcome(work: Work, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return (y - x @ work.inverse @ work.start) / work.scale


def _refined(work: Work, total: np.ndarray, x: np.ndarray, y: np.ndarray) -> Work:
    """Take out what least squares left, and make the outcome's unit its own residual size."""
    n = work.design.n_rows
    residual = _working_outcome(work, x, y)
    left = (x @ work.inverse).T @ total @ residual
    work = replace(work, start=work.start + left / n * work.scale)
    residual = _working_outcome(work, x, y)
    return replace(work, scale=work.scale * float(np.sqrt(residual @ total @ residual / n)))


def _sums(six: np.ndarray, z: np.ndarray, rest: np.ndarray, starts: np.ndarray | None) -> Sums:
    """Turn sums of (1, t, y - c) into sums of working columns, as the likelihood reads them."""
    q, r, n = z.shape[1], rest.shape[1], len(six)
    zz, zr = np.empty((q, q, n)), np.empty((q, n, r))
    for a in range(q):
        for b in range(a, q):
            zz[a, b] = zz[b, a] = six @ _weights(z[:, a], z[:, b])
        for b in range(r):
            zr[a, :, b] = six @ _weights(z[:, a], rest[:, b])
    grouped = six.sum(axis=0)[None] if starts is None else np.add.reduceat(six, starts, axis=0)
    rr = np.array([rest.T @ _matrix(row) @ rest for row in grouped])
    return Sums(zz, zr, rr)


def _weights(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Give the six weights of a' S b."""
    return np.array([a[i] * b[j] + (a[j] * b[i] if i != j else 0.0) for i, j in _CELLS])


def _sample(
    data: SeriesSums, z: np.ndarray, rest: np.ndarray, design: Design
) -> tuple[Independent, int, list[Level]]:
    """Take evenly spaced series for starting values; readings are counted where weights are one."""
    step = len(data.sums) // 5_000
    some, plan, starts = data.sums[::step], level_plan(design), None
    if data.outer is not None and len(plan) > 1:
        outer = data.outer[::step]
        starts = np.flatnonzero(np.r_[True, outer[1:] != outer[:-1]])
        plan[0] = replace(plan[0], starts=starts)
    part = Independent.__new__(Independent)
    part.hold(State(s=_sums(some, z, rest, starts)))
    return part, round(data.n_readings * len(some) / len(data.sums)), plan
