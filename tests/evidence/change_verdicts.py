"""Are the model's chances honest, and is the advice to go on or stop right? Against planted truth.

Run ``python tests/evidence/change_verdicts.py [--caseloads 150]``; results go into
``results/change_verdicts.json`` and the reliability curves into ``change_verdicts.png`` beside it.

Each caseload has 60 clients with 2 to 9 visits about a week apart. A client's course is start +
gain (1 - exp(-week / scale)), the scale differing between clients (SD of its log .3), which the
model does not know. Clients whose readings show little gain tend to leave. Scenarios:

- ``normal``: gains normal, mean 9, SD 5, error of a reading 3;
- ``mixed``: 75 % gain 11 (SD 3), 20 % do not gain at all, 5 % lose 6 (SD 2), error 3; and leaving
  follows the true gain, readings or not, so that whoever came seldom did worse than the model can
  know;
- ``noisy``: as normal, error 5.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
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
    scale = SCALE * np.exp(rng.normal(0, 0.3, n))
    week = np.column_stack([np.zeros(n), np.arange(1, 9) + rng.uniform(-0.3, 0.3, (n, 8))])
    gained = -total[:, None] * np.expm1(-week / scale[:, None])
    reading = rng.normal(50, 8, n)[:, None] + gained + rng.normal(0, ERROR[scenario], (n, 9))
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
    truth = pd.DataFrame(
        {
            "client": np.arange(n),
            "n_visits": many,
            "improvement": -total * np.expm1(-last / scale),
            "further": total * (np.exp(-last / scale) - np.exp(-(last + AHEAD) / scale)),
            "total": total,
            "scale": scale,
            "last": last,
        }
    )
    return values, truth


def judge(values: pd.DataFrame, truth: pd.DataFrame, error: float) -> pd.DataFrame:
    """Judge one caseload in every way; one row per client with the truth beside it."""
    courses = fit_client_courses(values)
    model = verdict_from_courses(courses, minimal_important_change=LINE)
    plateau = meeting_table(
        courses, minimal_important_change=LINE, visits_ahead=AHEAD, worthwhile=WORTHWHILE
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
    rng = np.random.default_rng([seed, list(ERROR).index(scenario)])
    found = []
    for number in range(n_caseloads):
        values, truth = draw_caseload(rng, scenario)
        found.append(judge(values, truth, ERROR[scenario]).assign(caseload=number))
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
    long = rows[rows["rule_goes_on"].notna()]
    worth = long["further"] >= WORTHWHILE
    model, rule = long["chance_worthwhile"] >= 0.5, long["rule_goes_on"].astype(bool)
    named = long[long["state"] != "too little data to say"]
    true_state = np.select(
        [
            np.minimum(named["improvement"], named["further"]) <= -WORTHWHILE,
            named["further"] >= WORTHWHILE,
            named["improvement"] >= LINE,
        ],
        ["getting worse", "still gaining", "levelled off past the line"],
        default="levelled off short of the line",
    )
    further = rows["further"]
    reach = rows[rows["visits_to_line_80"].between(1, 24)]
    at = reach["last"] + reach["visits_to_line_80"]
    there = -reach["total"] * np.expm1(-at / reach["scale"]) >= LINE
    return {
        "clients": len(long),
        "share_worth_going_on": float(worth.mean()),
        "right_model": float((model == worth).mean()),
        "right_rule": float((rule == worth).mean()),
        "stopped_too_early_model": float((~model & worth).sum() / worth.sum()),
        "stopped_too_early_rule": float((~rule & worth).sum() / worth.sum()),
        "went_on_in_vain_model": float((model & ~worth).sum() / (~worth).sum()),
        "went_on_in_vain_rule": float((rule & ~worth).sum() / (~worth).sum()),
        "brier_model": _brier(long["chance_worthwhile"], worth),
        "brier_rule": _brier(rule, worth),
        "states_named": len(named) / len(long),
        "states_right": float((named["state"].to_numpy() == true_state).mean()),
        "further_gain_coverage": float(
            further.between(rows["further_ci_low"], rows["further_ci_high"]).mean()
        ),
        "at_line_after_visits_to_line_80": {"count": len(reach), "true": float(there.mean())},
    }


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
    parser.add_argument("--caseloads", type=int, default=150)
    arguments = parser.parse_args()
    stored: dict = {
        "seed": SEED,
        "date": dt.date.today().isoformat(),
        "versions": {"numpy": np.__version__, "scipy": scipy.__version__, "pandas": pd.__version__},
        "settings": {"importance line": LINE, "worthwhile": WORTHWHILE, "visits ahead": AHEAD},
        "scenarios": {},
    }
    for scenario in ERROR:
        stored["scenarios"][scenario] = summarise(simulate(scenario, arguments.caseloads))
        print(scenario, json.dumps(stored["scenarios"][scenario], indent=1), flush=True)
    RESULTS.write_text(json.dumps(stored, indent=1) + "\n")
    plot(stored, RESULTS.with_suffix(".png"))


if __name__ == "__main__":
    main()
