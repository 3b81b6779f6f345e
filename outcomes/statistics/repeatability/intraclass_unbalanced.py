"""Intraclass correlations of a table with empty cells.

Notation
--------
tau     variance between clients over residual variance; the correlation is tau / (1 + tau)
M       projection that removes the fixed effects (the mean, or the raters' means)
d_i     positive eigenvalues of Z'MZ, Z the clients' indicator; z_i the data's coordinates there
Q(tau)  sum of z_i^2 / (1 + tau d_i), over its r coordinates and over the residual mean square:
        F distributed with r and nu degrees of freedom, exactly, whatever cells are empty
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.stats import f as f_distribution

from outcomes.errors import DataError
from outcomes.statistics.repeatability.root import root
from outcomes.statistics.repeatability.variance_components import fit_components, profile_interval

__all__ = ["unbalanced_rows"]


def unbalanced_rows(table: np.ndarray, level: float) -> dict[str, dict[str, Any]]:
    """Give every form for a table with missing readings, as plain rows.

    Parameters
    ----------
    table : ndarray, (clients, raters), nan where missing
    level : float

    Returns
    -------
    dict
        Form to estimate, ci_low, ci_high, statistic, df1, df2, p_value, method, notes.
    """
    client, rater = np.nonzero(np.isfinite(table))
    y = table[client, rater]
    ones = np.ones((len(y), 1))
    raters = np.equal.outer(rater, np.arange(table.shape[1])).astype(float)
    _, _, residual, df = _pivot(y, raters, client)
    if df < 1 or residual <= 1e-14 * float(np.var(y)):
        raise DataError(
            "ratings must leave readings to estimate the error from; these do not. Repeat more "
            "readings of the same clients, or read on a finer scale."
        )
    singles = {
        "ICC(1)": _one_random_term(y, ones, client, level),
        "ICC(A,1)": _agreement(y, ones, client, rater, level),
        "ICC(C,1)": _one_random_term(y, raters, client, level),
    }
    consistency = singles["ICC(C,1)"]
    singles["ICC(A,1)"] |= {k: consistency[k] for k in ("statistic", "df1", "df2", "p_value")}
    k = table.shape[1]
    rows: dict[str, dict[str, Any]] = {}
    for form, single in singles.items():
        if single["estimate"] == 0:
            single["notes"] = ["The spread between clients is estimated at its bound of zero."]
        up = {n: _up(single[n], k) for n in ("estimate", "ci_low", "ci_high")}
        notes = [*single["notes"], f"For the mean of {k} raters, although some readings miss."]
        rows[form] = single
        rows[form.replace("1)", "k)")] = single | up | {"notes": notes}
    return rows


def _up(r: float, k: int) -> float:
    return k * r / (1 + (k - 1) * r) if r > -1 / (k - 1) else -np.inf


def _one_random_term(y: np.ndarray, x: np.ndarray, client: np.ndarray, level: float) -> dict:
    """Take clients as the one random term: REML estimate, exact interval."""
    eigen, squared, residual, df2 = _pivot(y, x, client)
    df1 = len(eigen)
    tail = (1 + level) / 2
    smallest = -1 / eigen.max()

    def ratio(tau: float) -> float:
        return float((squared / (1 + tau * eigen)).sum() / df1 / residual)

    def solve(target: float) -> float:
        """Give the correlation at which the pivot equals `target`; the pivot falls as tau rises."""
        low = smallest * (1 - 1e-9)
        high = 1.0
        while ratio(high) > target:
            high *= 4
            if high > 1e12:
                return 1.0
        if ratio(low) < target:
            return smallest / (1 + smallest)
        tau = root(lambda t: ratio(t) - target, low, high, xtol=1e-14)
        return tau / (1 + tau)

    fit = fit_components(y, x, [client])
    estimate = float(fit.theta[0] / fit.theta.sum())
    low = solve(float(f_distribution.ppf(tail, df1, df2)))
    high = solve(float(f_distribution.ppf(1 - tail, df1, df2)))
    statistic = ratio(0.0)
    return {
        "estimate": estimate,
        "ci_low": low,
        "ci_high": high,
        "statistic": statistic,
        "df1": float(df1),
        "df2": float(df2),
        "p_value": float(f_distribution.sf(statistic, df1, df2)),
        "method": "REML components; exact F interval for unequal numbers",
        "notes": [],
    }


def _pivot(
    y: np.ndarray, x: np.ndarray, client: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float, int]:
    """Eigenvalues, squared coordinates, residual mean square and its df."""
    basis = np.linalg.svd(x, full_matrices=False)
    basis = basis[0][:, basis[1] > 1e-10 * basis[1].max()]

    def clear(a: np.ndarray) -> np.ndarray:
        return a - basis @ (basis.T @ a)

    z = clear(np.equal.outer(client, np.unique(client)).astype(float))
    left = clear(y - y.mean())
    u, s, _ = np.linalg.svd(z, full_matrices=False)
    keep = s > 1e-8 * s.max()
    u, s = u[:, keep], s[keep]
    coordinates = u.T @ left
    df = len(y) - basis.shape[1] - int(keep.sum())
    rest = left - u @ coordinates
    return s**2, coordinates**2, float(rest @ rest) / max(df, 1), df


def _agreement(
    y: np.ndarray, ones: np.ndarray, client: np.ndarray, rater: np.ndarray, level: float
) -> dict:
    """Client variance over client, rater and residual variance, with its likelihood interval."""
    fit = fit_components(y, ones, [client, rater])
    estimate = float(fit.theta[0] / fit.theta.sum())

    def weights(t: float) -> tuple[np.ndarray, float]:
        return np.array([1 - t, -t, -t]), 0.0

    low, high = profile_interval(fit, weights, estimate, confidence=level, low=0.0, high=1.0)
    return {
        "estimate": estimate,
        "ci_low": low,
        "ci_high": high,
        "method": "REML components; profile likelihood interval",
        "notes": [],
    }
