"""Serial correlation of a client's readings, in continuous time.

Notation: e_k errors at times t_k, Corr(e_j, e_k) = phi ** (|t_j - t_k| / gap), where `gap` is the
series' median time between readings, so that phi is the correlation of neighbours at the usual
distance and visits need not be evenly spaced. The restricted likelihood of phi, with the
coefficients and the variance integrated out, is
    l(phi) = -1/2 log|R| - 1/2 log|X' R^-1 X| - (n - p) / 2 log RSS(phi).
R^-1 is a chain, so readings are whitened by e_1, (e_k - r_k e_{k-1}) / sqrt(1 - r_k^2), r_k =
phi ** (gap_k / gap); nothing of size n x n is built.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, ModelError, check_between
from outcomes.statistics.single_case.phases import Series, read_series

__all__ = [
    "PHI_GRID",
    "RestrictedCurve",
    "phase_means_design",
    "restricted_curve",
    "serial_correlation",
]

#: Where the restricted likelihood is evaluated. Negative correlation has no meaning in continuous
#: time; above .98 the mean of a short series is not estimable.
PHI_GRID = np.linspace(0.0, 0.98, 50)


@dataclass(frozen=True, eq=False)
class RestrictedCurve:
    """Fits of one design at every phi of the grid, for one or many columns of readings.

    Attributes
    ----------
    phi : ndarray, shape (g,)
    beta : ndarray, shape (g, p, s)
    unscaled : ndarray, shape (g, p, p)
        (X' R^-1 X)^-1.
    rss : ndarray, shape (g, s)
    log_likelihood : ndarray, shape (g, s)
        Restricted, up to a constant.
    df : int
        n - p.
    """

    phi: np.ndarray
    beta: np.ndarray
    unscaled: np.ndarray
    rss: np.ndarray
    log_likelihood: np.ndarray
    df: int

    @property
    def weight(self) -> np.ndarray:
        """Share of each phi under equal prior weights, shape (g, s)."""
        raw = np.exp(self.log_likelihood - self.log_likelihood.max(axis=0))
        return raw / raw.sum(axis=0)

    def contrast(self, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Estimate and standard error of c'beta at every phi, each of shape (g, s)."""
        variance = np.einsum("i,gij,j->g", c, self.unscaled, c)
        return np.einsum("i,gis->gs", c, self.beta), np.sqrt(variance[:, None] * self.rss / self.df)


def restricted_curve(
    design: np.ndarray, readings: np.ndarray, time: np.ndarray, *, phi: np.ndarray = PHI_GRID
) -> RestrictedCurve:
    """Fit by generalised least squares at every phi, for all columns of readings at once.

    Use to carry serial correlation into an inference; `phase_effects` does so for frames.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Full column rank, n > p.
    readings : ndarray, shape (n,) or (n, s)
        One or many series with the same times.
    time : ndarray, shape (n,)
        Increasing times.
    phi : ndarray
        Correlations at the median gap, in [0, 1).

    Returns
    -------
    RestrictedCurve

    Raises
    ------
    ModelError
        No reading more than the model has terms, or readings that the terms fit without error.

    Examples
    --------
    >>> curve = restricted_curve(np.ones((4, 1)), np.array([1.0, 2, 4, 3]), np.arange(4.0))
    >>> float(curve.beta[0, 0, 0])
    2.5

    Checked against: nlme::gls with corCAR1 (R). Test: test_single_case_course.py.
    """
    y = readings[:, None] if readings.ndim == 1 else readings
    n, p = design.shape
    if n <= p:
        raise ModelError(
            f"readings must outnumber the {p} terms of the model, got {n}. Leave the trend out, "
            f"or report the indices that need no model."
        )
    gaps = np.diff(time)
    r = phi[:, None] ** (gaps / np.median(gaps))[None, :]
    x_white, y_white = _whiten(design, r), _whiten(y, r)
    gram = np.einsum("gni,gnj->gij", x_white, x_white)
    sign, log_gram = np.linalg.slogdet(gram)
    if np.any(sign <= 0) or np.linalg.cond(gram[0]) > 1e12:
        raise ModelError(
            "the terms of the model must be distinguishable in every series. A phase with one "
            "reading has no trend: leave the trend out."
        )
    moment = np.einsum("gni,gns->gis", x_white, y_white)
    unscaled = np.linalg.inv(gram)
    beta = unscaled @ moment
    left = y_white - x_white @ beta
    rss = np.einsum("gns,gns->gs", left, left)
    total = ((y - y.mean(axis=0)) ** 2).sum(axis=0)
    if np.any(rss <= 1e-20 * np.maximum(total, 1e-300)) or np.any(rss <= 0):
        raise ModelError(
            "readings must vary within phases to estimate an error. Use nonoverlap_of_all_pairs, "
            "which needs no spread."
        )
    log_r = np.log1p(-(r**2)).sum(axis=1)
    log_likelihood = -0.5 * (log_r + log_gram)[:, None] - (n - p) / 2 * np.log(rss)
    return RestrictedCurve(phi, beta, unscaled, rss, log_likelihood, n - p)


def phase_means_design(one: Series) -> np.ndarray:
    """One column per phase run."""
    return (one.run[:, None] == np.arange(one.run[-1] + 1)[None, :]).astype(float)


def serial_correlation(
    values: pd.DataFrame,
    *,
    better: str | Mapping[str, str] = "higher",
    time: str | None = None,
    ci_level: float = 0.95,
) -> pd.DataFrame:
    """How strongly a client's neighbouring readings hang together, per client and pooled.

    Use to judge how far methods for independent readings can be trusted. Do not read one
    client's value on its own: with 16 readings its interval spans most of the range.

    Parameters
    ----------
    values : DataFrame
        Readings as for `read_series`.
    better : {"higher", "lower"} or mapping of measure to one of them
        Only passed on; correlation has no direction.
    time : {"week", "day", "visit"}, optional
        Time column.
    ci_level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    DataFrame
        One row per series, then rows of the pooled estimate (client "all"), one per set of the
        other keys: the keys, estimate (restricted likelihood, at the series' median gap),
        ci_low, ci_high (profile), ci_level, lag_one (residual lag-1 correlation, plus 1 / n),
        median_gap, n_readings, method, notes.

    Raises
    ------
    DataError
        As `read_series`.

    Notes
    -----
    Residuals about phase means. lag_one: sum e_k e_{k+1} / sum e_k^2 + 1 / n within phases
    (Huitema & McKean 1991 correction), may be negative; the likelihood's estimate may not.

    References
    ----------
    Huitema & McKean 1991, Psychol Bull 110:291; Jones & Boadi-Boateng 1991, Biometrics 47:161.

    Examples
    --------
    >>> values = pd.DataFrame({"client": "A", "week": range(8), "phase": ["baseline"] * 8,
    ...                        "value": [1, 2, 3, 3, 2, 1, 1, 2.0]})
    >>> serial_correlation(values)["client"].tolist()
    ['A', 'all']

    Checked against: nlme::gls with corCAR1 (R). Test: test_single_case_course.py.
    """
    level = check_between("ci_level", ci_level, 0, 1)
    drop = float(stats.chi2.ppf(level, 1)) / 2
    rows: list[dict[str, object]] = []
    sums: dict[tuple, list] = {}
    for one in read_series(values, better=better, time=time, need_baseline=False):
        row: dict[str, object] = {**one.key}
        try:
            curve = restricted_curve(phase_means_design(one), one.value, one.time)
        except (ModelError, DataError) as error:
            rows.append(row | _no_correlation(one, level, str(error)))
            continue
        profile = curve.log_likelihood[:, 0]
        rows.append(row | _from_profile(curve.phi, profile, drop, level) | _facts_of(one))
        rest = tuple((key, one.key[key]) for key in one.key if key not in ("client", "episode"))
        sums.setdefault(rest, [0.0, 0, curve.phi])
        sums[rest][0] = sums[rest][0] + profile
        sums[rest][1] += one.value.size
    for rest, (profile, n, phi) in sums.items():
        rows.append(
            {"client": "all", **dict(rest)}
            | _from_profile(phi, profile, drop, level)
            | {"lag_one": np.nan, "median_gap": np.nan, "n_readings": n}
        )
    return pd.DataFrame(rows)


def _whiten(columns: np.ndarray, r: np.ndarray) -> np.ndarray:
    out = np.empty((r.shape[0], *columns.shape))
    out[:, 0] = columns[0]
    out[:, 1:] = (columns[None, 1:] - r[:, :, None] * columns[None, :-1]) / np.sqrt(
        1 - r[:, :, None] ** 2
    )
    return out


def _from_profile(
    phi: np.ndarray, profile: np.ndarray, drop: float, level: float
) -> dict[str, object]:
    fine = np.linspace(phi[0], phi[-1], 981)
    height = np.interp(fine, phi, profile)
    best = int(np.argmax(profile))
    estimate = phi[best]
    if 0 < best < phi.size - 1:  # parabola through the three highest points
        low, mid, high = profile[best - 1 : best + 2]
        estimate += 0.5 * (low - high) / (low - 2 * mid + high) * (phi[1] - phi[0])
    inside = fine[height >= profile.max() - drop]
    return {
        "estimate": float(estimate),
        "ci_low": float(inside[0]),
        "ci_high": float(inside[-1]) if inside[-1] < fine[-1] else 1.0,
        "ci_level": level,
        "method": "restricted likelihood, continuous time; profile interval",
        "notes": "",
    }


def _facts_of(one: Series) -> dict[str, object]:
    above = below = 0.0
    for r in range(int(one.run[-1]) + 1):
        here = one.value[one.run == r]
        left = here - here.mean()
        above += float((left[1:] * left[:-1]).sum())
        below += float((left**2).sum())
    return {
        "lag_one": above / below + 1 / one.value.size,
        "median_gap": float(np.median(np.diff(one.time))),
        "n_readings": int(one.value.size),
    }


def _no_correlation(one: Series, level: float, reason: str) -> dict[str, object]:
    gap = float(np.median(np.diff(one.time))) if one.time.size > 1 else np.nan
    return {
        "estimate": np.nan,
        "ci_low": np.nan,
        "ci_high": np.nan,
        "ci_level": level,
        "method": "not computed",
        "notes": reason,
        "lag_one": np.nan,
        "median_gap": gap,
        "n_readings": int(one.value.size),
    }
