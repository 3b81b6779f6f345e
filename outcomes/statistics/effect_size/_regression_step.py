"""Regression to the mean as a rung: by every way that can be gone, and which one is taken.

Notation as in `ladder`. A step is an array: the point first, then one value per resample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.statistics.effect_size.first_visit import FirstVisitRegression

__all__ = ["Moments", "RegressionStep", "Resamples", "choose_regression"]

_FROM_VISITS = "from the first visit against the later course"
_FROM_LEVEL = "from an assumed usual level"


@dataclass(frozen=True)
class Moments:
    """Moments of many resamples (one per row): means, slope of y on x among stayers, counts."""

    m: np.ndarray
    n: np.ndarray
    x_all: np.ndarray
    x_seen: np.ndarray
    y_seen: np.ndarray
    slope: np.ndarray

    @classmethod
    def of(cls, x: np.ndarray, y: np.ndarray, seen: np.ndarray) -> Moments:
        y = np.where(seen, y, 0.0)
        m = seen.sum(axis=1)
        safe = np.maximum(m, 1)
        x_seen, y_seen = (x * seen).sum(axis=1) / safe, y.sum(axis=1) / safe
        u = (x - x_seen[:, None]) * seen
        spread = np.maximum((u * u).sum(axis=1), 1e-300)
        return cls(
            m, np.full(m.size, x.shape[1]), x.mean(axis=1), x_seen, y_seen,
            (u * y).sum(axis=1) / spread,
        )  # fmt: skip

    def raw(self) -> np.ndarray:
        return self.y_seen - self.x_seen

    def likely(self, delta: float) -> np.ndarray:
        p = 1 - self.m / self.n
        shift = self.x_all - self.x_seen
        return self.y_seen + self.slope * shift - p * delta - self.x_all

    def regression(self, mu: Any, r: Any, *, everyone: bool) -> np.ndarray:
        x = self.x_all if everyone else self.x_seen
        share = 1 - (self.slope if r is None else r)
        return share * (mu - x)


@dataclass(frozen=True)
class Resamples:
    """Clients, who is in each resample, and the moments of both."""

    starters: pd.DataFrame
    who: np.ndarray
    point: Moments
    drawn: Moments


@dataclass(frozen=True)
class RegressionStep:
    """What regression to the mean gave the stayers, and all who started."""

    stayers: np.ndarray
    everyone: np.ndarray


def choose_regression(
    clients: Resamples,
    assumed: tuple[np.ndarray, np.ndarray | None] | None,
    first_visit: FirstVisitRegression | None,
    rng: np.random.Generator,
    confidence: float,
) -> tuple[RegressionStep | None, pd.DataFrame]:
    """Give the step taken, None where there is no way, and a row for every way.

    `assumed`: usual levels and correlations, point first, then one per resample.
    """
    step, rows = None, []
    if first_visit is not None:
        why_not = _why_not(first_visit)
        draws = np.r_[first_visit.estimate, _redrawn(clients, first_visit, rng)]
        if not why_not:
            step = RegressionStep(draws, draws)
        reason = why_not or (
            "The visits tell a bad first day from the later course; no usual level is assumed."
        )
        rows.append((_FROM_VISITS, first_visit.estimate, draws[1:], not why_not, reason))
    if assumed is not None:
        selection = RegressionStep(
            *(_selection(clients, *assumed, everyone=everyone) for everyone in (False, True))
        )
        reason = "Rests on a usual level taken from outside; for comparison only."
        used = step is None
        if used:
            step = selection
            reason = "The visits give no estimate that can be used; a usual level is assumed."
        point, draws = selection.stayers[0], selection.stayers[1:]
        rows.append((_FROM_LEVEL, float(point), draws, used, reason))
    tails = [(1 - confidence) / 2, 1 - (1 - confidence) / 2]
    ways = pd.DataFrame(
        [
            (name, estimate, *np.quantile(draws, tails), confidence, used, reason)
            for name, estimate, draws, used, reason in rows
        ],
        columns=pd.Index(
            ["quantity", "estimate", "ci_low", "ci_high", "ci_level", "used", "reason"]
        ),
    )
    return step, ways


def _why_not(first_visit: FirstVisitRegression) -> str:
    if not first_visit.told_apart:
        return "Not used: the visits do not tell a bad first day from a quick early gain."
    if first_visit.ci_high < 0:
        return "Not used: first readings lie better than the later course, whose form is in doubt."
    return ""


def _redrawn(
    clients: Resamples, first_visit: FirstVisitRegression, rng: np.random.Generator
) -> np.ndarray:
    """Give the estimate in every resample: with the influence of the clients drawn.

    What these clients do not account for (others of the caseload, the form of the course) is drawn
    apart.
    """
    table = first_visit.influence
    keys = [column for column in table.columns if column != "influence"]
    influence = np.zeros(len(clients.starters))
    if set(keys) <= set(clients.starters.columns):
        found = clients.starters[keys].merge(table, on=keys, how="left")["influence"]
        influence = np.nan_to_num(found.to_numpy(float))
    rest = max(0.0, first_visit.standard_error**2 - float(np.sum(influence**2)))
    drawn = influence[clients.who].sum(axis=1) - influence.sum()
    return first_visit.estimate + drawn + np.sqrt(rest) * rng.standard_normal(len(clients.who))


def _selection(
    clients: Resamples, mus: np.ndarray, rs: np.ndarray | None, *, everyone: bool
) -> np.ndarray:
    """Give (1 - r)(mu - mean start), point first; the resamples' own slope where r is None."""
    point, drawn = clients.point, clients.drawn
    first, rest = (None, None) if rs is None else (rs[:1], rs[1:])
    return np.r_[
        point.regression(mus[:1], first, everyone=everyone),
        drawn.regression(mus[1:], rest, everyone=everyone),
    ]
