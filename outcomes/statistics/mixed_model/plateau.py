"""A course that flattens: start + total_gain * (1 - exp(-time / scale)).

Each client has an own start and an own total gain; the scale is shared. At a given scale the model
is a linear mixed model in the column 1 - exp(-time / scale), random effects included, so that its
likelihood is exact: no linearisation and no quadrature are needed. The scale is found by maximising
the profile of that likelihood (ML), and its interval is read off the same profile.

Standard errors of start and total gain treat the scale as estimated too: the derivative of the mean
with respect to the scale is a further column of the fixed part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special

from outcomes.errors import DataError, ModelError, OutcomesError, check_between, check_choice
from outcomes.results import Claim
from outcomes.statistics.mixed_model.checking import as_numbers
from outcomes.statistics.mixed_model.choices import Choices
from outcomes.statistics.mixed_model.design import Design, build_design
from outcomes.statistics.mixed_model.fit import fit_design
from outcomes.statistics.mixed_model.profile import find_root
from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["PlateauCourse", "fit_plateau_course"]

Array = NDArray[np.float64]
RANDOM = {"start_and_gain": "1 + shape", "start": "1", "gain": "0 + shape"}


@dataclass(frozen=True, eq=False, kw_only=True)
class PlateauCourse(Claim):
    """A course that flattens, and how it compares with straight and broken ones.

    Attributes
    ----------
    scale, scale_low, scale_high : float
        Time in which 63% of the total gain is reached, and its profile-likelihood interval;
        infinite where the data do not show a plateau.
    half_time : float
        Time in which half of the total gain is reached: scale * log 2.
    log_likelihood : float
        Full (ML) log-likelihood.
    n, ci_level
        Clients; level of all intervals.
    fixed : pandas.DataFrame
        Rows start, total_gain and scale: estimate, standard_error, ci_low, ci_high, ci_level.
    courses : pandas.DataFrame
        Rows straight, broken and plateau: n_parameters, log_likelihood, aic, bic, all by ML.
    fit : MixedModelFit
        The ML fit at the estimated scale; its column `shape` is 1 - exp(-time / scale).
    notes : tuple of str
        What a careful reader must know.
    """

    scale: float
    scale_low: float
    scale_high: float
    half_time: float
    log_likelihood: float
    n: int
    ci_level: float
    fixed: pd.DataFrame = field(repr=False)
    courses: pd.DataFrame = field(repr=False)
    fit: MixedModelFit = field(repr=False)
    time: str
    notes: tuple[str, ...] = ()

    def predict(self, new: pd.DataFrame, *, level: str = "client") -> pd.DataFrame:
        """Predict the course at new times, as `MixedModelFit.predict` (the scale held)."""
        shape = 1.0 - np.exp(-new[self.time].to_numpy(dtype=float) / self.scale)
        return self.fit.predict(new.assign(shape=shape), level=level)


def fit_plateau_course(
    data: pd.DataFrame,
    *,
    outcome: str = "value",
    time: str = "week",
    groups: str = "client",
    random: str = "start_and_gain",
    ci_level: float = 0.95,
) -> PlateauCourse:
    """Fit a course that rises (or falls) fast at first and then flattens.

    Use when gains are expected to level off and clients have at least four readings each. Do not
    use to decide when a single client has stopped gaining, or when most series are still straight
    at their end: the scale is then unknown, and the result says so.

    Parameters
    ----------
    data : pandas.DataFrame
        One row per reading; rows with missing values are dropped.
    outcome, time, groups : str
        Columns of the reading, of the time since the start (0 at the first visit, any unit), and
        of the client.
    random : {"start_and_gain", "start", "gain"}
        What differs between clients (start and gain may be correlated).
    ci_level : float
        Level of intervals, in (0, 1).

    Returns
    -------
    PlateauCourse
        Scale, start and total gain with intervals; straight and broken courses beside it.

    Raises
    ------
    DataError
        If the data cannot carry the model, before anything is estimated.

    Notes
    -----
    Maximum likelihood, exact; intervals of start and total gain are from t on clients - 1 degrees
    of freedom, and a little short in small caseloads because ML variances are. The broken course
    bends once, at the time that fits best, which counts as a parameter. A smaller criterion by
    less than about 2 is no evidence either way (Burnham & Anderson 2004, Sociol Methods Res
    33:261).

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> week = np.tile(np.arange(8.0), 30)
    >>> client = np.repeat(np.arange(30), 8)
    >>> gain = 20 + rng.normal(0, 4, 30)[client]
    >>> value = 60 + gain * (1 - np.exp(-week / 2)) + rng.normal(0, 2, 240)
    >>> course = fit_plateau_course(pd.DataFrame({"client": client, "week": week, "value": value}))
    >>> bool(course.scale_low < 2 < course.scale_high)
    True

    Checked against: nlme 3.1-162 on the Loblolly pine heights of its manual
    (tests/statistics/mixed_model/test_plateau.py).
    """
    check_choice("random", random, list(RANDOM))
    check_between("ci_level", ci_level, 0, 1, remedy="Give 0.95")
    if time not in data.columns:
        raise DataError(f"the data must have the column {time}. Name the column of the time.")
    column = as_numbers(cast(pd.Series, data[time]))
    if np.nanmin(column) < 0:
        raise DataError(f"{time} must be zero or more. Count the time from the first visit.")
    frame = pd.DataFrame({groups: data[groups], outcome: data[outcome], time: column})
    frame["shape"] = column
    formula = (
        f"Q(`{outcome}`) ~ 1 + shape" if not outcome.isidentifier() else f"{outcome} ~ 1 + shape"
    )
    design = build_design(frame, formula, groups=groups, random=RANDOM[random], extra=[time])
    t = design.x[1].copy()
    distinct = np.unique(t)
    if distinct.size < 4:
        raise DataError(f"{time} must have at least four different values for a plateau.")
    choices = Choices(method="ML", degrees_of_freedom="normal", ci_level=ci_level)
    cache: dict[float, MixedModelFit | None] = {}

    def at(scale: float) -> MixedModelFit | None:
        if scale not in cache:
            try:
                cache[scale] = fit_design(_with_shape(design, -np.expm1(-t / scale)), choices)
            except OutcomesError:
                cache[scale] = None
        return cache[scale]

    def lost(log_scale: float) -> float:
        fit = at(float(np.exp(log_scale)))
        return np.inf if fit is None else -2.0 * fit.log_likelihood

    span = float(distinct[-1] - distinct[0])
    low = np.log(0.2 * float(np.diff(distinct).min()))
    high = np.log(10.0 * span)
    grid = np.linspace(low, high, 25)
    values = np.array([lost(g) for g in grid])
    if not np.isfinite(values).any():
        raise ModelError("no plateau course can be fitted to these data. Fit a straight course.")
    best = int(np.argmin(values))
    inside = 0 < best < grid.size - 1
    found = float(grid[best])
    if inside:
        bracket = (float(grid[best - 1]), float(grid[best + 1]))
        search: Any = optimize.minimize_scalar(
            lost, bounds=bracket, method="bounded", options={"xatol": 1e-9}
        )
        found = float(search.x)
    scale = float(np.exp(found))
    fit = at(scale)
    if fit is None:
        raise ModelError("the plateau course did not converge at its best scale.")
    ends = _interval(lost, found, grid, values, ci_level)
    notes = list(fit.boundary)
    if not inside or not np.isfinite(ends[1]):
        notes.append(
            "The data do not show where the course flattens: the scale has no upper limit."
            if best > 0
            else "The gain is reached before the second visit: the scale cannot be told from zero."
        )
    return PlateauCourse(
        scale=scale,
        scale_low=ends[0],
        scale_high=ends[1],
        half_time=scale * float(np.log(2.0)),
        log_likelihood=fit.log_likelihood,
        n=fit.n_clients,
        ci_level=ci_level,
        fixed=_fixed(fit, t, scale, ends),
        courses=_courses(design, t, fit, choices),
        fit=fit,
        time=time,
        notes=tuple(notes),
    )


def _with_shape(design: Design, shape: Array) -> Design:
    """Replace the column `shape` wherever it stands."""

    def swapped(names: tuple[str, ...], columns: tuple[Array, ...]) -> tuple[Array, ...]:
        return tuple(
            shape if name == "shape" else column
            for name, column in zip(names, columns, strict=True)
        )

    levels = tuple(replace(one, z=swapped(one.terms, one.z)) for one in design.levels)
    return replace(design, x=swapped(design.x_names, design.x), levels=levels)


def _interval(
    lost: Callable[[float], float], found: float, grid: Array, values: Array, ci_level: float
) -> tuple[float, float]:
    """Profile interval of the scale; open where the profile stays low."""
    limit = lost(found) + float(special.chdtri(1, 1.0 - ci_level))
    ends = []
    for side, open_end in ((grid[grid < found][::-1], 0.0), (grid[grid > found], np.inf)):
        inside, end = found, open_end
        for point in side:
            if values[np.searchsorted(grid, point)] > limit:
                root = find_root(lambda g: min(lost(g), limit + 1e6) - limit, inside, point)
                end = float(np.exp(root))
                break
            inside = float(point)
        ends.append(end)
    return ends[0], ends[1]


def _fixed(fit: MixedModelFit, t: Array, scale: float, ends: tuple[float, float]) -> pd.DataFrame:
    """Start, total gain and scale with errors that know the scale is estimated."""
    gain = fit.coefficients[1]
    slope = -gain * t / scale**2 * np.exp(-t / scale)
    x = np.column_stack([*fit.design.x, slope])
    information = _information(fit, x)
    error = np.sqrt(np.diagonal(np.linalg.pinv(information)))
    half = float(special.stdtrit(fit.n_clients - 1, 0.5 + fit.ci_level / 2.0)) * error
    estimate = np.append(fit.coefficients, scale)
    frame = pd.DataFrame(
        {
            "term": ["start", "total_gain", "scale"],
            "estimate": estimate,
            "standard_error": error,
            "ci_low": estimate - half,
            "ci_high": estimate + half,
            "ci_level": fit.ci_level,
        }
    )
    frame.loc[2, ["ci_low", "ci_high"]] = ends
    return frame


def _information(fit: MixedModelFit, x: Array) -> Array:
    """X'V^-1X for other columns than the fit's own, under its covariance."""
    from outcomes.statistics.mixed_model.dense import (
        batches,
        covariance_of_rows,
        outermost_codes,
        residual_scale,
    )

    scale = residual_scale(fit)
    out = np.zeros((x.shape[1], x.shape[1]))
    for _, rows in batches(outermost_codes(fit)[0]):
        xi = x[rows]
        out += np.einsum(
            "csp,csq->pq", xi, np.linalg.solve(covariance_of_rows(fit, rows, scale), xi)
        )
    return out


def _courses(design: Design, t: Array, plateau: MixedModelFit, choices: Choices) -> pd.DataFrame:
    """Straight, broken and plateau courses by ML."""
    straight = fit_design(_with_shape(design, t), choices)
    rows = [("straight", straight.n_parameters, straight.log_likelihood)]
    knots = np.unique(np.quantile(t, np.linspace(0.15, 0.85, 15)))
    best: tuple[float, MixedModelFit] | None = None
    for knot in knots[(knots > t.min()) & (knots < t.max())]:
        bent = _with_shape(design, t)
        bent = replace(
            bent, x=(*bent.x, np.maximum(t - knot, 0.0)), x_names=(*bent.x_names, "after_bend")
        )
        try:
            fit = fit_design(bent, choices)
        except OutcomesError:
            continue
        if best is None or fit.log_likelihood > best[1].log_likelihood:
            best = (float(knot), fit)
    if best is not None:
        rows.append(("broken", best[1].n_parameters + 1, best[1].log_likelihood))
    rows.append(("plateau", plateau.n_parameters + 1, plateau.log_likelihood))
    frame = pd.DataFrame(rows, columns=["course", "n_parameters", "log_likelihood"])
    frame["aic"] = -2.0 * frame.log_likelihood + 2.0 * frame.n_parameters
    frame["bic"] = -2.0 * frame.log_likelihood + np.log(design.n_rows) * frame.n_parameters
    return frame
