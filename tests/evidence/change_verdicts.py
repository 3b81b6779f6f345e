"""Are the model's chances honest, and is the advice to go on or stop right? Against planted truth.

Run ``python tests/evidence/change_verdicts.py [scenario ...] [--caseloads 200] [--held-out 100]``;
results go into ``results/change_verdicts.json`` and the reliability curves into
``change_verdicts.png`` beside it.

Each caseload has 60 clients with 2 to 9 visits about a week apart. A client's course is start +
gain (1 - exp(-week / scale)), the scale differing between clients (SD of its log .3), which the
model does not know. Clients whose readings show little gain tend to leave. Scenarios:

- ``normal``: gains normal, mean 9, SD 5, error of a reading 3;
- ``mixed``: 75 % gain 11 (SD 3), 20 % do not gain at all, 5 % lose 6 (SD 2), error 3; and leaving
  follows the true gain, readings or not, so that whoever came seldom did worse than the model can
  know;
- ``noisy``: as normal, error 5.

The constants of the advice (prior weights of a course's departure from its form) were settled on
these three. Held out, with gains as in normal but courses of forms that the model does not have, or
has at its edge (early drafts of these, with other seeds, were looked at when it was decided that
forecasts must allow for departure from the form; no constant was settled on them):

- ``slow``: a scale of 6 weeks (SD of its log .4);
- ``straight``: an eighth of the gain a week;
- ``late start``: an S-shaped course, half way at 3.5 weeks;
- ``two phases``: half of the gain at once, the other half from a week between 3 and 7 on;
- ``relapse``: as normal, but three in ten lose six tenths again from a week between 3 and 8 on;
- ``steps``: the whole gain in one step, in a week between 0 and 7.

Advice counts for clients with at least 4 visits. Accuracy is not the measure of it: where nine in
ten have nothing more to come, saying stop to everybody is right nine times in ten. So both errors
are shown, and the cost with a missed gain counting 9 needless rounds of visits.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from outcomes.statistics.individual_change import (
    fit_client_courses,
    judge_change,
    meeting_table,
    start_and_latest,
    verdict_from_courses,
)

RESULTS = Path(__file__).parent / "results" / "change_verdicts.json"
SEED = 20261126
LINE, WORTHWHILE, AHEAD, SCALE = 6.0, 2.0, 3, 2.6
ERROR = {"normal": 3.0, "mixed": 3.0, "noisy": 5.0}
HELD_OUT = ("slow", "straight", "late start", "two phases", "relapse", "steps")
MISSED_GAIN_COSTS = 9.0
BINS = np.array([0, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.0])


def draw_caseload(
    rng: np.random.Generator, scenario: str, n: int = 60
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Draw the visits of a caseload, and per client the planted course."""
    if scenario == "mixed":
        kind = rng.choice(3, n, p=[0.75, 0.20, 0.05])
        total = np.select([kind == 0, kind == 1], [rng.normal(11, 3, n), 0.0], rng.normal(-6, 2, n))
    else:
        total = rng.normal(9, 5, n)
    course = _course(rng, scenario, n)
    week = np.column_stack([np.zeros(n), np.arange(1, 9) + rng.uniform(-0.3, 0.3, (n, 8))])
    gained = total[:, None] * course(week)
    error = ERROR.get(scenario, 3.0)
    reading = rng.normal(50, 8, n)[:, None] + gained + rng.normal(0, error, (n, 9))
    shown = total[:, None] if scenario == "mixed" else reading - reading[:, :1]
    leaving = rng.random((n, 9)) < 0.22 / (1 + np.exp((shown - 6) / 3))
    leaving[:, 0] = False
    many = np.where(leaving.any(axis=1), leaving.argmax(axis=1) + 1, 9)
    many = np.minimum(many, rng.integers(5, 10, n))
    came = np.arange(9) < many[:, None]
    values = pd.DataFrame(
        {
            "client": np.repeat(np.arange(n), many),
            "visit": np.nonzero(came)[1] + 1,
            "week": week[came],
            "measure": "m",
            "value": reading[came],
        }
    )
    last = values.groupby("client")["week"].max().to_numpy()
    times = last[:, None] + np.arange(25)
    ahead = total[:, None] * course(times)
    truth = pd.DataFrame(
        {
            "client": np.arange(n),
            "n_visits": many,
            "improvement": ahead[:, 0],
            "further": ahead[:, AHEAD] - ahead[:, 0],
        }
    )
    return values, truth.join(pd.DataFrame(ahead).add_prefix("after_"))


def _course(rng: np.random.Generator, scenario: str, n: int) -> Callable[[np.ndarray], np.ndarray]:
    """Give the share of the gain reached at weeks (clients x weeks)."""
    scale = SCALE * np.exp(rng.normal(0, 0.3, n))[:, None]

    def usual(week: np.ndarray) -> np.ndarray:
        return -np.expm1(-week / scale)

    if scenario in ERROR:
        return usual
    if scenario == "straight":
        return lambda week: week / 8
    if scenario == "late start":
        return lambda week: 1 / (1 + np.exp(3.5 - week)) - 1 / (1 + np.exp(3.5))
    if scenario == "slow":
        slow = 6 * np.exp(rng.normal(0, 0.4, n))[:, None]
        return lambda week: -np.expm1(-week / slow)
    turn = rng.uniform(0, 7, n)[:, None]
    if scenario == "steps":
        return lambda week: (week > turn).astype(float)
    turn = 3 + turn * (4 if scenario == "two phases" else 5) / 7
    falls = (rng.random(n) < 0.3)[:, None]

    def since(week: np.ndarray) -> np.ndarray:
        return -np.expm1(-np.maximum(week - turn, 0) / 1.5)

    if scenario == "two phases":
        return lambda week: usual(week) / 2 + since(week) / 2
    return lambda week: usual(week) - 0.6 * falls * since(week)


def judge(values: pd.DataFrame, truth: pd.DataFrame, error: float) -> pd.DataFrame:
    """Judge one caseload in every way; one row per client with the truth beside it."""
    courses = fit_client_courses(values)
    model = verdict_from_courses(courses, minimal_important_change=LINE)
    plateau = meeting_table(
        courses,
        minimal_important_change=LINE,
        visits_ahead=AHEAD,
        worthwhile=WORTHWHILE,
        missed_gain_costs=MISSED_GAIN_COSTS,
    )
    cut = judge_change(
        start_and_latest(values),
        standard_error_of_measurement=error,
        minimal_important_change=LINE,
    )
    rows = truth.merge(model.drop(columns="n_visits"), on="client")
    rows = rows.merge(
        cut[["client", "detectable", "important", "worsened", "chance_important"]].rename(
            columns={"chance_important": "pair_chance"}
        ),
        on="client",
    )
    taken = ["client", "state", "further_gain", "chance_worthwhile", "visits_to_line_80"]
    ends = plateau[["ci_low", "ci_high"]].add_prefix("further_")
    rows = rows.merge(pd.concat([plateau[taken], ends], axis=1), on="client")
    latest = values.groupby("client")["value"].last()
    before = values[values["visit"] == values["client"].map(truth.set_index("client")["n_visits"])
                    - 3].set_index("client")["value"]  # fmt: skip
    moved = (latest - before.reindex(latest.index)).to_numpy()
    rows["rule_goes_on"] = pd.array(
        np.where(np.isnan(moved), 0, moved) >= 1.959964 * np.sqrt(2) * error, dtype="boolean"
    )
    rows.loc[np.isnan(moved), "rule_goes_on"] = pd.NA
    return rows


def simulate(scenario: str, n_caseloads: int, seed: int = SEED) -> pd.DataFrame:
    """Judge many caseloads; rows of all clients."""
    rng = np.random.default_rng([seed, [*ERROR, *HELD_OUT].index(scenario)])
    found = []
    for number in range(n_caseloads):
        values, truth = draw_caseload(rng, scenario)
        found.append(judge(values, truth, ERROR.get(scenario, 3.0)).assign(caseload=number))
    return pd.concat(found, ignore_index=True)


def _brier(chance: pd.Series, truth: pd.Series) -> float:
    return float(np.mean((chance.astype(float) - truth.astype(float)) ** 2))


def _curve(chance: pd.Series, truth: pd.Series) -> list[dict]:
    place = np.clip(np.digitize(chance, BINS[1:-1]), 0, BINS.size - 2)
    return [
        {
            "given": float(chance[place == k].mean()),
            "true": float(truth[place == k].mean()),
            "count": int((place == k).sum()),
        }
        for k in range(BINS.size - 1)
        if (place == k).sum() >= 20
    ]


def summarise(rows: pd.DataFrame) -> dict:
    """Summarise calibration, Brier scores, coverage, and the advice."""
    important, improved = rows["improvement"] >= LINE, rows["improvement"] > 0
    yes = (rows["detectable"] & rows["important"] & ~rows["worsened"]).astype(float)
    visits = pd.cut(rows["n_visits"], [0, 3, 5, 9], labels=["2-3", "4-5", "6-9"])
    by_visits = [
        {
            "visits": str(name),
            "count": len(group),
            "brier_model": _brier(group["chance_important"], important[group.index]),
            "brier_two_readings": _brier(group["pair_chance"], important[group.index]),
            "brier_cut_off": _brier(yes[group.index], important[group.index]),
            "coverage": float(
                group["improvement"].between(group["ci_low"], group["ci_high"]).mean()
            ),
        }
        for name, group in rows.groupby(visits, observed=True)
    ]
    near = rows["chance_important"].between(0.75, 0.85)
    return {
        "clients": len(rows),
        "caseloads": int(rows["caseload"].nunique()),
        "coverage": float(rows["improvement"].between(rows["ci_low"], rows["ci_high"]).mean()),
        "given_80_important": {"count": int(near.sum()), "true": float(important[near].mean())},
        "importance_curve": _curve(rows["chance_important"], important),
        "improved_curve": _curve(rows["chance_improved"], improved),
        "by_visits": by_visits,
        "plateau": _advice(rows),
    }


def _advice(rows: pd.DataFrame) -> dict:
    """Both errors of the advice, its cost, and the scores of the chances behind it.

    A client who is told that it cannot be said yet goes on and is measured again.
    """
    long = rows[rows["rule_goes_on"].notna()]
    worth = (long["further"] >= WORTHWHILE).to_numpy()
    stopped = long["state"].str.startswith("levelled off").to_numpy()
    gaining = (long["state"] == "still gaining").to_numpy()
    worse = (long["state"] == "getting worse").to_numpy()
    rule = long["rule_goes_on"].to_numpy(bool)
    chance = long["chance_worthwhile"].to_numpy(float)
    base = float(worth.mean())
    low, high = chance < 1 / (1 + MISSED_GAIN_COSTS), chance >= 0.6

    def cost(stop: np.ndarray) -> float:
        return float(MISSED_GAIN_COSTS * np.mean(stop & worth) + np.mean(~stop & ~worth))

    return {
        "clients": len(long),
        "share_worth_going_on": base,
        "stopped_too_early_model": float(stopped[worth].mean()),
        "stopped_too_early_rule": float((~rule)[worth].mean()),
        "went_on_in_vain_model": float(gaining[~worth].mean()),
        "went_on_in_vain_rule": float(rule[~worth].mean()),
        "not_yet_said_worth": float((~stopped & ~gaining & ~worse)[worth].mean()),
        "not_yet_said_not_worth": float((~stopped & ~gaining & ~worse)[~worth].mean()),
        "stopped_rightly_model": float(stopped[~worth].mean()),
        "told_to_go_on_rightly_model": float(gaining[worth].mean()),
        "worth_among_stopped_model": float(worth[stopped].mean()) if stopped.any() else None,
        "worth_among_stopped_rule": float(worth[~rule].mean()),
        "stopped_model": float(stopped.mean()),
        "stopped_rule": float((~rule).mean()),
        "cost_model": cost(stopped),
        "cost_rule": cost(~rule),
        "cost_stop_all": cost(np.ones(len(long), bool)),
        "cost_stop_nobody": cost(np.zeros(len(long), bool)),
        "brier_model": float(np.mean((chance - worth) ** 2)),
        "brier_rule": float(np.mean((rule.astype(float) - worth) ** 2)),
        "brier_base_rate": base * (1 - base),
        "low_chances": {"given": float(chance[low].mean()) if low.any() else None,
                        "true": float(worth[low].mean()) if low.any() else None,
                        "count": int(low.sum())},
        "high_chances": {"given": float(chance[high].mean()) if high.any() else None,
                         "true": float(worth[high].mean()) if high.any() else None,
                         "count": int(high.sum())},
        "chance_curve": _curve(long["chance_worthwhile"], long["further"] >= WORTHWHILE),
        "states": {str(k): float(v) for k, v in long["state"].value_counts(normalize=True).items()},
        "further_gain_coverage": float(
            rows["further"].between(rows["further_ci_low"], rows["further_ci_high"]).mean()
        ),
        "at_line_after_visits_to_line_80": _at_line(rows),
    }  # fmt: skip


def _at_line(rows: pd.DataFrame) -> dict:
    """Say how many were at the line after the visits that were to bring 80 % there."""
    reach = rows[rows["visits_to_line_80"].between(1, 24)]
    at = reach["visits_to_line_80"].to_numpy(int)
    level = reach[[f"after_{k}" for k in range(25)]].to_numpy()[np.arange(len(reach)), at]
    return {"count": len(reach), "true": float(np.mean(level >= LINE)) if len(reach) else None}


def plot(stored: dict, path: Path) -> None:
    """Draw the reliability curves."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(5, 5))
    axes.plot([0, 1], [0, 1], color="0.6", linestyle=":", label="honest")
    for (name, found), mark in zip(stored["scenarios"].items(), "osD", strict=False):
        curve = pd.DataFrame(found["importance_curve"])
        axes.plot(curve["given"], curve["true"], marker=mark, label=name)
    axes.set_xlabel("chance of an important improvement, as given")
    axes.set_ylabel("share of clients with one, in truth")
    axes.legend()
    figure.savefig(path, dpi=110, bbox_inches="tight")


def main() -> None:
    """Run, store, draw and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenarios", nargs="*", default=[*ERROR, *HELD_OUT])
    parser.add_argument("--caseloads", type=int, default=200)
    parser.add_argument("--held-out", type=int, default=100)
    arguments = parser.parse_args()
    for scenario in arguments.scenarios:
        held_out = scenario in HELD_OUT
        many = arguments.held_out if held_out else arguments.caseloads
        found = summarise(simulate(scenario, many))
        if held_out:
            kept = ("clients", "caseloads", "coverage", "importance_curve", "plateau")
            found = {key: found[key] for key in kept}
        stored: dict = json.loads(RESULTS.read_text())
        stored |= {
            "seed": SEED,
            "date": dt.date.today().isoformat(),
            "versions": {
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "pandas": pd.__version__,
            },
            "settings": {
                "importance line": LINE,
                "worthwhile": WORTHWHILE,
                "visits ahead": AHEAD,
                "missed gain costs": MISSED_GAIN_COSTS,
            },
        }
        stored.setdefault("held_out" if held_out else "scenarios", {})[scenario] = found
        RESULTS.write_text(json.dumps(stored, indent=1) + "\n")
        print(scenario, json.dumps(found, indent=1), flush=True)
    plot(json.loads(RESULTS.read_text()), RESULTS.with_suffix(".png"))


if __name__ == "__main__":
    main()
