"""Clients who did not come back: how the answer changes with what became of them.

Notation: ``x`` start value of all clients, ``y`` latest value, seen in the stayers only, both
turned so that higher is better; ``p`` share of leavers; ``delta`` how much worse leavers are than
stayers who started alike. The main answer is by likelihood with leavers missing at random given x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import root_scalar
from scipy.special import stdtrit

from outcomes.errors import (
    ArgumentError,
    DataError,
    check_between,
    check_choice,
    check_columns,
    check_count,
)
from outcomes.results import Estimate
from outcomes.statistics.effect_size.imputation import pool_imputations
from outcomes.statistics.individual_change._rows import signs

__all__ = [
    "likely_change",
    "sensitivity_to_missing",
    "tipping_point",
]

_REFERENCES = {
    "at random": "leavers went on like stayers who started alike",
    "back at start": "leavers are back at their start value",
    "no better than average at start": "leavers are at the average start value",
}


@dataclass(frozen=True)
class _Starters:
    x: np.ndarray
    y: np.ndarray
    seen: np.ndarray
    sign: float


def _starters(starters: pd.DataFrame, better: str) -> _Starters:
    check_columns(starters, ["start_value", "latest_value"], thing="the table of starters")
    check_choice("better", better, ["higher", "lower"])
    sign = float(signs(better, starters.head(1))[0]) if len(starters) else 1.0
    x, y = (
        sign * starters[c].to_numpy(float, na_value=np.nan) for c in ("start_value", "latest_value")
    )
    if not np.isfinite(x).all() or np.isinf(y).any():
        raise DataError(
            "start_value must be a number in every row, latest_value a number or empty. Leave out "
            "clients who were never measured; they belong to the flow."
        )
    seen = np.isfinite(y)
    if seen.sum() < 5 or x[seen].std() == 0:
        raise DataError(
            f"at least 5 clients must be measured again and differ at the start, got {seen.sum()}. "
            "Report the bounds only, with missing_bounds."
        )
    return _Starters(x, y, seen, sign)


def _line(s: _Starters) -> tuple[float, float, float, float]:
    """Intercept at the stayers' mean start, slope, residual variance, and sum of squares of x."""
    x, y = s.x[s.seen], s.y[s.seen]
    spread = float(np.sum((x - x.mean()) ** 2))
    slope = float(np.sum((x - x.mean()) * y) / spread)
    residual = y - y.mean() - slope * (x - x.mean())
    return float(y.mean()), slope, float(np.sum(residual**2)) / (x.size - 2), spread


def _likely(s: _Starters, delta: float) -> tuple[float, float, float]:
    """Mean change of all starters, its standard error and df, leavers worse by delta.

    y is filled from the stayers' line, so the mean change is mean(y seen) + slope (mean x all -
    mean x seen) - p delta - mean x all; its variance adds that of the line and that of x.
    """
    n, m = s.x.size, int(s.seen.sum())
    level, slope, s2, spread = _line(s)
    shift = float(s.x.mean() - s.x[s.seen].mean())
    p = 1 - m / n
    estimate = level + slope * shift - p * delta - float(s.x.mean())
    variance = s2 * (1 / m + shift**2 / spread)
    variance += (slope - 1) ** 2 * float(s.x.var(ddof=1)) / n
    variance += delta**2 * p * (1 - p) / n
    return estimate, float(np.sqrt(variance)), m - 2


def likely_change(
    starters: pd.DataFrame, *, better: str = "higher", confidence: float = 0.95, unit: str = ""
) -> Estimate:
    """Give the mean improvement of all clients who started, leavers included.

    Use as the main answer where clients are missing. It assumes that leavers went on like stayers
    who started alike (missing at random given the start value).

    Parameters
    ----------
    starters : DataFrame
        One row a client: `start_value`, and `latest_value`, empty for leavers; what
        ``start_and_latest(values, least_visits=1)`` gives. At least 5 stayers.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    confidence : float
        Level in (0, 1).
    unit : str
        Carried into the result.

    Returns
    -------
    Estimate
        Maximum-likelihood mean improvement of all starters under bivariate normality.

    Raises
    ------
    DataError
        If start values are missing or fewer than 5 clients stayed.

    Notes
    -----
    Factored likelihood of a monotone pattern: the stayers' line of y on x, read off at the mean of
    all x. Variance s^2 (1/m + shift^2 / Sxx) + (b - 1)^2 var(x) / n; t interval on m - 2 df.

    References
    ----------
    Anderson (1957) J Am Stat Assoc 52:200-203, doi:10.1080/01621459.1957.10501379.

    Examples
    --------
    >>> starters = pd.DataFrame({"start_value": [40.0, 44, 48, 52, 56, 41],
    ...                          "latest_value": [50.0, 52, 55, 58, 60, None]})
    >>> print(round(likely_change(starters).estimate, 2))
    7.41

    Checked against: the constrained two-visit model's start mean; simulated coverage.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    s = _starters(starters, better)
    estimate, error, df = _likely(s, 0.0)
    half = float(stdtrit(df, 1 - (1 - confidence) / 2)) * error
    return Estimate(
        estimate=estimate,
        ci_low=estimate - half,
        ci_high=estimate + half,
        ci_level=confidence,
        unit=unit,
        n=s.x.size,
        method="likelihood with leavers missing at random given the start value; t interval",
        notes=(f"{int((~s.seen).sum())} of {s.x.size} clients were not measured again.",),
    )


def sensitivity_to_missing(
    starters: pd.DataFrame,
    *,
    rng: np.random.Generator,
    better: str = "higher",
    deltas: tuple[float, ...] = (0.0,),
    n_imputations: int = 100,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Show the mean improvement under several stories of what became of the leavers.

    Use beside the main answer; the stories are chosen before the result is seen. None of them can
    be tested with these data.

    Parameters
    ----------
    starters, better
        As `likely_change`.
    rng : numpy.random.Generator
        Where the imputations come from.
    deltas : tuple of float
        How much worse than stayers who started alike the leavers are, in the measure's unit; 0 is
        missing at random.
    n_imputations : int
        At least 20.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        Rows: stayers only, each delta, leavers back at their start value (with the scatter of a
        reading around it), leavers at the average start. Columns `quantity`, `delta`, `estimate`,
        `standard_error`, interval, `df`, `share_missing_information`, `n`, `method`.

    Raises
    ------
    DataError
        As `likely_change`.
    ArgumentError
        If an argument is outside its range.

    Notes
    -----
    Proper multiple imputation from the stayers' regression of y on x (variance, then coefficients
    drawn); pooled by Rubin's rules with Barnard and Rubin's degrees of freedom. Reference-based
    rows draw leavers around x, or around mean x, with the stayers' residual variance; Rubin's
    variance is then conservative.

    References
    ----------
    Rubin (1987) Multiple imputation for nonresponse in surveys, Wiley. Carpenter, Roger & Kenward
    (2013) J Biopharm Stat 23:1352-1371, doi:10.1080/10543406.2013.834911.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.normal(50, 8, 80)
    >>> y = np.where(np.arange(80) < 60, x + 10 + rng.normal(0, 4, 80), np.nan)
    >>> rows = sensitivity_to_missing(pd.DataFrame({"start_value": x, "latest_value": y}), rng=rng)
    >>> rows["estimate"].is_monotonic_decreasing or len(rows) == 4
    True

    Checked against: the closed form of the delta rows; simulated coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    n_imputations = check_count("n_imputations", n_imputations, least=20)
    s = _starters(starters, better)
    n, m = s.x.size, int(s.seen.sum())
    gain = s.y[s.seen] - s.x[s.seen]
    rows = [
        _row("stayers only", 0.0, float(gain.mean()), float(gain.std(ddof=1) / np.sqrt(m)), m - 1,
             confidence, n=m, method="mean improvement of stayers; t interval")
    ]  # fmt: skip
    if m == n:
        return pd.DataFrame(rows)
    for delta in deltas:
        if not np.isfinite(delta):
            raise ArgumentError(f"deltas must be numbers, got {delta!r}.")
    stories = [("at random", delta) for delta in deltas]
    stories += [("back at start", 0.0), ("no better than average at start", 0.0)]
    for story, delta in stories:
        changes = _impute(s, story, delta, rng, n_imputations) - s.x
        pooled = pool_imputations(
            changes.mean(axis=1), changes.var(axis=1, ddof=1) / n, complete_df=n - 1
        )
        name = _REFERENCES[story]
        rows.append(
            _row(
                f"leavers worse by {delta:g}" if delta else name,
                delta,
                pooled.estimate,
                pooled.standard_error,
                pooled.df,
                confidence,
                n=n,
                share_missing_information=pooled.share_missing_information,
                method=f"multiple imputation, {n_imputations} sets, Rubin's rules",
            )
        )
    return pd.DataFrame(rows)


def _row(
    quantity: str,
    delta: float,
    estimate: float,
    error: float,
    df: float,
    confidence: float,
    **more: Any,
) -> dict[str, Any]:
    half = float(stdtrit(df, 1 - (1 - confidence) / 2)) * error
    return {
        "quantity": quantity,
        "delta": delta,
        "estimate": estimate,
        "standard_error": error,
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "ci_level": confidence,
        "df": df,
        **more,
    }


def _impute(
    s: _Starters, story: str, delta: float, rng: np.random.Generator, sets: int
) -> np.ndarray:
    """Complete latest values, sets x clients."""
    level, slope, s2, spread = _line(s)
    x, df = s.x[~s.seen], int(s.seen.sum()) - 2
    drawn_s2 = s2 * df / rng.chisquare(df, sets)
    at = level + rng.standard_normal(sets) * np.sqrt(drawn_s2 / s.seen.sum())
    tilt = slope + rng.standard_normal(sets) * np.sqrt(drawn_s2 / spread)
    noise = rng.standard_normal((sets, x.size)) * np.sqrt(drawn_s2)[:, None]
    if story == "back at start":
        centre = np.broadcast_to(x, noise.shape)
    elif story == "no better than average at start":
        centre = np.full(noise.shape, s.x.mean())
    else:
        centre = at[:, None] + tilt[:, None] * (x - s.x[s.seen].mean()) - delta
    complete = np.broadcast_to(s.y, (sets, s.y.size)).copy()
    complete[:, ~s.seen] = centre + noise
    return complete


def tipping_point(
    starters: pd.DataFrame,
    *,
    better: str = "higher",
    line: float = 0.0,
    confidence: float = 0.95,
    unit: str = "",
) -> Estimate:
    """Say how much worse leavers must be before the conclusion changes.

    Use when the main answer's interval lies above the line. Compare the answer with what is
    plausible: leavers worse by more than their whole expected gain would have lost ground.

    Parameters
    ----------
    starters, better, confidence, unit
        As `likely_change`.
    line : float
        Mean improvement that the conclusion claims to exceed: 0, or the smallest important change.

    Returns
    -------
    Estimate
        `estimate`: delta at which the interval's lower end meets the line; `ci_low`: the same;
        `ci_high`: delta at which the estimate itself meets it. Infinite where nobody left.

    Raises
    ------
    DataError
        As `likely_change`.
    ArgumentError
        If the main answer's interval does not lie above the line.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.normal(50, 8, 80)
    >>> y = np.where(np.arange(80) < 60, x + 10 + rng.normal(0, 4, 80), np.nan)
    >>> found = tipping_point(pd.DataFrame({"start_value": x, "latest_value": y}))
    >>> 20 < found.estimate < found.ci_high
    True

    Checked against: `sensitivity_to_missing` at the delta found.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    s = _starters(starters, better)

    def lower_end(delta: float) -> float:
        estimate, error, df = _likely(s, delta)
        return estimate - float(stdtrit(df, 1 - (1 - confidence) / 2)) * error - line

    estimate, _, _ = _likely(s, 0.0)
    if lower_end(0.0) <= 0:
        raise ArgumentError(
            "line must lie below the main answer's interval for a tipping point. The conclusion "
            "does not hold even if leavers fared like stayers."
        )
    p = 1 - s.seen.mean()
    high = np.inf if p == 0 else (estimate - line) / p
    tip = np.inf if p == 0 else float(root_scalar(lower_end, bracket=(0.0, high)).root)
    return Estimate(
        estimate=tip,
        ci_low=tip,
        ci_high=float(high),
        ci_level=confidence,
        unit=unit,
        n=s.x.size,
        method="delta at which the interval's lower end meets the line",
    )
