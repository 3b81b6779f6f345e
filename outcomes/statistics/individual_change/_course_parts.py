"""What the data leave open about the courses of one measure, and the posterior under each of it.

Notation as in `client_courses`. `_weigh_scales` finds the caseload's possible scales; `_parts`
gives, for one of them, a part per draw of the variances and per offset of a client's own scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.statistics.individual_change._variance_draws import (
    Sums,
    VarianceDraw,
    draw_variances,
    profile_height,
)
from outcomes.statistics.mixed_model import fit_mixed_model

__all__ = ["scale_heights", "scale_prior", "time_scale"]

#: Scales of a flattening course that are tried first, in units of the usual gap between visits.
_SCALES = np.array([0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 12.0, 20.0])
_STRAIGHT = float(np.log(40.0))  # place of the straight course on the log scale
_REFINEMENTS = 3
_WEIGHT_KEPT = 0.02
_PROFILED = 500  # series that the choice of scale rests on, at most
_VARIANCES_KNOWN = 1500  # series above which the variances count as known
_DRAWS = 40  # of the variances, over all scales
#: How far a client's log scale may lie from the caseload's, and how much clients may differ (SD).
_OFFSETS = np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
_SCALE_SDS = np.array([0.05, 0.15, 0.3, 0.45, 0.6])


@dataclass(frozen=True)
class _Part:
    """One scale and set of variances: per series its weight and the posterior of (c0, c1)."""

    scale: float
    weight: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    change: np.ndarray
    change_variance: np.ndarray
    scatter: float

    def clock(self, t: np.ndarray) -> np.ndarray:
        return time_scale(t, self.scale)


def time_scale(t: np.ndarray, scale: float) -> np.ndarray:
    """Turn time since the first visit into the variable in which the course is a straight line."""
    return t if np.isinf(scale) else -np.expm1(-t / scale)


@dataclass(frozen=True)
class _Rows:
    """Readings sorted by series and visit, and where each series begins and ends."""

    code: np.ndarray
    time: np.ndarray
    value: np.ndarray  # around `centre`, for the sake of digits
    centre: float
    error: np.ndarray
    first: np.ndarray
    last: np.ndarray
    gap: float
    series: pd.DataFrame

    def some(self, most: int) -> _Rows:
        """Give the rows of at most so many series, evenly picked."""
        step = -(-self.first.size // most)
        if step == 1:
            return self
        keep = self.code % step == 0
        code = np.unique(self.code[keep], return_inverse=True)[1]
        edges = np.flatnonzero(np.diff(code)) + 1
        return _Rows(
            code,
            self.time[keep],
            self.value[keep],
            self.centre,
            self.error[keep],
            np.r_[0, edges].astype(int),
            np.r_[edges - 1, code.size - 1].astype(int),
            self.gap,
            self.series.iloc[::step],
        )


def _fit(rows: _Rows, scale: float, relative: np.ndarray):
    frame = pd.DataFrame(
        {
            "series": rows.code,
            "h": time_scale(rows.time, scale),
            "value": rows.value,
            "weight": 1 / relative,
        }
    )
    return fit_mixed_model(
        frame,
        "value ~ h",
        groups="series",
        random="1 + h",
        weights="weight",
        degrees_of_freedom="normal",
    )


def _sums(rows: _Rows, scale: float, relative: np.ndarray) -> tuple[np.ndarray, Sums]:
    """Give the design of every reading, and the sums of every series."""
    z = np.column_stack([np.ones(rows.time.size), time_scale(rows.time, scale)])
    scaled = z / relative[:, None]
    return z, Sums(
        np.add.reduceat(scaled[:, :, None] * z[:, None, :], rows.first),
        np.add.reduceat(scaled * rows.value[:, None], rows.first),
        float(np.sum(rows.value**2 / relative)),
        rows.time.size,
    )


@dataclass(frozen=True)
class _Scale:
    """A scale, its weight, and the variances (as in `profile_height`) that go best with it."""

    scale: float
    weight: float
    variances: np.ndarray


def _weigh_scales(rows: _Rows) -> list[_Scale]:
    """Give the scales that the ML likelihood leaves open, with weights that sum to one.

    Flat prior on log s from the first to the last scale of the grid, with the straight course as
    one step more. The grid is made finer around the top until no step carries most of the weight.
    """
    if np.ptp(rows.value) == 0:
        raise DataError("the readings must vary; all of them are equal. Check the measure.")
    some = rows.some(_PROFILED)
    spread = np.log(np.std(some.value))
    guess = np.array([spread, spread - 1, 0.0, spread - 1])

    def profile(log: float) -> tuple[float, float, np.ndarray]:
        scale = np.inf if log > _STRAIGHT - 0.01 else float(np.exp(log)) * rows.gap
        height, top = profile_height(_sums(some, scale, np.ones(some.time.size))[1], guess)
        return height, scale, top

    tried = {log: profile(log) for log in [*np.log(_SCALES), _STRAIGHT]}
    for _ in range(_REFINEMENTS):
        logs, weights = _weights(tried)
        best = int(weights.argmax())
        if weights[best] < 0.4 or best == logs.size - 1:
            break
        near = logs[max(best - 1, 0) : min(best + 2, logs.size - 1)]
        new = np.concatenate([near[:-1] + np.diff(near) * part for part in (1 / 3, 2 / 3)])
        tried |= {log: profile(log) for log in new}
    logs, weights = _weights(tried)
    least = weights.max() if rows.first.size > _VARIANCES_KNOWN else _WEIGHT_KEPT
    kept = np.where(weights >= least, weights, 0)
    kept /= kept.sum()
    return [
        _Scale(tried[log][1], float(weight), tried[log][2])
        for log, weight in zip(logs, kept, strict=True)
        if weight > 0
    ]


def _weights(tried: dict[float, tuple[float, float, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Give the sorted grid and the weight of each point: likelihood times width of its cell."""
    logs = np.array(sorted(tried))
    heights = np.array([tried[log][0] for log in logs])
    edges = np.r_[logs[0], (logs[1:] + logs[:-1]) / 2, logs[-1]]
    weights = np.diff(edges) * np.exp(heights - heights.max())
    return logs, weights / weights.sum()


def _parts(rows: _Rows, at: _Scale, notes: list[str]) -> list[_Part]:
    """Give all that is kept for one scale: one part per draw of the variances."""
    known = np.isfinite(rows.error)
    error2 = float(np.mean(rows.error**2)) if known.all() else np.nan
    scatter2 = float(np.exp(2 * at.variances[3]))
    relative = np.ones(rows.time.size)
    if known.all() and scatter2 > error2:
        total = scatter2 - error2 + rows.error**2
        relative = total / total.mean()
    if known.any() and not known.all():
        notes.append("The error of measurement is known for some readings only, and was not used.")
    elif scatter2 < error2:
        notes.append(
            "Readings scatter less around the courses than the given error of measurement says; "
            "the scatter found was used."
        )
    z, sums = _sums(rows, at.scale, relative)
    if rows.first.size > _VARIANCES_KNOWN:
        fit = _fit(rows, at.scale, relative)
        g, s2 = fit.random_covariances["series"].to_numpy(), fit.residual_variance
        draws = [VarianceDraw(1.0, g, s2, fit.coefficients, fit.covariance)]
    else:
        draws = draw_variances(sums, at.variances, n_draws=max(6, round(_DRAWS * at.weight)))
    offsets = _OFFSETS if np.isfinite(at.scale) else np.zeros(1)
    places = []
    for offset in offsets:
        scale = at.scale * float(np.exp(offset))
        places.append((scale, *((z, sums) if offset == 0 else _sums(rows, scale, relative))))
    parts, prior = [], None
    for draw in draws:
        found = [
            _posterior(rows, scale, z_at, sums_at, relative, draw, error2)
            for scale, z_at, sums_at in places
        ]
        fits = np.stack([fit for _, fit in found])
        if prior is None:  # from the first draw, which lies nearest to the top
            prior = scale_prior(scale_heights(fits, offsets), offsets)
        own = prior[:, None] * np.exp(fits - fits.max(axis=0))
        own *= at.weight * draw.weight / own.sum(axis=0)
        parts += [replace(part, weight=own[j]) for j, (part, _) in enumerate(found)]
    return parts


def scale_heights(fits: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Log-likelihood, summed over series, of every SD that the clients' log scales may have."""
    return np.log(_shapes(offsets) @ np.exp(fits - fits.max(axis=0))).sum(axis=1)


def scale_prior(heights: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Give the prior of a client's offset from the caseload's log scale, learnt from all clients.

    A normal on the offsets, its SD averaged over a grid by the likelihood of all series.
    """
    weights = np.exp(heights - heights.max())
    return weights @ _shapes(offsets) / weights.sum()


def _shapes(offsets: np.ndarray) -> np.ndarray:
    shapes = np.exp(-((offsets / _SCALE_SDS[:, None]) ** 2) / 2)
    return shapes / shapes.sum(axis=1, keepdims=True)


def _posterior(
    rows: _Rows,
    scale: float,
    z: np.ndarray,
    sums: Sums,
    relative: np.ndarray,
    draw: VarianceDraw,
    error2: float,
) -> tuple[_Part, np.ndarray]:
    """Give the normal posterior of every client's (c0, c1) and change, and how well it fits.

    The fit is the log-likelihood of a series but for what is the same at every scale.
    """
    s_zz = sums.a / draw.scatter
    s_zy = sums.b / draw.scatter
    s_zr = s_zy - s_zz @ draw.beta
    inner = np.eye(2) + draw.g @ s_zz  # (I + G S)^-1 G stands also where G is singular
    determinant = inner[:, 0, 0] * inner[:, 1, 1] - inner[:, 0, 1] * inner[:, 1, 0]
    k = np.linalg.solve(inner, np.broadcast_to(draw.g, inner.shape))
    k = (k + np.swapaxes(k, 1, 2)) / 2
    own = np.einsum("nqr,nr->nq", k, s_zr)
    mean = draw.beta + own
    fit = (s_zy + s_zr) @ draw.beta + np.einsum("nq,nq->n", own, s_zr) - np.log(determinant)
    turn = np.eye(2) - k @ s_zz  # d(c)/d(beta)
    covariance = k + turn @ draw.phi @ np.swapaxes(turn, 1, 2)

    day_variance = max(0.0, draw.scatter - error2) if np.isfinite(error2) else 0.0
    share = day_variance / (draw.scatter * relative)  # of a residual that is real
    ends = [(rows.last, 1.0), (rows.first, -1.0)]
    through = sum(sign * (1 - share[end])[:, None] * z[end] for end, sign in ends)
    change = np.einsum("nq,nq->n", through, mean) + sum(
        sign * share[end] * rows.value[end] for end, sign in ends
    )
    variance = np.einsum("nq,nqr,nr->n", through, covariance, through) + sum(
        day_variance * (1 - share[end]) for end, _ in ends
    )
    once = rows.first == rows.last
    part = _Part(
        scale=scale,
        weight=np.ones(once.size),
        mean=mean + np.array([rows.centre, 0.0]),
        covariance=covariance,
        change=np.where(once, 0.0, change),
        change_variance=np.where(once, 0.0, variance),
        scatter=draw.scatter,
    )
    return part, fit / 2
