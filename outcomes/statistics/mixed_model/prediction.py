"""What the model says about a client: own deviations, fitted values, differences.

A new row a = [z_inner, z_outer..., x] is predicted level by level from the innermost outwards,

    value = z K s_zy + (rest - B'z)' (prediction by the levels outside),
    error variance = s2 z'K z + (error variance of rest - B'z outside),

with K and B = K S_zr of `likelihood.Elimination`; the fixed part comes last, with covariance Phi.
The variance so obtained is that of the error of prediction, u unknown and b estimated (the
variances taken as known).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ArgumentError, DataError, check_choice, check_columns, rows_must
from outcomes.statistics.mixed_model.dense import residual_scale
from outcomes.statistics.mixed_model.design import RandomLevel, columns_for
from outcomes.statistics.mixed_model.inference import t_quantile
from outcomes.statistics.mixed_model.likelihood import Elimination

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["client_effects", "predict", "predict_contrast", "residual_table"]

Array = NDArray[np.float64]

#: Up to this many clients the uncertainty of the variances enters a client's interval.
INTEGRATE_UP_TO = 5_000


def client_effects(fit: MixedModelFit, level: str | None) -> pd.DataFrame:
    """Deviations of every group from the mean course, one row per group and term."""
    if not fit.design.levels:
        raise ArgumentError("client_effects needs random terms; this model has none.")
    names = [one.name for one in fit.design.levels]
    chosen = names[0] if level is None else check_choice("level", level, names)
    at = names.index(chosen)
    effects, sds = solve_levels(fit)[at]
    one = fit.design.levels[at]
    n, q = one.n_groups, len(one.terms)
    frame = cast(pd.DataFrame, one.keys.loc[one.keys.index.repeat(q)]).reset_index(drop=True)
    frame["term"] = np.tile(np.asarray(one.terms, dtype=object), n)
    frame["estimate"] = effects.reshape(n * q)
    frame["conditional_sd"] = sds.reshape(n * q)
    return frame


def residual_table(fit: MixedModelFit) -> pd.DataFrame:
    """Fitted values and residuals; see `MixedModelFit.residuals`."""
    design = fit.design
    population = np.column_stack(design.x) @ fit.coefficients
    client = population.copy()
    for level, (effects, _) in zip(design.levels, solve_levels(fit), strict=True):
        client += np.einsum("qn,nq->n", np.stack(level.z), effects[level.codes])
    frame = cast(pd.DataFrame, design.frame[list(design.groups)]).reset_index(drop=True)
    frame["value"] = design.y
    frame["fitted_population"], frame["fitted_client"] = population, client
    frame["residual_population"] = design.y - population
    frame["residual_client"] = design.y - client
    frame["residual_standardised"] = (design.y - client) / residual_scale(fit)
    return frame


def solve_levels(fit: MixedModelFit) -> list[tuple[Array, Array]]:
    """Deviations and their conditional SD per level, (groups, q), in the units of the data.

    Going inwards, the deviations of a group are K S_zy minus B times what is known outside; the
    covariance of the deviations of a group and of all groups around it is carried along.
    """
    small, work, design = fit.small_sample, fit.work, fit.design
    unit = np.sqrt(small.sigma2) * work.scale
    beta = small.ev.beta
    out: list[tuple[Array, Array]] = []
    around = np.zeros((0, 1))  # stacked deviations, outer levels, (sum of q, groups)
    spread = np.zeros((1, 0, 0))  # their covariance
    outer: RandomLevel | None = None
    for depth in range(len(design.levels) - 1, -1, -1):
        level, elimination = design.levels[depth], small.levels[depth]
        parent = np.zeros(level.n_groups, np.intp) if outer is None else _parents(level, outer)
        around, spread = around[:, parent], spread[parent]
        q, above = len(level.terms), around.shape[0]
        b = np.moveaxis(elimination.b, 1, 0)  # (groups, q, outer z..., x, y)
        u = (
            b[:, :, -1]
            - b[:, :, above:-1] @ beta
            - np.einsum("nqa,an->nq", b[:, :, :above], around)
        )
        through = b[:, :, :above] @ spread
        own = np.moveaxis(elimination.k, -1, 0) + through @ np.swapaxes(b[:, :, :above], 1, 2)
        joint = np.empty((level.n_groups, q + above, q + above))
        joint[:, :q, :q], joint[:, q:, q:] = own, spread
        joint[:, :q, q:], joint[:, q:, :q] = -through, -np.swapaxes(through, 1, 2)
        around, spread, outer = np.concatenate([u.T, around]), joint, level
        turn = work.turns[depth]
        variance = np.einsum("ia,nab,ib->ni", turn, own, turn)
        out.append((work.scale * u @ turn.T, unit * np.sqrt(np.maximum(variance, 0.0))))
    return out[::-1]


def _parents(inner: RandomLevel, outer: RandomLevel) -> NDArray[np.intp]:
    first = np.zeros(inner.n_groups, dtype=np.intp)
    first[inner.codes[::-1]] = outer.codes[::-1]
    return first


def _groups_of(level: RandomLevel, new: pd.DataFrame) -> NDArray[np.intp]:
    """Group of each new row; -1 where the fit has not seen it."""
    check_columns(new, level.path, thing="the new rows")
    if len(level.path) == 1:
        return pd.Index(level.keys[level.path[0]]).get_indexer(pd.Index(new[level.path[0]]))
    known = pd.MultiIndex.from_frame(level.keys)
    return known.get_indexer(pd.MultiIndex.from_frame(cast(pd.DataFrame, new[list(level.path)])))


@dataclass(frozen=True)
class _Point:
    """Covariance parameters at which rows are predicted (working units)."""

    factors: list[Array]
    beta: Array
    levels: list[Elimination]
    phi: Array
    sigma2: float


def _point(fit: MixedModelFit, x: Array | None = None, log_s2: float = 0.0) -> _Point:
    """Go to the estimate, or to another place."""
    small = fit.small_sample
    criterion = small.criterion
    if x is None:
        phi = small.phi_adjusted if fit.uses_kenward_roger else small.phi
        return _Point(criterion.factors(small.x), small.ev.beta, small.levels, phi, small.sigma2)
    ev = criterion.at(x, keep=True)
    s2 = float(np.exp(log_s2))
    return _Point(criterion.factors(x), ev.beta, ev.levels, s2 * ev.c, s2)


def _walk(
    fit: MixedModelFit, point: _Point, x: Array, zs: list[Array], groups: list[NDArray[np.intp]]
) -> tuple[Array, Array]:
    """Estimate and error variance of rows; columns and results in working units."""
    rows = x.shape[0]
    rest = np.column_stack([*zs, x]) if zs else x.copy()
    value, variance = np.zeros(rows), np.zeros(rows)
    for depth, group in enumerate(groups):
        q = len(fit.design.levels[depth].terms)
        z, rest = rest[:, :q], rest[:, q:].copy()
        factor = point.factors[depth]
        k = np.broadcast_to((factor @ factor.T)[None], (rows, q, q)).copy()
        seen = group >= 0
        k[seen] = np.moveaxis(point.levels[depth].k, -1, 0)[group[seen]]
        variance += point.sigma2 * np.einsum("na,nab,nb->n", z, k, z)
        b = point.levels[depth].b
        for a in range(q):
            mine = b[a, group[seen]] * z[seen, a][:, None]
            rest[seen] -= mine[:, :-1]
            value[seen] += mine[:, -1]
    value += rest @ point.beta
    variance += np.einsum("na,ab,nb->n", rest, point.phi, rest)
    return value, variance


def _sigma_points(fit: MixedModelFit) -> list[_Point]:
    """Places one standard error away along each axis of the covariance parameters, in pairs."""
    small = fit.small_sample
    values, vectors = np.linalg.eigh(small.parameter_covariance)
    centre = np.append(small.x, np.log(small.sigma2))
    out = []
    for value, vector in zip(values, vectors.T, strict=True):
        if value <= 0.0:
            continue
        step = min(float(np.sqrt(value)), 3.0) * vector
        out += [_point(fit, w[:-1], w[-1]) for w in (centre + step, centre - step)]
    return out


def _judged(
    fit: MixedModelFit,
    x: Array,
    zs: list[Array],
    groups: list[NDArray[np.intp]],
    noise: Array,
) -> tuple[Array, Array, Array, Array, Array]:
    """Estimate; variance and df of its error; variance and df of the error for a new reading.

    `noise` is what a new reading adds, in units of the residual variance.
    """
    work = fit.work
    here = _point(fit)
    value, variance = _walk(fit, here, x, zs, groups)
    total = variance + here.sigma2 * noise
    df = total_df = np.full(value.shape, np.inf)
    if zs and fit.degrees_of_freedom != "normal" and fit.n_clients <= INTEGRATE_UP_TO:
        moved, spread, bend = np.zeros_like(value), np.zeros_like(value), np.zeros_like(value)
        total_spread, total_bend = np.zeros_like(value), np.zeros_like(value)
        for point in _sigma_points(fit):
            other, its_variance = _walk(fit, point, x, zs, groups)
            its_total = its_variance + point.sigma2 * noise
            moved += 0.5 * (other - value) ** 2
            spread += 0.5 * (its_variance - variance) ** 2
            bend += 0.5 * (its_variance - variance)
            total_spread += 0.5 * (its_total - total) ** 2
            total_bend += 0.5 * (its_total - total)
        variance = variance + moved + np.maximum(bend, 0.0)
        total = total + moved + np.maximum(total_bend, 0.0)
        df = 2.0 * variance**2 / np.maximum(spread, np.finfo(float).tiny)
        total_df = 2.0 * total**2 / np.maximum(total_spread, np.finfo(float).tiny)
    unit = work.scale**2
    return work.scale * value + x @ work.start, unit * variance, df, unit * total, total_df


def _working_rows(
    fit: MixedModelFit, new: pd.DataFrame, level: str, thing: str
) -> tuple[Array, list[Array], list[NDArray[np.intp]]]:
    x = columns_for(fit.design.x_spec, new, thing=thing) @ np.linalg.inv(fit.work.r)
    if level == "population":
        return x, [], []
    zs, groups = [], []
    for one, turn in zip(fit.design.levels, fit.work.turns, strict=True):
        zs.append(columns_for(one.spec, new, thing=thing) @ turn)
        groups.append(_groups_of(one, new))
    return x, zs, groups


def _interval_frame(
    fit: MixedModelFit, keys: pd.DataFrame, estimate: Array, variance: Array, df: Array
) -> pd.DataFrame:
    error = np.sqrt(np.maximum(variance, 0.0))
    half = t_quantile(df, fit.ci_level) * error
    frame = keys.copy()
    frame["estimate"] = estimate
    frame["standard_error"] = error
    frame["df"] = df
    frame["ci_low"], frame["ci_high"] = estimate - half, estimate + half
    frame["ci_level"] = fit.ci_level
    return frame


def _population_df(fit: MixedModelFit, x: Array) -> Array:
    """Degrees of freedom of rows of the mean course (distinct rows are judged once)."""
    from outcomes.statistics.mixed_model.inference import contrast_df

    distinct, back = np.unique(x, axis=0, return_inverse=True)
    moving = np.abs(distinct).sum(axis=1) > 0
    df = np.full(len(distinct), np.inf)
    df[moving] = [contrast_df(fit, row)[0] for row in distinct[moving]]
    return df[back.reshape(-1)]


def _complete(columns: Array, thing: str) -> None:
    whole = np.isfinite(columns).all(axis=1)
    if not whole.all():
        raise rows_must(thing, "be complete", ~whole, "Fill in or drop these rows")


def _keys(fit: MixedModelFit, new: pd.DataFrame) -> pd.DataFrame:
    names = [name for name in fit.design.groups if name in new.columns]
    return cast(pd.DataFrame, new[names]).reset_index(drop=True)


def predict(fit: MixedModelFit, new: pd.DataFrame, *, level: str = "client") -> pd.DataFrame:
    """Predict rows; see `MixedModelFit.predict`."""
    check_choice("level", level, ["client", "population"])
    x, zs, groups = _working_rows(fit, new, level, "the new rows")
    _complete(np.column_stack([x, *zs]), "the new rows")
    structure = fit.small_sample.criterion.structure
    noise = structure.relative_variance(new, fit.small_sample.x[: structure.n_parameters])
    if level == "population":
        for one in fit.design.levels:
            z = columns_for(one.spec, new, thing="the new rows")
            g = fit.random_covariances[one.name].to_numpy() / fit.residual_variance
            noise = noise + np.einsum("na,ab,nb->n", z, g, z)
    estimate, variance, df, total, total_df = _judged(fit, x, zs, groups, noise)
    if level == "population":
        df = total_df = _population_df(fit, x)
    frame = _interval_frame(fit, _keys(fit, new), estimate, variance, df)
    half = t_quantile(total_df, fit.ci_level) * np.sqrt(total)
    frame["prediction_low"], frame["prediction_high"] = estimate - half, estimate + half
    return frame


def predict_contrast(
    fit: MixedModelFit, new_from: pd.DataFrame, new_to: pd.DataFrame, *, level: str = "client"
) -> pd.DataFrame:
    """Predict differences; see `MixedModelFit.predict_contrast`."""
    check_choice("level", level, ["client", "population"])
    if len(new_from) != len(new_to):
        raise DataError(
            f"new_from and new_to must have the same number of rows, got {len(new_from)} and "
            f"{len(new_to)}."
        )
    x0, z0, g0 = _working_rows(fit, new_from, level, "new_from")
    x1, z1, g1 = _working_rows(fit, new_to, level, "new_to")
    _complete(np.column_stack([x0, *z0]), "new_from")
    _complete(np.column_stack([x1, *z1]), "new_to")
    for a, b in zip(g0, g1, strict=True):
        if (a != b).any():
            raise rows_must(
                "the rows of new_from and new_to",
                "belong to the same groups",
                a != b,
                "Sort both frames alike",
            )
    x, zs = x1 - x0, [b - a for a, b in zip(z0, z1, strict=True)]
    estimate, variance, df, _, _ = _judged(fit, x, zs, g0, np.zeros(len(x)))
    if level == "population":
        df = _population_df(fit, x)
    return _interval_frame(fit, _keys(fit, new_to), estimate, variance, df)
