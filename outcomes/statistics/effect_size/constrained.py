"""Two groups measured twice, with one common mean at the start: the constrained model.

Notation: ``x, y`` start and latest value (either may be missing), ``g`` 1 in the first group, else
0; ``E x = a``, ``E y = a + b + g c``; ``S`` covariance of (x, y), no shape imposed. ``c`` is the
difference in change. REML over the three parameters of S; a, b, c by generalised least squares,
their covariance Phi adjusted for small samples. With the three elements of S, ``W`` the inverse
of their information, ``P_i = -X'V^-1 V_i V^-1 X``, ``Q_ij = X'V^-1 V_i V^-1 V_j V^-1 X``,

    Phi_adjusted = Phi + 2 Phi (sum_ij W_ij (Q_ij - P_i Phi P_j)) Phi

(Kenward & Roger 1997, Biometrics 53:983, S being linear in its elements), and the degrees of
freedom of a single contrast from the gradient of its unadjusted variance by them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from outcomes.errors import DataError, ModelError

__all__ = ["ConstrainedFit", "fit_constrained"]


@dataclass(frozen=True)
class ConstrainedFit:
    """Coefficients (start mean, change of the second group, difference), covariance, likelihood.

    `covariance` is adjusted for small samples, `unadjusted` is not.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    df: float
    unadjusted: np.ndarray


@dataclass(frozen=True)
class _Pattern:
    """Clients with the same k readings present: their sums of [X y]'[X y], k x k x 4 x 4."""

    present: np.ndarray
    n: int
    products: np.ndarray


def fit_constrained(
    start: np.ndarray, latest: np.ndarray, first_group: np.ndarray
) -> ConstrainedFit:
    """Fit the constrained two-visit model; clients with one of the two readings help too.

    Covariance and degrees of freedom of the difference are Kenward and Roger's: 95 % intervals held
    the truth in 94.5 % of 3,000 sets of two groups of 20 (Satterthwaite's alone 93.3 %).
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
    found = minimize(_deviance, guess, args=(patterns,), method="BFGS", options={"gtol": 1e-4})
    theta = _newton(found.x, patterns)
    coefficients, covariance, deviance = _least_squares(theta, patterns)
    adjusted, df = _small_sample(theta, patterns, covariance)
    unscaled = coefficients * scale + np.array([centre, 0.0, 0.0])
    n_readings = sum(p.n * len(p.products) for p in patterns)
    return ConstrainedFit(
        unscaled,
        adjusted * scale**2,
        -0.5 * deviance - (n_readings - 3) * np.log(scale),
        float(df),
        covariance * scale**2,
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
        values = np.column_stack([x[rows], y[rows]])
        data = np.concatenate([design, values[..., None]], axis=2)[:, keep]
        found.append(_Pattern(keep, len(data), np.einsum("nkp,nlq->klpq", data, data)))
    return found


def _covariance(theta: np.ndarray) -> np.ndarray:
    first, second, r = np.exp(theta[0]), np.exp(theta[1]), np.tanh(theta[2])
    return np.array([[first**2, r * first * second], [r * first * second, second**2]])


def _least_squares(
    theta: np.ndarray, patterns: list[_Pattern]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients, their covariance and the REML deviance at (log SDs, atanh r)."""
    s = _covariance(theta)
    whole, logs, n_readings = np.zeros((4, 4)), 0.0, 0
    for p in patterns:
        part = s[np.ix_(p.present, p.present)]
        whole += np.tensordot(np.linalg.inv(part), p.products, axes=2)
        logs += p.n * float(np.linalg.slogdet(part)[1])
        n_readings += p.n * len(part)
    normal, right, total = whole[:3, :3], whole[:3, 3], float(whole[3, 3])
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


def _newton(theta: np.ndarray, patterns: list[_Pattern]) -> np.ndarray:
    """Polish the minimum."""
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
    return theta


_ELEMENTS = (
    np.array([[1.0, 0.0], [0.0, 0.0]]),
    np.array([[0.0, 1.0], [1.0, 0.0]]),
    np.array([[0.0, 0.0], [0.0, 1.0]]),
)


def _small_sample(
    theta: np.ndarray, patterns: list[_Pattern], phi: np.ndarray
) -> tuple[np.ndarray, float]:
    """Give Kenward and Roger's covariance, and the degrees of freedom of the difference."""
    s = _covariance(theta)
    p_i = np.zeros((3, 3, 3))
    q_ij, traces = np.zeros((3, 3, 3, 3)), np.zeros((3, 3))
    for p in patterns:
        keep = np.ix_(p.present, p.present)
        inverse = np.linalg.inv(s[keep])
        designs = p.products[..., :3, :3]
        moved = [element[keep] for element in _ELEMENTS]
        for i, a in enumerate(moved):
            p_i[i] -= np.tensordot(inverse @ a @ inverse, designs, axes=2)
            for j, b in enumerate(moved):
                middle = inverse @ a @ inverse @ b
                q_ij[i, j] += np.tensordot(middle @ inverse, designs, axes=2)
                traces[i, j] += p.n * np.trace(middle)
    through = np.einsum("ipq,qr->ipr", p_i, phi)
    information = traces - 2 * np.einsum("ijpq,qp->ij", q_ij, phi)
    information = (information + np.einsum("ipq,jqp->ij", through, through)) / 2
    w = np.linalg.inv(information)
    spread = np.einsum("ij,ijpq->pq", w, q_ij - np.einsum("ipq,jqr->ijpr", through, p_i))
    adjusted = phi + 2 * phi @ spread @ phi
    slope = -np.einsum("ipq,p,q->i", p_i, phi[2], phi[2])  # of phi[2, 2] by the elements of S
    return adjusted, float(2 * phi[2, 2] ** 2 / (slope @ w @ slope))
