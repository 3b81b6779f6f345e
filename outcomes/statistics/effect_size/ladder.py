"""The ladder from the raw mean change down to what is left of it.

Notation as in `regression_to_mean` and `missing`. All rungs are computed on the same resamples of
clients (leavers among them), so that every rung and every step has an interval of its own, and the
uncertainty of the population mean, the reliability and the importance line goes in by drawing them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_between, check_count, check_positive
from outcomes.results import Claim
from outcomes.statistics.effect_size._regression_step import (
    Moments,
    Resamples,
    choose_regression,
)
from outcomes.statistics.effect_size.first_visit import FirstVisitRegression
from outcomes.statistics.effect_size.missing import _starters

__all__ = ["Ladder", "change_ladder"]

_CAUTION = (
    "What is left is still not proof of an effect: without a comparison group it also holds "
    "natural recovery and everything else that changed meanwhile."
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Ladder(Claim):
    """Rungs of the ladder.

    Attributes
    ----------
    rungs : DataFrame
        One row per rung, top down: `rung`, `step` (what it takes away; interval `step_low`,
        `step_high`), `estimate` (what remains), `ci_low`, `ci_high`, `ci_level`, `method`.
    left : float
        What remains at the bottom.
    chance_above_line : float
        Share of resamples in which what is left exceeds the importance line; empty without one.
    n, n_leavers : int
        Clients who started, and of them not measured again.
    regression : DataFrame
        Regression to the mean by every way that could be gone: `quantity`, `estimate`, interval,
        `used` (the one in the ladder), `reason`.
    caution : str
        The sentence that belongs under it.
    """

    rungs: pd.DataFrame
    left: float
    chance_above_line: float
    n: int
    n_leavers: int
    regression: pd.DataFrame
    caution: str = _CAUTION


def change_ladder(
    starters: pd.DataFrame,
    *,
    rng: np.random.Generator,
    better: str = "higher",
    population_mean: float | None = None,
    population_mean_error: float = 0.0,
    reliability: float | None = None,
    reliability_error: float = 0.0,
    first_visit: FirstVisitRegression | None = None,
    leavers_worse_by: float = 0.0,
    untreated_change: float = 0.0,
    untreated_change_error: float = 0.0,
    minimal_important_change: float | None = None,
    minimal_important_change_error: float = 0.0,
    confidence: float = 0.95,
    n_resamples: int = 4_000,
) -> Ladder:
    """Take from the raw mean change, rung by rung, what time and selection would have given anyway.

    Use in every group report. A rung whose inputs are not known is left out, and the rungs say so:
    left out is not the same as zero.

    Parameters
    ----------
    starters : DataFrame
        One row a client: `start_value`, and `latest_value`, empty for leavers.
    rng : numpy.random.Generator
        Where the resamples come from.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    population_mean, population_mean_error : float or None, float
        Usual level of the people whom the clients come from, with its standard error.
    reliability, reliability_error : float or None, float
        Correlation of two untreated values, in [0, 1), with its standard error. None with a known
        population mean: the clients' own regression of latest on start is used (Mee & Chua).
    first_visit : FirstVisitRegression or None
        Regression to the mean from the model of all visits. Taken before the one from the selection
        where the visits tell it apart and its interval is not wholly below zero.
    leavers_worse_by : float
        How much worse than stayers who started alike leavers are taken to be.
    untreated_change, untreated_change_error : float
        Mean improvement of untreated people over such a time, from outside, beyond regression to
        the mean; 0 leaves the rung out.
    minimal_important_change, minimal_important_change_error : float or None, float
        The importance line, with its standard error.
    confidence : float
        Level in (0, 1).
    n_resamples : int
        At least 999.

    Returns
    -------
    Ladder

    Raises
    ------
    DataError
        As `likely_change`.
    ArgumentError
        If an argument is outside its range.

    Notes
    -----
    Rungs: raw (stayers); minus regression to the mean, by the first-visit excess (its clients'
    influence resampled with them), else (1 - r)(mu - mean x of stayers), or (b - 1)(mean x - mu) by
    Mee & Chua; minus drop-out (to all starters, leavers by the stayers' line less
    `leavers_worse_by`); minus untreated change; left over the importance line. Percentile
    intervals.

    References
    ----------
    Barnett et al. (2005) Int J Epidemiol 34:215-220, doi:10.1093/ije/dyh299. Mee & Chua (1991) Am
    Stat 45:39-42.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.normal(40, 8, 80)
    >>> y = np.where(np.arange(80) < 60, x + 10 + rng.normal(0, 4, 80), np.nan)
    >>> found = change_ladder(pd.DataFrame({"start_value": x, "latest_value": y}), rng=rng,
    ...                       population_mean=46, reliability=0.7)
    >>> found.rungs["rung"].tolist()
    ['raw mean change', 'less regression to the mean', 'less drop-out']

    Checked against: `expected_regression`, `mee_chua`, `likely_change`; simulated coverage.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    n_resamples = check_count("n_resamples", n_resamples, least=999)
    if reliability is not None and not 0 <= reliability < 1:
        raise ArgumentError(f"reliability must be in [0, 1), got {reliability!r}.")
    if reliability is not None and population_mean is None:
        raise ArgumentError("population_mean must be given with reliability. Give both, or none.")
    errors = {
        "population_mean_error": population_mean_error,
        "reliability_error": reliability_error,
        "untreated_change_error": untreated_change_error,
        "minimal_important_change_error": minimal_important_change_error,
    }
    for name, value in errors.items():
        check_positive(name, value, zero=True)
    s = _starters(starters, better)
    point = Moments.of(s.x[None], s.y[None], s.seen[None])
    who = rng.integers(0, s.x.size, size=(n_resamples, s.x.size), dtype=np.int32)
    who = who[s.seen[who].sum(axis=1) >= 5]
    drawn = Moments.of(s.x[who], s.y[who], s.seen[who])

    def around(value: float, error: float) -> np.ndarray:
        return value + error * rng.standard_normal(drawn.m.size)

    assumed = None
    if population_mean is not None:
        mus = s.sign * np.r_[population_mean, around(population_mean, population_mean_error)]
        rs = None
        if reliability is not None:
            rs = np.clip(np.r_[reliability, around(reliability, reliability_error)], 0, 1)
        assumed = (mus, rs)
    step, ways = choose_regression(
        Resamples(starters, who, point, drawn), assumed, first_visit, rng, confidence
    )
    names = ["raw mean change"]
    points, many = [point.raw()], [drawn.raw()]
    if step is not None:
        names.append("less regression to the mean")
        points.append(points[-1] - step.stayers[:1])
        many.append(many[-1] - step.stayers[1:])
    if not s.seen.all():
        names.append("less drop-out")
        points.append(point.likely(leavers_worse_by))
        many.append(drawn.likely(leavers_worse_by))
        if step is not None:
            points[-1] = points[-1] - step.everyone[:1]
            many[-1] = many[-1] - step.everyone[1:]
    if untreated_change != 0 or untreated_change_error > 0:
        names.append("less untreated change")
        points.append(points[-1] - untreated_change)
        many.append(many[-1] - around(untreated_change, untreated_change_error))
    left = many[-1]
    chance = np.nan
    if minimal_important_change is not None:
        lines = around(minimal_important_change, minimal_important_change_error)
        names.append("less the importance line")
        points.append(points[-1] - minimal_important_change)
        many.append(left - lines)
        chance = float(np.mean(many[-1] > 0))
    bottom = -2 if minimal_important_change is not None else -1
    return Ladder(
        rungs=_rungs(names, points, many, confidence),
        left=float(points[bottom][0]),
        chance_above_line=chance,
        n=s.x.size,
        n_leavers=int((~s.seen).sum()),
        regression=ways,
    )


def _rungs(
    names: list[str], points: list[np.ndarray], many: list[np.ndarray], confidence: float
) -> pd.DataFrame:
    tails = [(1 - confidence) / 2, 1 - (1 - confidence) / 2]
    rows = []
    for i, name in enumerate(names):
        low, high = np.quantile(many[i], tails)
        step_low, step_high = np.quantile(many[i - 1] - many[i], tails) if i else (np.nan, np.nan)
        rows.append(
            {
                "rung": name,
                "step": float(points[i - 1][0] - points[i][0]) if i else np.nan,
                "step_low": step_low,
                "step_high": step_high,
                "estimate": float(points[i][0]),
                "ci_low": low,
                "ci_high": high,
                "ci_level": confidence,
                "method": "percentile bootstrap over clients, outside figures drawn",
            }
        )
    return pd.DataFrame(rows)
