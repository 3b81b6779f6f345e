"""Agreement that changes with the size of the reading.

Notation
--------
d, a       first minus second, and their mean, for one client
b(a)       mean difference at size a, by regression of d on a
s(a)       spread at size a: sqrt(pi / 2) times the regression of |d - b(a)| on a
           (for a normal error the mean absolute error is sqrt(2 / pi) times its spread)
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtr, stdtrit

from outcomes.errors import DataError, ModelError, check_between, rows_must
from outcomes.statistics.repeatability.agreement import limits_of_agreement

__all__ = ["agreement_pattern", "limits_by_size", "ratio_limits"]


def agreement_pattern(first: Any, second: Any, *, confidence: float = 0.95) -> pd.DataFrame:
    """Check whether the difference, or its spread, changes with the size of the reading.

    Use it before constant limits of agreement are believed. Do not read a slope of the
    difference as proof of proportional bias: two ways with unequal error give one as well.

    Parameters
    ----------
    first, second : array-like, (clients,)
        One pair per client (means of replicates).
    confidence : float, default 0.95

    Returns
    -------
    DataFrame
        Rows: mean difference against size; spread against size; and, if all readings are above
        zero, both on the log scale. Columns: question, estimate (slope), ci_low, ci_high,
        ci_level, statistic (t), df, p_value, n, notes (which limits the rows speak for).

    Raises
    ------
    DataError
        Fewer than four pairs, missing readings, or readings that do not vary.

    Notes
    -----
    Least squares of d on a, and of the absolute residual on a.

    References
    ----------
    Bland & Altman 1999, Stat Methods Med Res 8:135, section 3, doi:10.1177/096228029900800204.

    Examples
    --------
    >>> first = [12, 25, 33, 47, 58, 66, 80.0]
    >>> second = [11, 24, 30, 45, 52, 60, 71.0]
    >>> agreement_pattern(first, second)["estimate"].round(3).tolist()[:2]
    [0.124, 0.0]

    Checked against: statsmodels OLS (tests/statistics/repeatability).
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    d, a = _differences(first, second)
    rows = [
        ("mean difference against size", _line(a, d)),
        ("spread against size", _line(a, np.abs(_line(a, d).left))),
    ]
    x, y = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if (x > 0).all() and (y > 0).all():
        ratio, size = np.log(x / y), np.log(x * y) / 2
        rows += [
            ("mean log ratio against log size", _line(size, ratio)),
            ("spread of log ratio against log size", _line(size, np.abs(_line(size, ratio).left))),
        ]
    table = pd.DataFrame([{"question": q, **line.slope_row(level)} for q, line in rows])
    changing = table["p_value"] < 1 - level
    table["notes"] = _advice(changing.tolist())
    return table


def limits_by_size(
    first: Any,
    second: Any,
    *,
    sizes: Any = None,
    spread: str = "grows",
    coverage: float = 0.95,
    confidence: float = 0.95,
    unit: str = "",
) -> pd.DataFrame:
    """Give limits of agreement that follow the size of the reading.

    Use it where `agreement_pattern` shows a slope. Do not use it outside the sizes measured.

    Parameters
    ----------
    first, second : array-like, (clients,)
    sizes : array-like, optional
        Sizes at which to give the limits; five from the smallest to the largest if left out.
    spread : {"grows", "constant"}
        Whether the spread may change with size.
    coverage, confidence : float
    unit : str

    Returns
    -------
    DataFrame
        size, mean_difference, difference_sd, lower_limit, lower_ci_low, lower_ci_high,
        upper_limit, upper_ci_low, upper_ci_high, ci_level, unit, n, method.

    Raises
    ------
    DataError
        As `agreement_pattern`; sizes outside those measured.
    ModelError
        The fitted spread falls to zero within the sizes.

    Notes
    -----
    ``b(a) -/+ z s(a)``. Standard errors of the two regressions combined as if independent:
    approximate, 30 clients or more.

    References
    ----------
    Bland & Altman 1999, Stat Methods Med Res 8:135, section 3.2, doi:10.1177/096228029900800204.

    Examples
    --------
    >>> first = [12, 25, 33, 47, 58, 66, 80.0]
    >>> second = [11, 24, 30, 45, 52, 60, 71.0]
    >>> limits_by_size(first, second, sizes=[20, 60])["mean_difference"].round(2).tolist()
    [1.03, 6.01]

    Checked against: planted slopes (tests/statistics/repeatability).
    """
    share = check_between("coverage", coverage, 0, 1, remedy="Give 0.95 for 95%")
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    d, a = _differences(first, second)
    at = np.linspace(a.min(), a.max(), 5) if sizes is None else np.asarray(sizes, dtype=float)
    beyond = ~((at >= a.min()) & (at <= a.max()))
    if beyond.any():
        raise rows_must("sizes", "lie among the sizes measured", beyond, "Leave them out")
    bias = _line(a, d)
    absolute = _line(a, np.abs(bias.left))
    if spread == "constant":
        sd, sd_error = np.full(len(at), bias.sigma), bias.sigma / np.sqrt(2 * bias.df)
    else:
        sd = absolute.at(at) * np.sqrt(np.pi / 2)
        sd_error = absolute.error_at(at) * np.sqrt(np.pi / 2)
    if (sd <= 0).any():
        raise ModelError(
            "the fitted spread must stay above zero; it does not at some sizes. Use "
            "spread='constant', or ratio_limits."
        )
    z, t = float(ndtri((1 + share) / 2)), float(stdtrit(bias.df, (1 + level) / 2))
    centre, half = bias.at(at), t * np.hypot(bias.error_at(at), z * sd_error)
    return pd.DataFrame(
        {
            "size": at,
            "mean_difference": centre,
            "difference_sd": sd,
            "lower_limit": centre - z * sd,
            "lower_ci_low": centre - z * sd - half,
            "lower_ci_high": centre - z * sd + half,
            "upper_limit": centre + z * sd,
            "upper_ci_low": centre + z * sd - half,
            "upper_ci_high": centre + z * sd + half,
            "ci_level": level,
            "unit": unit,
            "n": len(d),
            "method": "regression on size; approximate intervals",
        }
    )


def ratio_limits(
    first: Any, second: Any, *, coverage: float = 0.95, confidence: float = 0.95
) -> pd.DataFrame:
    """Give limits of agreement as ratios, first over second.

    Use it where the spread grows in proportion to the reading. Do not use it with zeros or with
    angles measured from an arbitrary zero.

    Parameters
    ----------
    first, second : array-like, (clients,)
        Above zero.
    coverage, confidence : float

    Returns
    -------
    DataFrame
        quantity (mean ratio, lower limit, upper limit, and both as a pair), estimate,
        ci_low, ci_high, ci_level, n, method.

    Raises
    ------
    DataError
        Readings at or below zero.

    Notes
    -----
    Exact limits and intervals of log first - log second, taken back by exp.

    References
    ----------
    Bland & Altman 1999, Stat Methods Med Res 8:135, section 3.1, doi:10.1177/096228029900800204.

    Examples
    --------
    >>> ratio_limits([12, 25, 33, 47.0], [11, 24, 30, 45.0])["estimate"].round(3).tolist()[:3]
    [1.069, 1.011, 1.13]
    """
    x, y = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if x.shape == y.shape:
        low = ~((x > 0) & (y > 0))
        if low.any():
            raise rows_must(
                "readings", "lie above zero for ratios", low, "Use limits_by_size instead"
            )
        x, y = np.log(x), np.log(y)
    found = limits_of_agreement(x, y, coverage=coverage, confidence=confidence).limits
    for column in ("estimate", "ci_low", "ci_high"):
        found[column] = np.exp(found[column])
    found["quantity"] = found["quantity"].replace({"mean difference": "mean ratio"})
    found["method"] = "log scale; " + found["method"]
    return found.drop(columns="unit")


class _Line:
    """A least-squares line, with what its intervals need."""

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        self.n, self.df = len(x), len(x) - 2
        self.x_mean, self.sxx = float(x.mean()), float(((x - x.mean()) ** 2).sum())
        self.slope = float(((x - self.x_mean) * (y - y.mean())).sum() / self.sxx)
        self.y_mean = float(y.mean())
        self.left = y - self.at(x)
        self.sigma = float(np.sqrt((self.left**2).sum() / self.df))

    def at(self, x: np.ndarray) -> np.ndarray:
        return self.y_mean + self.slope * (x - self.x_mean)

    def error_at(self, x: np.ndarray) -> np.ndarray:
        return self.sigma * np.sqrt(1 / self.n + (x - self.x_mean) ** 2 / self.sxx)

    def slope_row(self, level: float) -> dict[str, float]:
        error = self.sigma / np.sqrt(self.sxx)
        half = float(stdtrit(self.df, (1 + level) / 2)) * error
        t = self.slope / error if error > 0 else np.inf * np.sign(self.slope or 1.0)
        return {
            "estimate": self.slope,
            "ci_low": self.slope - half,
            "ci_high": self.slope + half,
            "ci_level": level,
            "statistic": float(t),
            "df": float(self.df),
            "p_value": float(2 * stdtr(self.df, -abs(t))) if np.isfinite(t) else 0.0,
            "n": self.n,
        }


def _line(x: np.ndarray, y: np.ndarray) -> _Line:
    return _Line(x, y)


def _differences(first: Any, second: Any) -> tuple[np.ndarray, np.ndarray]:
    """Return checked differences and sizes."""
    points = limits_of_agreement(first, second).points
    d, a = points["difference"].to_numpy(dtype=float), points["mean"].to_numpy(dtype=float)
    if len(d) < 4:
        raise DataError("pairs must number four or more to see a pattern. Add clients.")
    if a.max() == a.min() or d.max() == d.min():
        raise DataError(
            "sizes and differences must vary; they are all equal. Use limits_of_agreement."
        )
    return d, a


def _advice(changing: list[bool]) -> list[str]:
    """One sentence per row: what a slope there means for the choice of limits."""
    log_stays = len(changing) == 4 and not changing[3]
    grown = "Spread changes with size: use " + ("ratio_limits." if log_stays else "limits_by_size.")
    sentences = [
        ("Bias changes with size: use limits_by_size.", "No sign that the bias changes."),
        (grown, "No sign that the spread changes."),
        ("Ratio changes with size.", "No sign that the ratio changes with size."),
        ("Spread of the ratio changes with size.", "No sign that its spread changes."),
    ]
    return [yes if flag else no for flag, (yes, no) in zip(changing, sentences, strict=False)]
