"""Coverage of the intervals of `effect_size` and of the jackknifes of `individual_change`.

Run ``python tests/evidence/change_coverage.py [--sets 10000] [part ...]``; each part writes its
rows into ``results/change_coverage.json``. Stated level 95 % throughout; the Monte Carlo standard
error of a coverage from 10,000 sets is 0.22 points.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import scipy
from scipy import stats

from outcomes.statistics.effect_size import (
    bootstrap_interval,
    chance_of_improving,
    change_ladder,
    compare_groups,
    course_sensitivity,
    expected_regression,
    impute_course,
    likely_change,
    mean_change,
    mee_chua,
    sensitivity_to_missing,
    share_interval,
    standardised_change,
    typical_change,
)
from outcomes.statistics.individual_change.home_exercise import home_exercise_link
from outcomes.statistics.individual_change.within_between import _ratios

RESULTS = Path(__file__).parent / "results" / "change_coverage.json"
SEED = 20261125
Row = tuple[str, float, float, float]  # name, low, high, truth

SD, R, GAIN = 8.0, 0.6, 6.0
CHANGE_SD = SD * np.sqrt(2 * (1 - R))


def draw_pairs(rng: np.random.Generator, n: int, gain: float = GAIN) -> pd.DataFrame:
    """Draw bivariate normal start and latest values: SD 8 both, correlation .6."""
    x = rng.normal(50, SD, n)
    y = 50 + R * (x - 50) + gain + rng.normal(0, SD * np.sqrt(1 - R**2), n)
    return pd.DataFrame({"start_value": x, "latest_value": y})


def _from(frame: pd.DataFrame, truths: dict[str, float]) -> Iterator[Row]:
    for name, low, high in zip(frame["quantity"], frame["ci_low"], frame["ci_high"], strict=True):
        if name in truths:
            yield name, low, high, truths[name]


def sizes(rng: np.random.Generator) -> Iterator[Row]:
    """One group of 24 clients."""
    pairs = draw_pairs(rng, 24)
    found = mean_change(pairs)
    yield "mean improvement", found.ci_low, found.ci_high, GAIN
    becker = GAIN / SD
    yield from _from(
        standardised_change(pairs),
        {"d_z": GAIN / CHANGE_SD, "d_av": becker, "d_rm": becker, "becker": becker},
    )
    yield from _from(
        typical_change(pairs),
        {name: GAIN for name in ("trimmed mean", "Hodges-Lehmann", "median")},
    )
    d_z = GAIN / CHANGE_SD
    yield from _from(
        chance_of_improving(pairs),
        {
            "share improved": stats.norm.cdf(d_z),
            "common-language effect": stats.norm.cdf(d_z),
            "rank-biserial correlation": 2 * stats.norm.cdf(d_z * np.sqrt(2)) - 1,
        },
    )


def small(rng: np.random.Generator) -> Iterator[Row]:
    """One group of 10 clients."""
    pairs = draw_pairs(rng, 10)
    found = mean_change(pairs)
    yield "mean improvement, 10 clients", found.ci_low, found.ci_high, GAIN
    becker = GAIN / SD
    truths = {"d_z": GAIN / CHANGE_SD, "d_av": becker, "d_rm": becker, "becker": becker}
    for name, *ends in _from(standardised_change(pairs), truths):
        yield (f"{name}, 10 clients", *ends)


def bootstrap(rng: np.random.Generator) -> Iterator[Row]:
    """Sixty clients with skewed changes, 1,999 resamples."""
    x = rng.normal(50, SD, 60)
    pairs = pd.DataFrame({"start_value": x, "latest_value": x + rng.gamma(4, 2, 60) - 2})
    truths = {"mean": 6.0, "d_z": 6.0 / 4.0, "becker": 6.0 / SD}
    for name, truth in truths.items():
        for kind, words in (("bca", "BCa"), ("studentised", "studentised")):
            found = bootstrap_interval(pairs, name, rng=rng, n_resamples=1_999, interval=kind)
            yield f"{name}, {words} bootstrap", found.ci_low, found.ci_high, truth


def groups(rng: np.random.Generator) -> Iterator[Row]:
    """Two groups of 20; a sixth of the latest values missing in the constrained model."""
    pairs = pd.concat([draw_pairs(rng, 20, 9.0), draw_pairs(rng, 20, 6.0)], ignore_index=True)
    pairs["group"] = np.repeat(["a", "b"], 20)
    pairs.loc[rng.random(40) < 1 / 6, "latest_value"] = np.nan
    truths = {
        "difference in change": 3.0,
        "adjusted for the start value": 3.0,
        "constrained longitudinal model": 3.0,
        "d_ppc2": 3.0 / SD,
        "Cliff's delta": 2 * stats.norm.cdf(3 / CHANGE_SD / np.sqrt(2)) - 1,
        "Hodges-Lehmann shift": 3.0,
    }
    yield from _from(compare_groups(pairs, first="a", second="b"), truths)


def calendar(rng: np.random.Generator) -> Iterator[Row]:
    """Eighty clients selected below 48; those who started worse leave more often."""
    x = stats.truncnorm.rvs(-np.inf, (48 - 50) / SD, 50, SD, size=80, random_state=rng)
    y = 50 + R * (x - 50) + 3.0 + rng.normal(0, SD * np.sqrt(1 - R**2), 80)
    gone = rng.random(80) < 0.6 * stats.norm.cdf((44 - x) / 4)
    pairs = pd.DataFrame({"start_value": x, "latest_value": y})
    starters = pairs.assign(latest_value=np.where(gone, np.nan, y))
    mean_x = stats.truncnorm.mean(-np.inf, (48 - 50) / SD, 50, SD)
    regression = (1 - R) * (50 - mean_x)
    mu, r = 50 + rng.normal(0, 1.0), float(np.clip(R + rng.normal(0, 0.06), 0, 0.99))
    found = expected_regression(
        pairs, population_mean=mu, reliability=r, population_mean_error=1.0, reliability_error=0.06
    )
    yield "expected regression to the mean", found.ci_low, found.ci_high, regression
    rows = mee_chua(pairs, population_mean=50).set_index("quantity")
    yield "left, Mee & Chua", rows.loc["left", "ci_low"], rows.loc["left", "ci_high"], 3.0
    found = likely_change(starters)
    yield "likely change of all starters", found.ci_low, found.ci_high, 3.0 + regression
    rows = sensitivity_to_missing(starters, rng=rng, n_imputations=30)
    yield "imputed, at random", rows["ci_low"][1], rows["ci_high"][1], 3.0 + regression
    rungs = change_ladder(
        starters, rng=rng, population_mean=mu, population_mean_error=1.0, reliability=r,
        reliability_error=0.06, n_resamples=999,
    ).rungs  # fmt: skip
    yield "ladder, bottom rung", rungs["ci_low"].iloc[-1], rungs["ci_high"].iloc[-1], 3.0


def course(rng: np.random.Generator) -> Iterator[Row]:
    """Sixty clients with five visits; who gained little left more often. Imputed 30 times."""
    n, k = 60, 5
    week = np.arange(float(k))
    gained = rng.normal(8, 5, (n, 1)) * -np.expm1(-week / 2)
    y = rng.normal(50, SD, (n, 1)) + gained + rng.normal(0, 3, (n, k))
    leave = rng.random((n, k)) < 0.3 / (1 + np.exp((y - y[:, :1] - 3) / 3))
    leave[:, [0, k - 1]] = False
    last = np.where(leave.any(axis=1), leave.argmax(axis=1), k - 1)
    here = np.arange(k) <= last[:, None]
    client, visit = np.nonzero(here)
    values = pd.DataFrame(
        {"client": client, "visit": visit + 1, "week": week[visit], "value": y[here]}
    )
    sets = impute_course(values, rng=rng, least_share=0.3, n_imputations=30)
    rows = course_sensitivity(sets)
    truth = 8 * -np.expm1(-week[-1] / 2)
    final = rows[rows["visit"] == k].iloc[:2]
    for name, row in zip(("by likelihood", "imputed at random"), final.itertuples(), strict=True):
        yield f"course of visits, {name}", row.ci_low, row.ci_high, truth


def clusters(rng: np.random.Generator) -> Iterator[Row]:
    """Forty clients with six visits: kept gains, and home exercise."""
    n, k = 40, 6
    series = np.repeat(np.arange(n), k)
    own = rng.normal(4, 1, n)
    days = np.where(np.tile(np.arange(k), n) < k - 1, rng.choice([4.0, 7.0, 10.0], n * k), np.nan)
    keeps = 2 + rng.normal(0, 0.7, n)[series] - 0.1 * (days - 7)
    start = np.cumsum(np.r_[0, np.nan_to_num(keeps[:-1])])
    level = start - start[np.arange(n) * k][series]
    before = level + rng.normal(0, 2, n * k)
    after = level + own[series] + rng.normal(0, 2, n * k)
    visits = pd.DataFrame({"immediate_gain": after - before, "days_to_next": days})
    visits["kept_gain"] = np.where(np.isfinite(days), np.r_[before[1:], np.nan] - before, np.nan)
    usable = np.isfinite(days)
    truths = {
        "immediate gain per visit": 4.0,
        "kept gain per interval": 2.0,
        "share kept": 0.5,
        "share kept per extra day": -0.025,
    }
    yield from _from(pd.DataFrame(_ratios(visits, series, usable, 0.95)), truths)
    week = np.tile(np.arange(k) + 0.5, n)
    usual = rng.uniform(0.2, 0.8, n)
    x = np.clip(usual[series] + rng.normal(0, 0.15, n * k), 0, 1)
    mean = np.bincount(series, x)[series] / k
    y = 2 * (x - mean) + (4 * mean + rng.normal(0, 0.5, n)[series]) + rng.normal(0, 1, n * k)
    frame = pd.DataFrame({"client": series, "week": week, "adherence": x, "gain_per_week": y})
    yield from _from(home_exercise_link(frame), {"within client": 2.0, "between clients": 4.0})


def exact_shares() -> list[dict]:
    """Coverage of the intervals of shares without simulation, averaged over true shares."""
    true = np.linspace(0.05, 0.95, 181)
    rows = []
    for n in (10, 30, 100):
        x = np.arange(n + 1)
        weights = stats.binom.pmf(x[:, None], n, true)
        for method in ("wilson", "clopper_pearson"):
            low, high = share_interval(x, n, method=method)
            inside = (low[:, None] <= true) & (true <= high[:, None])
            covers = (weights * inside).sum(axis=0)
            rows.append(
                {
                    "quantity": f"share, {method}, {n} clients, mean over true shares",
                    "coverage": float(covers.mean()),
                    "least": float(covers.min()),
                    "sets": "exact",
                }
            )
    return rows + [_newcombe(20, 25), _newcombe(40, 40)]


def _newcombe(n: int, m: int) -> dict:
    """Exact coverage of the hybrid interval, averaged over a grid of pairs of true shares."""
    x, y = np.arange(n + 1), np.arange(m + 1)
    p, q = x / n, y / m
    (lx, ux), (ly, uy) = share_interval(x, n), share_interval(y, m)
    d = p[:, None] - q
    low = d - np.hypot((p - lx)[:, None], uy - q)
    high = d + np.hypot((ux - p)[:, None], q - ly)
    covers = []
    for a in np.linspace(0.05, 0.95, 31):
        for b in np.linspace(0.05, 0.95, 31):
            weight = np.outer(stats.binom.pmf(x, n, a), stats.binom.pmf(y, m, b))
            covers.append(float(weight[(low <= a - b) & (a - b <= high)].sum()))
    return {
        "quantity": f"difference of shares, {n} and {m} clients, mean over true shares",
        "coverage": float(np.mean(covers)),
        "least": float(np.min(covers)),
        "sets": "exact",
    }


PARTS: dict[str, Callable[[np.random.Generator], Iterator[Row]]] = {
    f.__name__: f for f in (sizes, small, bootstrap, groups, calendar, clusters, course)
}


def simulate(part: str, n_sets: int, seed: int = SEED) -> list[dict]:
    """Count how often each interval of a part holds the truth."""
    rng = np.random.default_rng([seed, list(PARTS).index(part)])
    counts: dict[str, list[int]] = {}
    for _ in range(n_sets):
        for name, low, high, truth in PARTS[part](rng):
            count = counts.setdefault(name, [0, 0, 0])
            count[0] += bool(low <= truth <= high)
            count[1] += bool(truth < low)
            count[2] += bool(truth > high)
    return [
        {
            "quantity": name,
            "coverage": inside / n_sets,
            "truth_below": below / n_sets,
            "truth_above": above / n_sets,
            "sets": n_sets,
        }
        for name, (inside, below, above) in counts.items()
    ]


def main() -> None:
    """Run parts and store them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", default=["shares", *PARTS])
    parser.add_argument("--sets", type=int, default=10_000)
    arguments = parser.parse_args()
    for part in arguments.parts:
        rows = exact_shares() if part == "shares" else simulate(part, arguments.sets)
        stored: dict = json.loads(RESULTS.read_text()) if RESULTS.exists() else {"parts": {}}
        stored |= {
            "level": 0.95,
            "seed": SEED,
            "versions": {"numpy": np.__version__, "scipy": scipy.__version__,
                         "pandas": pd.__version__},
        }  # fmt: skip
        about = "exact" if part == "shares" else PARTS[part].__doc__
        stored["parts"][part] = {
            "date": dt.date.today().isoformat(), "setting": about, "rows": rows
        }  # fmt: skip
        RESULTS.write_text(json.dumps(stored, indent=1) + "\n")
        for row in rows:
            print(f"{row['quantity']:60s} {row['coverage']:.4f}", flush=True)


if __name__ == "__main__":
    main()
