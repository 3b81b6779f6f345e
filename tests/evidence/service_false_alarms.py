"""How often the quarter's review cries wolf, and how often it finds what is there.

Charts: 10,000 series in control each. Shewhart charts are judged by the share of points with an
alarm (nominal 0.0027 with known limits), running means and sums by the mean number of points to
the first alarm (nominal: the Markov chain's figure). Small shifts: the four charts of a measure's
mean as the review draws them, level and spread unknown, by number of quarters.
Practitioners: clinics with four practitioners at two sites and no difference between them,
outcomes normal or skewed (200 each), and clinics with a planted difference, SD of the
practitioners about 0.27 of a client's (50 each). Interrupted series (200 each): coverage of the
step under serial correlation, ours and ordinary least squares'. Comparison of quarters (500):
coverage with a third of the clients in both. Raters, digits, instruments (200): share of looks in
which anyone is flagged though nothing is wrong, and in which what was planted is.

Run all, or the parts named: python tests/evidence/service_false_alarms.py [charts funnel ...]
"""

from __future__ import annotations

import json
import platform
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import scipy
from scipy import stats

from outcomes.statistics import service
from outcomes.statistics.review import over_time
from outcomes.statistics.service.charts.attributes import binomial_limits, poisson_limits
from outcomes.statistics.service.charts.rules import RULES, rule_hits
from outcomes.statistics.service.charts.small_shifts import (
    running_means,
    running_spread,
    running_sums,
)

RESULT = Path(__file__).parent / "results" / "service_false_alarms.json"
SEED = 20260930
SETS = 10_000
PLANTED = {"T1": 0.35, "T2": -0.35, "T3": 0.15, "T4": -0.15}  # in SD of a client's improvement
SITES = {"T1": "hall", "T2": "hall", "T3": "field", "T4": "field"}


def charts(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of points with an alarm, or mean run to it, by chart."""
    out: dict[str, float] = {}
    for label, points, baseline, estimated in (
        ("limits known, 24 points", 24, None, False),
        ("limits from the same 8 points", 8, None, True),
        ("limits from the same 24 points", 24, None, True),
        ("limits frozen from 8 points, 8 more", 16, 8, True),
        ("limits frozen from 24 points, 8 more", 32, 24, True),
    ):
        for rules in (["beyond_3"], ["beyond_3", "two_of_three", "eight_one_side"], list(RULES)):
            found = service.false_alarms(
                points=points,
                baseline=baseline,
                rules=rules,
                estimated=estimated,
                series=sets,
                rng=rng,
            )
            name = f"individuals, {label}, {len(rules)} rules"
            out[f"{name}, share of points"] = found["share_of_points"].item()
            out[f"{name}, share of series"] = found["share_of_series"].item()
    out["running mean, mean run"] = _mean_run(sets, rng, "mean")
    out["running mean, nominal"] = service.ewma_run_length()
    out["running sums, mean run"] = _mean_run(sets, rng, "sum")
    out["running sums, nominal"] = service.cusum_run_length()
    n = np.array([60, 45, 80, 120, 30, 75, 90, 55])
    for theta in (0.1, 0.4):
        count = rng.binomial(n, theta, (sets, n.size))
        centre = count.sum(axis=1, keepdims=True) / n.sum()
        sigma = np.sqrt(centre * (1 - centre) / n)
        for limits, (low, high) in {
            "exact, centre known": binomial_limits(n, np.full_like(centre, theta)),
            "exact": binomial_limits(n, centre),
            "normal": (centre - 3 * sigma, centre + 3 * sigma),
        }.items():
            name = f"shares, {limits}, 8 quarters, theta {theta}, share of points"
            out[name] = _beyond(count / n, low, high)
    visits = np.array([300.0, 420, 250, 500, 380, 450, 310, 290])
    count = rng.poisson(0.015 * visits, (sets, visits.size))
    centre = count.sum(axis=1, keepdims=True) / visits.sum()
    sigma = np.sqrt(centre / visits)
    for limits, (low, high) in {
        "exact, centre known": poisson_limits(visits, np.full_like(centre, 0.015)),
        "exact": poisson_limits(visits, centre),
        "normal": (centre - 3 * sigma, centre + 3 * sigma),
    }.items():
        name = f"rates, {limits}, 8 quarters, 15 per 1,000 visits, share of points"
        out[name] = _beyond(count / visits, low, high)
    return out


def _beyond(value: np.ndarray, low: np.ndarray, high: np.ndarray) -> float:
    return float(((value < low - 1e-12) | (value > high + 1e-12)).mean())


def _mean_run(sets: int, rng: np.random.Generator, kind: str) -> float:
    """Follow series until each has raised an alarm; runs beyond 4,000 points are cut there."""
    points, block = 4000, 500
    runs = []
    for start in range(0, sets, block):
        z = rng.standard_normal((min(block, sets - start), points))
        if kind == "mean":
            alarm = np.abs(running_means(z, target=0, weight=0.2)) > 2.86 * running_spread(
                points, 0.2, steady=True
            )
        else:
            high, low = running_sums(z, allowance=0.5)
            alarm = np.maximum(high, low) > 4.77
        runs.append(np.where(alarm.any(axis=1), np.argmax(alarm, axis=1) + 1.0, points))
    return float(np.concatenate(runs).mean())


def small_shifts(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of series with any signal though nothing changed, as the review looks for shifts.

    Means of 10 to 40 clients a quarter, level and spread unknown, by number of quarters.
    """
    out: dict[str, float] = {}
    for quarters in over_time.QUARTERS:
        n = np.resize([12, 30, 22, 40, 10, 25, 35, 18], quarters)
        for shape in ("normal", "skewed"):
            mean, sd = _quarters(rng, sets, n, shape)
            z = over_time.self_starting_z(mean, sd, np.broadcast_to(n, mean.shape))
            high, low = running_sums(z, allowance=0.5)
            reach = 2.86 * running_spread(quarters - 1, 0.2)
            smooth = np.abs(running_means(z, target=0, weight=0.2)) > reach
            centre = (n * mean).sum(axis=1, keepdims=True) / n.sum()
            within = np.sqrt(((n - 1) * sd**2).sum(axis=1, keepdims=True) / (n - 1).sum())
            points = (mean - centre) / (within / np.sqrt(n))
            limit = stats.t.isf(stats.norm.sf(3), (n - 1).sum())
            runs = rule_hits(points, "two_of_three") | rule_hits(points, "eight_one_side")
            for chart, hits in {
                "quarter's mean": np.abs(points) > limit,
                "run of quarters": runs,
                "running mean": smooth,
                "running sum": np.maximum(high, low) > 4.77,
            }.items():
                name = f"{chart}, {quarters} quarters, {shape}, share of series"
                out[name] = float(hits.any(axis=1).mean())
    return out


def _quarters(
    rng: np.random.Generator, sets: int, n: np.ndarray, shape: str
) -> tuple[np.ndarray, np.ndarray]:
    draw = rng.standard_normal if shape == "normal" else rng.standard_exponential
    found = [draw((sets, size)) for size in n]
    mean = np.stack([one.mean(axis=1) for one in found], axis=1)
    return mean, np.stack([one.std(axis=1, ddof=1) for one in found], axis=1)


def funnel(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of groups in control beyond the limits, by size."""
    out = {}
    for n in (8, 20, 50, 150):
        for theta in (0.15, 0.5):
            groups = pd.DataFrame({"group": np.arange(sets), "n": n})
            groups["count"] = rng.binomial(n, theta, sets)
            found = service.share_funnel(groups, theta=theta, overdispersion=False)["position"]
            out[f"n {n}, theta {theta}, beyond 95%"] = float((found != "inside").mean())
            out[f"n {n}, theta {theta}, beyond 99.8%"] = float((found == "beyond 99.8%").mean())
    return out


def clinic(rng: np.random.Generator, n: int, shape: str, effects: dict[str, float]) -> pd.DataFrame:
    """One clinic's episodes with case mix, and practitioners' effects in SD of a client."""
    rows = pd.DataFrame({"client": np.arange(n)})
    rows["practitioner"] = rng.choice(list(SITES), n, p=[0.35, 0.3, 0.25, 0.1])
    rows["clinic"] = rows["practitioner"].map(SITES)
    rows["start_value"] = rng.normal(50, 10, n)
    rows["age"] = rng.integers(20, 70, n)
    rows["complaint"] = rng.choice(["neck", "shoulder", "upper back"], n)
    noise = rng.normal(size=n) if shape == "normal" else rng.exponential(size=n) - 1
    gain = 8 - 0.3 * (rows["start_value"] - 50) + 8 * rows["practitioner"].map(effects)
    rows["improvement"] = gain + 8 * noise
    return rows


def practitioners_equal(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of clinics in which anyone stands out though all are equal."""
    out = {}
    for shape in ("normal", "skewed"):
        for n in (60, 200):
            named, real = _looks(max(sets // 50, 1), rng, n, shape, dict.fromkeys(SITES, 0.0))
            out[f"{shape}, {n} clients, anyone named"] = named
            out[f"{shape}, {n} clients, mean chance real"] = real
    return out


def practitioners_differ(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of clinics in which anyone stands out where practitioners differ."""
    out = {}
    for n in (60, 200, 600):
        named, real = _looks(max(sets // 200, 1), rng, n, "normal", PLANTED)
        out[f"{n} clients, anyone named"] = named
        out[f"{n} clients, mean chance real"] = real
    return out


def _looks(
    sets: int, rng: np.random.Generator, n: int, shape: str, effects: dict[str, float]
) -> tuple[float, float]:
    found = [
        service.practitioner_differences(clinic(rng, n, shape, effects), rng=rng)
        for _ in range(sets)
    ]
    named = np.mean([one.anyone_stands_out for one in found])
    return float(named), float(np.mean([one.chance_real for one in found]))


def interrupted(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Coverage of a step of 2 SD halfway, by serial correlation and length."""
    out = {}
    for points in (12, 24, 36):
        for rho in (0.0, 0.3, 0.6):
            ours, plain = [], []
            at = points // 2
            design = np.column_stack([np.ones(points), np.arange(points) >= at])
            inner = np.linalg.inv(design.T @ design)
            reach = stats.t.ppf(0.975, points - 2)
            for _ in range(max(sets // 50, 1)):
                noise = rng.standard_normal(points)
                for t in range(1, points):
                    noise[t] = rho * noise[t - 1] + np.sqrt(1 - rho**2) * noise[t]
                value = 2.0 * design[:, 1] + noise
                series = pd.DataFrame({"period": np.arange(points).astype(str), "value": value})
                step = service.interrupted_series(series, changes=[str(at)], trend=False).iloc[1]
                ours.append(step["ci_low"] <= 2 <= step["ci_high"])
                b = inner @ design.T @ value
                error = np.sqrt(inner[1, 1] * ((value - design @ b) ** 2).sum() / (points - 2))
                plain.append(abs(b[1] - 2) <= reach * error)
            out[f"{points} periods, correlation {rho}, ours"] = float(np.mean(ours))
            out[f"{points} periods, correlation {rho}, least squares"] = float(np.mean(plain))
    return out


def comparison(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Coverage of the difference between quarters that share clients."""
    out = {}
    for n, shared in ((12, 4), (40, 13)):
        inside = []
        for _ in range(max(sets // 20, 1)):
            own = rng.normal(0, 4, 2 * n - shared)
            clients = np.concatenate([np.arange(n), np.arange(n - shared, 2 * n - shared)])
            rows = pd.DataFrame({"client": clients, "measure": "ndi"})
            rows["quarter"] = np.repeat(["2026Q1", "2026Q2"], n)
            rows["improvement"] = own[clients] + rng.normal(0, 4, 2 * n)
            row = service.compare_quarters(rows, quarter="2026Q2", adjust_for=()).iloc[0]
            inside.append(row["ci_low"] <= 0 <= row["ci_high"])
        out[f"{n} clients a quarter, {shared} in both"] = float(np.mean(inside))
    return out


def quality(sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of looks in which anyone is flagged though nothing is wrong."""
    sets = max(sets // 50, 1)
    digits, raters, drift = [], [], []
    found_rater, found_drift = [], []
    for _ in range(sets):
        readings = pd.DataFrame({"rater": np.repeat([*"abcd"], 150)})
        readings["value"] = np.round(rng.normal(60, 15, 600))
        digits.append(service.digit_preference(readings)["flagged"].any())
        client = np.repeat(np.arange(40), 6)
        values = pd.DataFrame({"client": client, "episode": 1, "week": np.tile(np.arange(6.0), 40)})
        own = client % 2
        values["rater"] = np.where(rng.random(240) < 0.2, 1 - own, own).astype(str)
        values["measure"] = "cervical_rotation"
        level = rng.normal(60, 9, 40)[client] + 4 * own
        values["value"] = level + 3 * np.log1p(values["week"]) + rng.normal(0, 3, 240)
        raters.append(service.rater_differences(values)["flagged"].any())
        biased = values.assign(value=values["value"] + 1.5 * (values["rater"] == "1"))
        found_rater.append(service.rater_differences(biased)["flagged"].all())
        starts = pd.DataFrame({"client": np.arange(150)})
        starts["instrument"] = rng.choice(["a", "b", "c"], 150)
        starts["measure"] = rng.choice(["x", "y"], 150)
        days = pd.to_timedelta(rng.integers(0, 540, 150), unit="D")
        starts["date"] = pd.Timestamp("2025-01-01") + days
        starts["value"] = rng.normal(100, 12, 150)
        drift.append(service.instrument_drift(starts, since="2026-01-01")["flagged"].any())
        months = ((starts["date"] - pd.Timestamp("2026-01-01")).dt.days / 30).clip(lower=0)
        starts["value"] += 3.0 * months * (starts["instrument"] == "b")
        table = service.instrument_drift(starts, since="2026-01-01").set_index("instrument")
        found_drift.append(table.loc["b", "flagged"])
    return {
        "planted: rater reads 1.5 higher (error SD 3), 40 clients": float(np.mean(found_rater)),
        "planted: drift of 3 in 30 days (SD 12), 150 clients": float(np.mean(found_drift)),
        "digits, four raters": float(np.mean(digits)),
        "raters, two": float(np.mean(raters)),
        "drift, three instruments": float(np.mean(drift)),
    }


#: Each part with its own number for the seed, so that parts can be run apart.
PARTS = {
    "charts": (0, charts),
    "funnel": (1, funnel),
    "interrupted": (3, interrupted),
    "comparison": (4, comparison),
    "quality": (5, quality),
    "practitioners_equal": (6, practitioners_equal),
    "practitioners_differ": (7, practitioners_differ),
    "small_shifts": (8, small_shifts),
}


def run(sets: int, seed: int, *, parts: tuple[str, ...]) -> dict[str, dict[str, float]]:
    """Run the parts, each from its own seed."""
    return {
        name: part(sets, np.random.default_rng([seed, number]))
        for name, (number, part) in PARTS.items()
        if name in parts
    }


def main() -> None:
    """Run the parts named, or all, storing after each."""
    for part in tuple(sys.argv[1:]) or tuple(PARTS):
        figures = run(SETS, SEED, parts=(part,))
        stored = json.loads(RESULT.read_text()) if RESULT.exists() else {"figures": {}}
        record = {
            "made_by": "tests/evidence/service_false_alarms.py",
            "date": date.today().isoformat(),
            "seed": SEED,
            "sets": SETS,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "pandas": pd.__version__,
            "settings": __doc__,
            "figures": stored["figures"] | figures,
        }
        RESULT.parent.mkdir(exist_ok=True)
        RESULT.write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
