"""Is regression to the mean found from the visits when it was planted, and only then?

Run ``python tests/evidence/change_first_visit.py [setting ...] [--sets 10000]``; each setting
writes its figures into ``results/change_first_visit.json``.

Each caseload has clients with 4 to 9 visits (3 to 5 in ``few visits``) about a week apart. Usual
level 50 (SD 8), error of a reading 4. Where clients are selected they came because the first
reading was below 46, so that it lies 1.97 below their own course on average (Barnett 2005, the
error's share of the truncated normal); elsewhere not at all. Gains: mean 9, SD 5.

- ``flattening``: gain (1 - exp(-week / scale)), the scale differing between clients (SD of its log
  .3), which the model does not know;
- ``straight``: a sixth of the gain a week;
- ``no gain``: level courses;
- ``late start``: an S-shaped course, which is none of the forms that the model averages over.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import scipy
from scipy import stats

from outcomes.errors import ModelError
from outcomes.statistics.effect_size import change_ladder, first_visit_regression
from outcomes.statistics.individual_change import start_and_latest

RESULTS = Path(__file__).parent / "results" / "change_first_visit.json"
SEED = 20261127
LEVEL, SPREAD, ERROR, CUT = 50.0, 8.0, 4.0, 46.0


class Setting(NamedTuple):
    """What is planted."""

    course: str
    selected: bool
    n: int = 80
    visits: tuple[int, int] = (4, 9)


SETTINGS = {
    "flattening, selected": Setting("flattening", True),
    "flattening, not selected": Setting("flattening", False),
    "straight, selected": Setting("straight", True),
    "straight, not selected": Setting("straight", False),
    "no gain, selected": Setting("no gain", True),
    "no gain, not selected": Setting("no gain", False),
    "few visits, selected": Setting("flattening", True, 40, (3, 5)),
    "few visits, not selected": Setting("flattening", False, 40, (3, 5)),
    "late start, selected": Setting("late start", True),
    "late start, not selected": Setting("late start", False),
}


def planted(setting: Setting) -> float:
    """Give the mean distance of the first reading below the course, from the truncated normal."""
    if not setting.selected:
        return 0.0
    sd = float(np.hypot(SPREAD, ERROR))
    z = (CUT - LEVEL) / sd
    return float(ERROR**2 / sd * stats.norm.pdf(z) / stats.norm.cdf(z))


def draw(rng: np.random.Generator, setting: Setting) -> tuple[pd.DataFrame, np.ndarray]:
    """Draw the visits of a caseload, and the true gain of every client up to the last visit."""
    n = setting.n
    level, error = rng.normal(LEVEL, SPREAD, 20 * n), rng.normal(0, ERROR, 20 * n)
    here = np.flatnonzero(level + error < CUT)[:n] if setting.selected else np.arange(n)
    many = rng.integers(setting.visits[0], setting.visits[1] + 1, n)
    width = setting.visits[1]
    week = np.arange(width) + np.where(np.arange(width), rng.uniform(-0.3, 0.3, (n, width)), 0)
    scale = 2.6 * np.exp(rng.normal(0, 0.3, n))[:, None]
    share = {
        "flattening": -np.expm1(-week / scale),
        "straight": week / 6,
        "no gain": 0 * week,
        "late start": 1 / (1 + np.exp(3 - week)) - 1 / (1 + np.exp(3)),
    }[setting.course]
    gained = rng.normal(9, 5, n)[:, None] * share
    noise = rng.normal(0, ERROR, (n, width))
    noise[:, 0] = error[here]
    came = np.arange(width) < many[:, None]
    values = pd.DataFrame(
        {
            "client": np.repeat(np.arange(n), many),
            "episode": 1,
            "visit": np.nonzero(came)[1] + 1,
            "week": week[came],
            "measure": "m",
            "side": "left",
            "mode": "active",
            "instrument": "one",
            "value": (level[here][:, None] + gained + noise)[came],
        }
    )
    return values, gained[np.arange(n), many - 1]


def one_set(rng: np.random.Generator, setting: Setting, true_gain: float | None) -> dict:
    """Estimate once; the ladder too where the true gain is given."""
    values, _ = draw(rng, setting)
    truth = planted(setting)
    try:
        found = first_visit_regression(values)
    except ModelError:
        return {"given": False}
    row = {
        "given": True,
        "estimate": found.estimate,
        "error": found.standard_error,
        "held": found.ci_low <= truth <= found.ci_high,
        "found": found.ci_low > 0,
        "told_apart": found.told_apart,
        "usable": found.told_apart and found.ci_high > 0,
    }
    if true_gain is not None:
        ladder = change_ladder(start_and_latest(values), rng=rng, first_visit=found,
                               n_resamples=999)  # fmt: skip
        last = ladder.rungs.iloc[-1]
        row["ladder_held"] = bool(last["ci_low"] <= true_gain <= last["ci_high"])
        row["raw_held"] = bool(ladder.rungs["ci_low"][0] <= true_gain <= ladder.rungs["ci_high"][0])
    return row


def simulate(name: str, n_sets: int, seed: int = SEED) -> dict:
    """Estimate many times in one setting."""
    setting = SETTINGS[name]
    rng = np.random.default_rng([seed, list(SETTINGS).index(name)])
    true_gain = float(np.mean([draw(rng, setting)[1].mean() for _ in range(2000)]))
    rows = pd.DataFrame([one_set(rng, setting, true_gain) for _ in range(n_sets)])
    rows = rows[rows["given"]]
    kept = rows[rows["usable"].astype(bool)]
    return {
        "clients": setting.n,
        "sets": n_sets,
        "given": len(rows) / n_sets,
        "planted": planted(setting),
        "mean": float(rows["estimate"].mean()),
        "sd": float(rows["estimate"].std()),
        "mean_standard_error": float(rows["error"].mean()),
        "coverage": float(rows["held"].mean()),
        "found": float(rows["found"].mean()),
        "told_apart": float(rows["told_apart"].mean()),
        "usable": float(rows["usable"].mean()),
        "true_gain": true_gain,
        "raw_change_holds_true_gain": float(kept["raw_held"].mean()),
        "ladder_left_coverage": float(kept["ladder_held"].mean()),
    }


def main() -> None:
    """Run and store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("settings", nargs="*", default=list(SETTINGS))
    parser.add_argument("--sets", type=int, default=10_000)
    arguments = parser.parse_args()
    for name in arguments.settings:
        found = simulate(name, arguments.sets)
        stored: dict = json.loads(RESULTS.read_text()) if RESULTS.exists() else {"situations": {}}
        stored |= {
            "seed": SEED,
            "date": dt.date.today().isoformat(),
            "level": 0.95,
            "versions": {
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "pandas": pd.__version__,
            },
        }
        stored["situations"][name] = found
        RESULTS.write_text(json.dumps(stored, indent=1) + "\n")
        print(name, found, flush=True)


if __name__ == "__main__":
    main()
