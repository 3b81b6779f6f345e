"""Before and after a dated change: an interrupted series with serially correlated errors.

    y_t = b0 + b1 t + sum_k [ step_k (t >= c_k) + slope_k (t - c_k)+ ] + e_t
    cov(e_s, e_t) = sigma^2 rho^|s - t| / sqrt(w_s w_t),   w_t the clients behind the point

Periods in which nobody was seen stay in the count of time and out of the fit.

With 12 or 24 points rho is hardly known, and intervals that plug in an estimate are too narrow.
Here b and sigma are integrated out in closed form (flat in b and log sigma) and rho over a grid
from -0.5 to 0.95 with equal weights, so the interval carries the doubt about rho. The likelihood
over rho is the restricted one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import (
    ArgumentError,
    DataError,
    ModelError,
    check_between,
    check_choice,
    check_columns,
    rows_must,
)
from outcomes.statistics.service.mixtures import mixture_above, mixture_quantile

__all__ = ["interrupted_series", "period_series"]

_GRID = np.linspace(-0.5, 0.95, 59)


def interrupted_series(
    series: pd.DataFrame,
    *,
    changes: Sequence[str],
    trend: bool = True,
    slope_change: bool = False,
    level: float = 0.95,
) -> pd.DataFrame:
    """Say whether the level (or the trend) moved when the clinic changed something.

    Use with a dozen or more periods (months rather than quarters) and a change that was planned
    beforehand. Do not use for a date picked because the series seems to move there, and do not
    read a step as caused by the change when something else happened at the time.

    Parameters
    ----------
    series : DataFrame
        One row per period in order of time, none left out, as `period_series` makes it: period,
        value, and n (clients behind the value), if periods should count by their size. Where n is
        0 the value is empty.
    changes : sequence of str
        Periods from which each change applies.
    trend : bool
        Allow a steady trend before the change.
    slope_change : bool
        Allow the trend to change as well; needs `trend`.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        term (``"level at the start"``, ``"trend per period"``, ``"step at ..."``, ``"change of
        trend at ..."``), estimate, ci_low, ci_high, ci_level, chance_above (zero), df, n
        (periods used), serial_correlation (mean over the grid), method.

    Raises
    ------
    DataError
        Values that are no numbers, or fewer than 3 periods more than terms.
    ArgumentError
        A change outside the series, or with fewer than 2 periods before or after it.
    ModelError
        A series that the terms fit exactly.

    References
    ----------
    Bernal, Cummins & Gasparrini 2017, Int J Epidemiol 46:348, doi:10.1093/ije/dyw098.

    Examples
    --------
    >>> values = [5.1, 4.8, 5.3, 5.0, 4.7, 5.2, 8.1, 7.8, 8.4, 8.0, 7.7, 8.2]
    >>> series = pd.DataFrame({"period": list("abcdefghijkl"), "value": values})
    >>> step = interrupted_series(series, changes=["g"], trend=False).iloc[1]
    >>> step["term"], round(float(step["estimate"]), 1), bool(step["ci_low"] > 2)
    ('step at g', 3.0, True)

    Checked against: R's nlme::gls at its own correlation, and simulated coverage
    (test_service_interrupted).
    """
    check_columns(series, ["period", "value"], thing="the series")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    value, root, kept = _points(series)
    labels = series["period"].astype("str").tolist()
    design, terms = _design(labels, list(changes), trend, slope_change, kept)
    gaps = np.diff(np.flatnonzero(kept))
    spare = value.size - design.shape[1]
    if spare < 3:
        raise DataError(
            f"an interrupted series must have at least 3 periods more than its "
            f"{design.shape[1]} terms, got {value.size}. Use months, or leave out the trend."
        )
    fits = [conditional_fit(value * root, design * root[:, None], rho, gaps) for rho in _GRID]
    logs = np.array([fit[2] for fit in fits])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    centre = np.array([fit[0] for fit in fits])
    spread = np.sqrt(np.array([np.diag(fit[1]) for fit in fits]))
    half = (1 - level) / 2
    return pd.DataFrame(
        {
            "term": terms,
            "estimate": weights @ centre,
            "ci_low": mixture_quantile(weights, centre, spread, spare, half),
            "ci_high": mixture_quantile(weights, centre, spread, spare, 1 - half),
            "ci_level": level,
            "chance_above": mixture_above(weights, centre, spread, spare),
            "df": float(spare),
            "n": value.size,
            "serial_correlation": float(weights @ _GRID),
            "method": "segmented regression, first-order autoregressive errors integrated out",
        }
    )


def period_series(
    dates: pd.Series, *, values: pd.Series | None = None, by: str = "month"
) -> pd.DataFrame:
    """Average a value by calendar month or quarter, with the empty periods in their place.

    Parameters
    ----------
    dates : Series of datetime64
        Day of each value, as the start of the episode; no empty cells.
    values : Series of float, optional
        Value of each row (the improvement, or 0 and 1 for a share); default counts only.
    by : {"month", "quarter"}
        Length of a period.

    Returns
    -------
    DataFrame
        period (``2026-06`` or ``2026Q2``), value (mean; empty where n is 0), n: every period from
        the first to the last.

    Examples
    --------
    >>> dates = pd.Series(pd.to_datetime(["2026-01-05", "2026-01-20", "2026-03-02"]))
    >>> series = period_series(dates, values=pd.Series([4.0, 6.0, 9.0]))
    >>> series["period"].tolist(), series["n"].tolist()
    (['2026-01', '2026-02', '2026-03'], [2, 0, 1])
    """
    check_choice("by", by, ("month", "quarter"))
    if not pd.api.types.is_datetime64_any_dtype(dates) or dates.isna().any():
        raise rows_must(
            "date", "be stored as a date", dates.isna(), "Set rows without a date aside first"
        )
    if dates.empty:
        raise DataError("a series must have at least one row. Choose a longer time.")
    count = dates.dt.year * 12 + dates.dt.month - 1
    count = count // 3 if by == "quarter" else count
    whole = range(int(count.min()), int(count.max()) + 1)
    number = pd.Series(1.0, index=dates.index) if values is None else values.astype(float)
    table = number.groupby(count.to_numpy()).agg(["mean", "count"]).reindex(whole)
    if by == "quarter":
        labels = [f"{k // 4:04d}Q{k % 4 + 1}" for k in whole]
    else:
        labels = [f"{k // 12:04d}-{k % 12 + 1:02d}" for k in whole]
    n = table["count"].fillna(0).astype("int64").to_numpy()
    return pd.DataFrame({"period": labels, "value": table["mean"].to_numpy(), "n": n})


def conditional_fit(
    value: np.ndarray, design: np.ndarray, rho: float, gaps: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, float]:
    """Fit at one correlation: coefficients, their covariance, restricted log-likelihood.

    The likelihood is profiled over sigma, up to a constant: -1/2 (log|R| + log|X'R^-1 X| +
    (n - p) log(e'R^-1 e)), with R the correlation of successive periods.
    """
    n, p = design.shape
    link = float(rho) ** (np.ones(n - 1, dtype=np.int64) if gaps is None else gaps)
    left = 1 - link**2

    def whiten(columns: np.ndarray) -> np.ndarray:
        out = columns.astype(float).copy()
        out[1:] = (columns[1:] - link[:, None] * columns[:-1]) / np.sqrt(left)[:, None]
        return out

    y, x = whiten(value[:, None])[:, 0], whiten(design)
    inner = x.T @ x
    coefficients = np.linalg.solve(inner, x.T @ y)
    rest = y - x @ coefficients
    total = float(rest @ rest)
    if total <= 1e-20 * max(float(y @ y), 1e-300):
        raise ModelError(
            "an interrupted series must vary around its level and trend. "
            "Choose another measure or shorter periods."
        )
    log_r = float(np.log(left).sum())
    log_x = np.linalg.slogdet(inner)[1]
    likelihood = -(log_r + log_x + (n - p) * np.log(total)) / 2
    return coefficients, np.linalg.inv(inner) * total / (n - p), float(likelihood)


def _points(series: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give values, roots of the weights, and which periods are kept."""
    value = pd.to_numeric(series["value"], errors="coerce").to_numpy(float)
    n = np.ones(value.size)
    if "n" in series:
        n = pd.to_numeric(series["n"], errors="coerce").to_numpy(float)
        if not (n >= 0).all():
            raise rows_must("n", "be zero or more", ~(n >= 0), "Correct the counts")
    kept = n > 0
    wrong = kept & ~np.isfinite(value)
    if wrong.any():
        raise rows_must(
            "value", "be a number in every period with clients", wrong, "Use longer periods"
        )
    return value[kept], np.sqrt(n[kept] / n[kept].mean()), kept


def _design(
    labels: list[str], changes: list[str], trend: bool, slope_change: bool, kept: np.ndarray
) -> tuple[np.ndarray, list[str]]:
    if slope_change and not trend:
        raise ArgumentError("trend must be true where slope_change is.")
    if not changes:
        raise ArgumentError("changes must name at least one period.")
    time = np.arange(len(labels), dtype=float)
    columns, terms = [np.ones(len(labels))], ["level at the start"]
    if trend:
        columns.append(time)
        terms.append("trend per period")
    for change in changes:
        if change not in labels:
            raise ArgumentError("changes must name periods of the series.")
        at = labels.index(change)
        before, after = int(kept[:at].sum()), int(kept[at:].sum())
        if before < 2 or after < 2:
            raise ArgumentError(
                f"changes must have at least 2 periods with clients before and after, got {before} "
                f"before and {after} after. Wait for more periods."
            )
        columns.append((time >= at).astype(float))
        terms.append(f"step at {change}")
        if slope_change:
            columns.append(np.maximum(time - at, 0))
            terms.append(f"change of trend at {change}")
    design = np.column_stack(columns)[kept]
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ArgumentError("changes must lie far enough apart to be told from each other.")
    return design, terms
