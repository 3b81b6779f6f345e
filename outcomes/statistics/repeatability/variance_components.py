"""Variance components of small designs by restricted maximum likelihood, with likelihood intervals.

Notation
--------
y        readings, n of them
X        fixed effects, n x p (a column of ones, perhaps raters)
G_j      n x n, 1 where two readings share a level of term j; the residual has the identity
theta    variance components, zero or more; the residual last and above zero
V        sum of theta_j G_j
P        V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1
d        deviance: -2 times the restricted log-likelihood
w        weights: the quantity of interest is w'theta

Made for repeatability studies: hundreds of readings, terms that may be crossed, cells that may be
empty. Everything is dense; clients by the thousand belong to `outcomes.statistics.mixed_model`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve
from scipy.special import digamma
from scipy.stats import chi2

from outcomes.errors import DataError, ModelError
from outcomes.statistics.repeatability.root import root

__all__ = ["ComponentFit", "fit_components", "profile_interval"]

#: More readings than this take minutes: n^3 per step.
MOST_READINGS = 3000

#: Components this small against the total count as zero.
ZERO = 1e-9


@dataclass(frozen=True, eq=False)
class ComponentFit:
    """A fit: components (residual last), deviance, and what the interval needs.

    Attributes
    ----------
    theta : ndarray
        Components in squared units of the readings.
    deviance : float
        Of the readings divided by `scale`, without constants.
    covariance : ndarray
        Inverse expected information; rows of components at zero are zero.
    scale : float
        Standard deviation by which the readings were divided.
    """

    theta: np.ndarray
    deviance: float
    covariance: np.ndarray
    scale: float
    _model: _Model


class _Model:
    """Readings reduced to cell means and the spread within cells, which lose nothing.

    Readings that share every level (and row of X) form a cell. With C cells of m_c readings the
    deviance is that of the cell means, whose residual variance is theta_e / m_c, plus
    (n - C) log theta_e + (sum of squares within cells) / theta_e.
    """

    def __init__(self, y: np.ndarray, x: np.ndarray, terms: Sequence[np.ndarray]) -> None:
        self.scale = float(np.std(y - x @ np.linalg.lstsq(x, y, rcond=None)[0]))
        y = (y - y.mean()) / self.scale
        keys = np.column_stack([*terms, x]).astype(float)
        _, first, cell = np.unique(keys, axis=0, return_index=True, return_inverse=True)
        cell = cell.ravel()
        size = np.bincount(cell)
        self.y = np.bincount(cell, y) / size
        self.within = float(((y - self.y[cell]) ** 2).sum())
        self.within_df = len(y) - len(size)
        self.x = x[first]
        self.share = 1.0 / size
        z = [np.equal.outer(codes[first], np.unique(codes)).astype(float) for codes in terms]
        self.g = [one @ one.T for one in z]
        self.stacked = np.hstack([*z, np.empty((len(size), 0))])
        self.edges = np.cumsum([0] + [one.shape[1] for one in z])

    def evaluate(self, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Deviance, its gradient, and half its expected second derivative."""
        m, error = len(self.g), max(float(theta[-1]), 1e-13 * float(theta.sum()))
        v = np.diag(error * self.share)
        for weight, g in zip(theta[:-1], self.g, strict=True):
            if weight:
                v += weight * g
        try:
            lower = np.linalg.cholesky(v)
        except np.linalg.LinAlgError:
            raise ModelError(
                "variance components must leave error; these readings leave none to speak of. "
                "Read on a finer scale, or repeat more readings."
            ) from None
        inverse = cho_solve((lower, True), np.eye(len(v)), check_finite=False)
        vx = inverse @ self.x
        xvx = self.x.T @ vx
        p = inverse - vx @ np.linalg.solve(xvx, vx.T)
        py = p @ self.y
        deviance = (
            2 * np.log(np.diag(lower)).sum()
            + np.linalg.slogdet(xvx)[1]
            + float(self.y @ py)
            + self.within_df * np.log(error)
            + self.within / error
        )
        pz = p @ self.stacked
        zpz = self.stacked.T @ pz
        zpy = self.stacked.T @ py
        gradient, information = np.empty(m + 1), np.empty((m + 1, m + 1))
        if m:
            starts = self.edges[:-1]
            gradient[:m] = np.add.reduceat(np.diag(zpz) - zpy**2, starts)
            squares = np.add.reduceat(np.add.reduceat(zpz**2, starts, axis=0), starts, axis=1)
            information[:m, :m] = squares / 2
            cross = np.add.reduceat((pz**2 * self.share[:, None]).sum(axis=0), starts) / 2
            information[:m, m] = information[m, :m] = cross
        gradient[m] = (
            float(np.diag(p) @ self.share)
            - float(py**2 @ self.share)
            + self.within_df / error
            - self.within / error**2
        )
        information[m, m] = (
            float(self.share @ p**2 @ self.share) / 2 + self.within_df / error**2 / 2
        )
        return deviance, gradient, information


def fit_components(y: np.ndarray, x: np.ndarray, terms: Sequence[np.ndarray]) -> ComponentFit:
    """Fit variance components by REML, held at zero or above.

    Parameters
    ----------
    y : ndarray, (n,)
    x : ndarray, (n, p)
        Full column rank.
    terms : sequence of ndarray, (n,)
        Level of each random term, per reading; no residual.

    Returns
    -------
    ComponentFit

    Raises
    ------
    DataError
        More than 3,000 readings, or no readings left to estimate the error from.
    ModelError
        The search did not settle.

    Notes
    -----
    Fisher scoring on the components above zero; those at zero return when the gradient says so.

    References
    ----------
    Patterson & Thompson 1971, Biometrika 58:545, doi:10.1093/biomet/58.3.545.
    """
    if len(y) > MOST_READINGS:
        raise DataError(
            f"readings must number at most {MOST_READINGS:,}, got {len(y):,}. Analyse one measure "
            "at a time, or use error_from_routine_visits."
        )
    model = _Model(y, x, terms)
    m = len(terms)
    theta = np.full(m + 1, 1.0 / (m + 1))
    deviance, gradient, information = model.evaluate(theta)
    for _ in range(200):
        free = (theta > 0) | (gradient < 0)
        free[-1] = True
        if np.abs(gradient * np.where(free, theta + 1e-3, 0)).max() < 1e-8:
            break
        step = np.zeros(m + 1)
        block = information[np.ix_(free, free)]
        step[free] = -np.linalg.lstsq(2 * block, gradient[free], rcond=None)[0]
        length = 1.0
        for _ in range(40):
            trial = np.maximum(theta + length * step, 0.0)
            trial[-1] = max(trial[-1], theta[-1] / 20)
            reached = model.evaluate(trial)
            if reached[0] <= deviance + 1e-12:
                break
            length /= 2
        else:
            break
        moved = np.abs(trial - theta).max()
        theta, (deviance, gradient, information) = trial, reached
        if moved < 1e-13:
            break
    theta = np.where(theta < ZERO * theta.sum(), 0.0, theta)
    deviance, gradient, information = model.evaluate(theta)
    above = theta > 0
    if np.abs(gradient[above] * theta[above]).max() > 1e-4:
        raise ModelError(
            "variance components must settle; the search did not. Drop the term with the fewest "
            "levels, or add readings."
        )
    covariance = np.zeros((m + 1, m + 1))
    covariance[np.ix_(above, above)] = np.linalg.pinv(information[np.ix_(above, above)])
    square = model.scale**2
    return ComponentFit(theta * square, deviance, covariance * square**2, model.scale, model)


def profile_interval(
    fit: ComponentFit,
    weights: Callable[[float], tuple[np.ndarray, float]],
    estimate: float,
    *,
    confidence: float,
    low: float,
    high: float,
    df: float = np.inf,
) -> tuple[float, float]:
    """Give the likelihood interval of a quantity that is linear, or a ratio, in the components.

    Parameters
    ----------
    fit : ComponentFit
    weights : callable
        Value t to (w, c): the quantity equals t where ``w @ theta == c``, theta in squared units
        of the readings divided by ``fit.scale``.
    estimate : float
        Value at the fit.
    low, high : float
        Ends of the quantity's range; high may be infinite.
    df : float
        Approximate degrees of freedom of the estimate; the fewer, the higher the quantile.

    Returns
    -------
    tuple of float
        Where the deviance rises by the chi-square quantile at 1 df times the mean of the
        deviance of a variance with `df` degrees of freedom (the Bartlett factor); an end of the
        range where it never does.
    """
    limit = fit.deviance + float(chi2.ppf(confidence, 1)) * _bartlett(df)
    unbounded = np.isinf(high)
    start = fit.theta / fit.scale**2

    def inner(t: float) -> float:
        return float(np.log(t) if unbounded else np.log(t / (1 - t)))

    def outer(u: float) -> float:
        return float(np.exp(u) if unbounded else 1 / (1 + np.exp(-u)))

    begin = estimate if estimate > low else low + 1e-4 * (fit.scale**2 if unbounded else 1)
    begin = min(begin, 1 - 1e-4) if not unbounded else begin

    def search(direction: float, end: float) -> float:
        known: dict[float, float] = {}
        state = {"theta": start}

        def rise(u: float) -> float:
            """Deviance above the limit; kept, for the search walks on from its last optimum."""
            if u not in known:
                w, c = weights(outer(u))
                deviance, state["theta"] = _constrained(fit._model, w, c, state["theta"])
                known[u] = deviance - limit
            return known[u]

        inside = outside = inner(begin)
        width = 0.25
        if rise(inside) > 0:
            return estimate
        for _ in range(40):
            outside = inside + direction * width
            if abs(outside) > 30:
                return end
            if rise(outside) > 0:
                break
            inside, width = outside, width * 1.5
        a, b = sorted((inside, outside))
        return outer(root(rise, a, b, xtol=1e-8))

    return (
        low if estimate <= low else search(-1.0, low),
        high if estimate >= high else search(1.0, high),
    )


def _bartlett(df: float) -> float:
    """Mean deviance of a variance estimate with `df` degrees of freedom; 1 for many."""
    df = max(df, 1.0)
    return float(df * (np.log(df / 2) - digamma(df / 2))) if df < 1e6 else 1.0


def _constrained(
    model: _Model, w: np.ndarray, c: float, start: np.ndarray
) -> tuple[float, np.ndarray]:
    """Smallest deviance over theta at zero or above with ``w @ theta == c``."""
    theta = _onto(w, c, np.maximum(start, 1e-6 * start.sum()))
    deviance, gradient, information = model.evaluate(theta)
    free = np.ones(len(w), dtype=bool)
    for _ in range(100):
        step, pull = _newton_step(gradient, information, w, free)
        back = ~free & (gradient - pull * w < -1e-9)
        if back.any():
            free |= back
            step, pull = _newton_step(gradient, information, w, free)
        if -float(gradient @ step) < 1e-8:
            break
        shrinking = step < 0
        room = np.where(shrinking, theta / np.where(shrinking, -step, 1.0), np.inf)
        room[-1] *= 0.9
        length = min(1.0, float(room.min()))
        for _ in range(30):
            trial = np.maximum(theta + length * step, 0.0)
            reached = model.evaluate(trial)
            if reached[0] <= deviance + 1e-12:
                break
            length /= 2
        else:
            break
        theta, (deviance, gradient, information) = trial, reached
        free = theta > 1e-12 * theta.sum()
        theta = np.where(free, theta, 0.0)
    return deviance, theta


def _onto(w: np.ndarray, c: float, theta: np.ndarray) -> np.ndarray:
    """Scale the components of positive weight until ``w @ theta == c``."""
    plus = w > 0
    wanted = c - float(w[~plus] @ theta[~plus])
    return np.where(plus, theta * wanted / float(w[plus] @ theta[plus]), theta)


def _newton_step(
    gradient: np.ndarray, information: np.ndarray, w: np.ndarray, free: np.ndarray
) -> tuple[np.ndarray, float]:
    """Scoring step of the free components along ``w @ step == 0``, and the multiplier of w."""
    size = int(free.sum())
    unit = 1 / np.sqrt(2 * np.diag(information)[free])
    row = w[free] * unit
    length = float(np.linalg.norm(row)) or 1.0
    system = np.zeros((size + 1, size + 1))
    system[:size, :size] = 2 * information[np.ix_(free, free)] * np.outer(unit, unit)
    system[:size, size] = system[size, :size] = row / length
    found = np.linalg.lstsq(system, np.append(-gradient[free] * unit, 0.0), rcond=None)[0]
    step = np.zeros(len(w))
    step[free] = found[:size] * unit
    return step, -float(found[size]) / length
