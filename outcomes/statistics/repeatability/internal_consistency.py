"""Questionnaires: how well the items hang together, and the error that follows from it.

Notation
--------
n, k       clients and items
alpha      k / (k - 1) * (1 - sum of item variances / variance of the total)
l_i, u_i   loading and own variance of item i in a one-factor model, Sigma = l l' + diag(u)
omega      (sum l_i)^2 / (variance of the total): the share that the one factor explains
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtri
from scipy.stats import f as f_distribution

from outcomes.errors import DataError, ModelError, check_between, check_count, rows_must
from outcomes.results import Estimate

__all__ = ["coefficient_omega", "cronbach_alpha", "item_table"]


def cronbach_alpha(items: Any, *, confidence: float = 0.95) -> Estimate:
    """Say how consistently the items of a questionnaire rank clients.

    Use it for a sum score of items that mean one thing. Do not use it as proof of one dimension,
    nor as the error over time: alpha sees one sitting only. It is too low where items load
    unequally (`coefficient_omega`) and too high where errors of items are correlated.

    Parameters
    ----------
    items : array-like or DataFrame, clients x items
        Complete answers.
    confidence : float, default 0.95

    Returns
    -------
    Estimate
        May be below zero; reported as estimated.

    Raises
    ------
    DataError
        Fewer than two clients or items, blanks, or totals that do not vary.

    Notes
    -----
    alpha = 1 - MSE / MSR of clients by items. Interval: Feldt's F with n - 1 and
    (n - 1)(k - 1) df; exact for parallel normal items.

    References
    ----------
    Cronbach 1951, Psychometrika 16:297, doi:10.1007/BF02310555. Feldt 1965, Psychometrika 30:357,
    doi:10.1007/BF02289499.

    Examples
    --------
    >>> found = cronbach_alpha([[1, 2, 1], [3, 3, 4], [2, 2, 3], [5, 4, 5]])
    >>> round(found.estimate, 3)
    0.945

    Checked against: ICC(C,k) of the same table, which it equals.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    table = item_table(items)
    n, k = table.shape
    total = float(table.sum(axis=1).var(ddof=1))
    own = float(table.var(axis=0, ddof=1).sum())
    estimate = k / (k - 1) * (1 - own / total)
    df1, df2 = n - 1, (n - 1) * (k - 1)
    upper: Any = f_distribution.ppf((1 + level) / 2, df1, df2)
    lower: Any = f_distribution.ppf((1 - level) / 2, df1, df2)
    return Estimate(
        measure="Cronbach alpha",
        estimate=estimate,
        ci_low=1 - (1 - estimate) * float(upper),
        ci_high=1 - (1 - estimate) * float(lower),
        ci_level=level,
        n=n,
        method="Feldt F interval",
        notes=_notes(table, estimate),
    )


def coefficient_omega(items: Any, *, confidence: float = 0.95) -> Estimate:
    """Say how much of a total score one common factor explains.

    Use it in place of alpha where items differ in how closely they follow the whole. Do not use
    it with fewer than three items or when the items clearly measure two things.

    Parameters
    ----------
    items : array-like or DataFrame, clients x items
        Complete answers; more clients than items.
    confidence : float, default 0.95

    Returns
    -------
    Estimate

    Raises
    ------
    DataError
        As `cronbach_alpha`; fewer than three items; not more clients than items; an item that
        does not vary.
    ModelError
        The factor model did not settle.

    Notes
    -----
    One factor by maximum likelihood; omega = (sum l)^2 / ((sum l)^2 + sum u). Standard error by
    the delta method on log(1 - omega) from the expected information; it supposes normal items,
    so with few answer categories and fewer than 100 clients read the interval as approximate.

    References
    ----------
    McDonald 1999, Test Theory. Raykov 2002, Multivariate Behav Res 37:89,
    doi:10.1207/S15327906MBR3701_04.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> answers = rng.normal(size=(200, 1)) + rng.normal(size=(200, 5))
    >>> 0.75 < coefficient_omega(answers).estimate < 0.9
    True

    Checked against: planted loadings, and alpha where the items are parallel.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    table = item_table(items)
    n, k = table.shape
    if k < 3:
        raise DataError("items must number three or more for one factor. Use cronbach_alpha.")
    if n <= k:
        raise DataError(
            f"clients must outnumber items; there are {n} for {k}. Add clients, or use "
            "cronbach_alpha."
        )
    if (table.std(axis=0) == 0).any():
        raise DataError("every item must vary; some do not. Leave those items out.")
    scale = table.std(axis=0, ddof=1)
    covariance = np.corrcoef(table, rowvar=False)
    loadings, own = _one_factor(covariance)
    raw, error = loadings * scale, own * scale**2
    common, unique = float(raw.sum()) ** 2, float(error.sum())
    omega = common / (common + unique)
    slope = np.concatenate([2 * raw.sum() * unique * scale, -common * scale**2])
    slope /= (common + unique) ** 2
    information = _information(loadings, own, n)
    variance = float(slope @ np.linalg.pinv(information) @ slope)
    half = float(ndtri((1 + level) / 2)) * np.sqrt(variance) / (1 - omega)
    heywood = bool((own < 1e-3).any())
    return Estimate(
        measure="omega total, one factor",
        estimate=omega,
        ci_low=float(1 - (1 - omega) * np.exp(half)),
        ci_high=float(1 - (1 - omega) * np.exp(-half)),
        ci_level=level,
        n=n,
        method="maximum likelihood, delta interval on log(1 - omega)",
        notes=(
            *_notes(table, omega),
            *(["An item is explained wholly by the factor: do not trust omega."] * heywood),
        ),
    )


def _one_factor(s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fit loadings and own variances of one factor to a correlation matrix, by likelihood."""
    k = len(s)
    _, vectors = np.linalg.eigh(s)
    start = vectors[:, -1] * np.sign(vectors[:, -1].sum() or 1.0) * 0.7 * np.sqrt(k)
    begin = np.concatenate([np.clip(start, -0.9, 0.9), np.full(k, np.log(0.5))])

    def loss(x: np.ndarray) -> tuple[float, np.ndarray]:
        load, u = x[:k], np.exp(x[k:])
        part = load / u
        inverse = np.diag(1 / u) - np.outer(part, part) / (1 + load @ part)
        value = np.log(u).sum() + np.log1p(load @ part) + (inverse * s).sum()
        middle = inverse - inverse @ s @ inverse
        return float(value), np.concatenate([2 * middle @ load, np.diag(middle) * u])

    found = minimize(
        loss,
        begin,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-3.0, 3.0)] * k + [(-8.0, 2.0)] * k,
        options={"maxiter": 2000, "ftol": 1e-14, "gtol": 1e-8},
    )
    if np.abs(found.jac[:k]).max() > 1e-3:
        raise ModelError(
            "the factor model must settle; it did not. Use cronbach_alpha, or look for items "
            "that do not vary together with the rest."
        )
    loadings = found.x[:k] * np.sign(found.x[:k].sum() or 1.0)
    return loadings, np.exp(found.x[k:])


def _information(loadings: np.ndarray, own: np.ndarray, n: int) -> np.ndarray:
    """Give the expected information: (n - 1) / 2 tr(Sigma^-1 dSigma_a Sigma^-1 dSigma_b)."""
    k = len(loadings)
    inverse = np.linalg.inv(np.outer(loadings, loadings) + np.diag(own))
    one = np.eye(k)
    of_loadings = np.einsum("ai,j->aij", one, loadings)
    of_loadings = of_loadings + of_loadings.transpose(0, 2, 1)
    of_own = np.einsum("ai,aj->aij", one, one)
    slopes = inverse @ np.concatenate([of_loadings, of_own])
    return (n - 1) / 2 * np.einsum("aij,bji->ab", slopes, slopes)


def item_table(items: Any, *, least_items: int = 2) -> np.ndarray:
    """Return complete answers as an array, or say what is wrong with them.

    Parameters
    ----------
    items : array-like or DataFrame, clients x items
    least_items : int

    Returns
    -------
    ndarray, (clients, items)

    Raises
    ------
    DataError
    """
    check_count("least_items", least_items)
    try:
        table = np.asarray(items, dtype=float)
    except (TypeError, ValueError):
        raise DataError("items must be numbers, clients by items. Score the words first.") from None
    if table.ndim != 2 or table.shape[1] < least_items or table.shape[0] < 2:
        raise DataError(
            f"items must be a table of two or more clients by {least_items} or more items. "
            "Give one row per client."
        )
    broken = ~np.isfinite(table).all(axis=1)
    if broken.any():
        raise rows_must(
            "items", "be complete", broken, "Leave out clients with blanks, or complete them"
        )
    total = table.sum(axis=1)
    if total.max() == total.min():
        raise DataError(
            "total scores must vary; all are equal. Other clients are needed to see consistency."
        )
    return table


def _notes(table: np.ndarray, estimate: float) -> tuple[str, ...]:
    notes = []
    if len(table) < 5:
        notes.append(f"Only {len(table)} clients: the interval is what this can tell.")
    if estimate < 0:
        notes.append("Below zero: items run against each other; check reversed items.")
    with np.errstate(invalid="ignore", divide="ignore"):
        centred = table - table.mean(axis=0)
        rest = centred.sum(axis=1, keepdims=True) - centred
        against = (centred * rest).sum(axis=0) < 0
    if against.any():
        which = ", ".join(str(i + 1) for i in np.flatnonzero(against))
        notes.append(f"Items that run against the rest (column {which}): check their scoring.")
    return tuple(notes)
