"""Two groups measured twice, with one common mean at the start: the constrained model.

Notation: ``x, y`` start and latest value (either may be missing), ``g`` 1 in the first group, else
0; ``E x = a``, ``E y = a + b + g c``; ``S`` covariance of (x, y), no shape imposed. ``c`` is the
difference in change. REML over the three parameters of S; a, b, c by generalised least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from outcomes.errors import DataError, ModelError

__all__ = ["ConstrainedFit", "fit_constrained"]


@dataclass(frozen=True)
class ConstrainedFit:
    """Coefficients (start mean, change of the second group, difference), covariance, likelihood."""

    coefficients: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    df: float


@dataclass(frozen=True)
class _Pattern:
    """Clients with the same readings present: their values (clients x k) and designs."""

    present: np.ndarray
    values: np.ndarray
    designs: np.ndarray


def fit_constrained(
    start: np.ndarray, latest: np.ndarray, first_group: np.ndarray
) -> ConstrainedFit:
    """Fit the constrained two-visit model; clients with one of the two readings help too.

    The degrees of freedom of the difference are Satterthwaite's, from the curvature of REML.
    """
    both = np.isfinite(start) & np.isfinite(latest)
    for members in (first_group, ~first_group):
        if (both & members).sum() < 3:
            raise DataError(
                "each group must have at least 3 clients measured twice. Show every client."
            )
    centre, scale = float(np.nanmean(start)), float(np.nanstd(np.r_[start, latest]))
    patterns = _patterns((start - centre) / scale, (latest - centre) / scale, first_group)
    s = np.cov(((start - centre) / scale)[both], ((latest - centre) / scale)[both])
    if s[0, 0] <= 0 or s[1, 1] <= 0 or np.linalg.det(s) <= 1e-12 * s[0, 0] * s[1, 1]:
        raise DataError("the changes must differ between clients. Report the raw changes.")
    r = s[0, 1] / np.sqrt(s[0, 0] * s[1, 1])
    guess = np.array([np.log(s[0, 0]) / 2, np.log(s[1, 1]) / 2, np.arctanh(r)])
    found = minimize(_deviance, guess, args=(patterns,), method="BFGS", options={"gtol": 1e-9})
    theta, hessian = _newton(found.x, patterns)
    coefficients, covariance, deviance = _least_squares(theta, patterns)
    gradient = _numeric_gradient(lambda t: _least_squares(t, patterns)[1][2, 2], theta)
    df = 2 * covariance[2, 2] ** 2 / float(gradient @ np.linalg.solve(hessian / 2, gradient))
    unscaled = coefficients * scale + np.array([centre, 0.0, 0.0])
    n_readings = sum(p.values.size for p in patterns)
    return ConstrainedFit(
        unscaled,
        covariance * scale**2,
        -0.5 * deviance - (n_readings - 3) * np.log(scale),
        float(df),
    )


def _patterns(x: np.ndarray, y: np.ndarray, g: np.ndarray) -> list[_Pattern]:
    found = []
    for present in ([True, True], [True, False], [False, True]):
        rows = (np.isfinite(x) == present[0]) & (np.isfinite(y) == present[1])
        if not rows.any():
            continue
        design = np.zeros((rows.sum(), 2, 3))
        design[:, :, 0] = 1
        design[:, 1, 1] = 1
        design[:, 1, 2] = g[rows]
        keep = np.array(present)
        values = np.column_stack([x[rows], y[rows]])[:, keep]
        found.append(_Pattern(keep, values, design[:, keep]))
    return found


def _least_squares(
    theta: np.ndarray, patterns: list[_Pattern]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients, their covariance and the REML deviance at (log SDs, atanh r)."""
    first, second, r = np.exp(theta[0]), np.exp(theta[1]), np.tanh(theta[2])
    s = np.array([[first**2, r * first * second], [r * first * second, second**2]])
    normal, right = np.zeros((3, 3)), np.zeros(3)
    total, logs, n_readings = 0.0, 0.0, 0
    for p in patterns:
        part = s[np.ix_(p.present, p.present)]
        inverse = np.linalg.inv(part)
        weighted = np.einsum("ikp,kl->ilp", p.designs, inverse)
        normal += np.einsum("ilp,ilq->pq", weighted, p.designs)
        right += np.einsum("ilp,il->p", weighted, p.values)
        total += float(np.einsum("ik,kl,il->", p.values, inverse, p.values))
        logs += len(p.values) * float(np.linalg.slogdet(part)[1])
        n_readings += p.values.size
    covariance = np.linalg.inv(normal)
    coefficients = covariance @ right
    deviance = logs + float(np.linalg.slogdet(normal)[1]) + total - float(right @ coefficients)
    return coefficients, covariance, deviance + (n_readings - 3) * np.log(2 * np.pi)


def _deviance(theta: np.ndarray, patterns: list[_Pattern]) -> float:
    return _least_squares(theta, patterns)[2]


def _numeric_gradient(function, theta: np.ndarray) -> np.ndarray:
    step = 1e-5
    moves = step * np.eye(theta.size)
    return np.array([(function(theta + m) - function(theta - m)) / (2 * step) for m in moves])


def _newton(theta: np.ndarray, patterns: list[_Pattern]) -> tuple[np.ndarray, np.ndarray]:
    """Polish the minimum and give the Hessian of the deviance there."""
    step = 1e-4

    def slope(t: np.ndarray) -> np.ndarray:
        return _numeric_gradient(lambda u: _deviance(u, patterns), t)

    hessian = np.eye(theta.size)
    for _ in range(2):
        columns = [
            (slope(theta + m) - slope(theta - m)) / (2 * step) for m in step * np.eye(theta.size)
        ]
        hessian = (np.array(columns) + np.array(columns).T) / 2
        if np.linalg.eigvalsh(hessian)[0] <= 0:
            raise ModelError(
                "the constrained model did not converge on these data. Use the difference in "
                "change, or the analysis of covariance."
            )
        theta = theta - np.linalg.solve(hessian, slope(theta))
    return theta, hessian
