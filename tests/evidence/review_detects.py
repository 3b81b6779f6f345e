"""Does the quarter's review find what was planted, and does it leave alone what was not?

Each seed makes a caseload of 400 clients over six quarters and calls what the review calls on its
last day: practitioners (13 measures, last four quarters, the 5% shared among them, and the funnel),
drift of instruments, the step at a dated change, and small lasting shifts. Raters' biases and one
rater who rounds to 5 degrees stay in every world, as nuisance.

Worlds: ``nothing`` (practitioners and sites equal, no drift, no change), ``as planted`` (the
scenario: practitioners 0.06 to 0.10 of a full gain from their colleagues' mean, an inclinometer
drifting by 0.8 degrees in 30 days for 24 weeks, longer first visits at one site worth 0.20 of a
full gain), ``stronger`` (practitioners 0.35 apart from the mean, drift 3 degrees in 30 days, change
0.50), and ``drift and change only`` (as planted, practitioners equal: is anybody named for the
instrument's or the clinic's sake).

Run: python tests/evidence/review_detects.py [--keep FILE]. A run that was stopped goes on.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
from datetime import date
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from data_synthetic.as_caseload import as_caseload  # noqa: E402
from data_synthetic.make_caseload import make_caseload  # noqa: E402
from outcomes.records.lookup import measure_of  # noqa: E402
from outcomes.records.readings import judged_side, visit_values  # noqa: E402
from outcomes.records.settings import Change  # noqa: E402
from outcomes.statistics.individual_change import start_and_latest  # noqa: E402
from outcomes.statistics.review import meeting  # noqa: E402
from outcomes.statistics.review.judging import row_errors  # noqa: E402
from outcomes.statistics.review.over_time import (  # noqa: E402
    ALL_MEASURES,
    small_shifts,
    steps_at_changes,
)
from outcomes.statistics.review.rows import episode_rows  # noqa: E402

RESULT = Path(__file__).parent / "results" / "review_detects.json"
SEED, CLIENTS, QUARTER = 20261125, 400, "2026Q2"
CHANGE = Change(date=date(2025, 10, 1), what="longer first visits", site="field")
DRIFTING = "inclinometer 2"
_EQUAL = {
    "practitioners": {"effect": [0.0] * 4},
    "sites": {"effect": [0.0, 0.0]},
}
_STEADY = {"drift": {"deg_per_30_days": 0.0}, "site_change": {"effect": 0.0}}
WORLDS: dict[str, tuple[int, dict[str, Any]]] = {
    "nothing": (400, _EQUAL | _STEADY),
    "as planted": (200, {}),
    "stronger": (
        60,
        {
            "practitioners": {"effect": [0.35, -0.35, 0.35, -0.35]},
            "drift": {"deg_per_30_days": 3.0},
            "site_change": {"effect": 0.5},
        },
    ),
    "drift and change only": (60, _EQUAL),
}
_AT_ONCE = 6  # seeds between two writings of what is done
_SERIES = ["client", "episode", "side", "mode", "instrument"]


def look(world: str, seed: int, *, clients: int = CLIENTS) -> dict[str, bool | int]:
    """Make one caseload and say what the review would have said."""
    rng = np.random.default_rng([SEED, list(WORLDS).index(world), seed])
    tables, _ = make_caseload(rng, n_clients=clients, changes=WORLDS[world][1])
    review = _reviewed(tables)
    rows = episode_rows(review)
    year = meeting._each_episode_once(rows, review)
    people = meeting._practitioners(review, year, rng, False)
    funnel = meeting._funnel(year, False, rng)
    stands_out = [code for code, found in people.items() if found.anyone_stands_out]
    drift = meeting._drift(review).set_index("instrument")["flagged"]
    steps = steps_at_changes(review, [CHANGE])
    whole = steps["measure"] == ALL_MEASURES
    shifts = small_shifts(rows)
    return {
        "somebody named": bool(stands_out),
        "measures in which": len(stands_out),
        "beyond 99.8% in the funnel": bool((funnel["position"] == "beyond 99.8%").any()),
        "any instrument flagged": bool(drift.any()),
        "drifting instrument flagged": bool(drift.get(DRIFTING, False)),
        "other instrument flagged": bool(drift.drop(DRIFTING, errors="ignore").any()),
        "step, all measures": bool(steps.loc[whole, "flagged"].any()),
        "step, any measure": bool(steps.loc[~whole, "flagged"].any()),
        "small shift, any measure": bool(shifts["signal"].any()),
        "small shift, measures": int(shifts.groupby("measure")["signal"].any().sum()),
    }


def _reviewed(tables: dict[str, pd.DataFrame]) -> Any:
    """Stand in for `review_quarter`: all but the clients' own courses, which nothing here uses."""
    caseload = as_caseload(tables)
    values = judged_side(visit_values(caseload), caseload.clients)
    pairs = start_and_latest(values)
    measures = []
    for code in sorted(set(pairs["measure"]) - {"groc"}):
        mine, readings = pairs[pairs["measure"] == code], values[values["measure"] == code]
        measures.append(
            SimpleNamespace(
                measure=measure_of(caseload, code),
                readings=readings,
                values=readings.merge(mine[_SERIES], on=_SERIES),
                everyone=mine.assign(
                    standard_error_of_measurement=row_errors(caseload, code, mine),
                    minimal_important_change=np.nan,
                ),
            )
        )
    names = {m.measure.code: m.measure.name for m in measures}
    return SimpleNamespace(quarter=QUARTER, caseload=caseload, measures=measures, names=names)


def run(world: str, seeds: range, *, clients: int = CLIENTS) -> pd.DataFrame:
    """Look at many caseloads of one world."""
    return pd.DataFrame([{"seed": seed, **look(world, seed, clients=clients)} for seed in seeds])


def figures(rows: pd.DataFrame) -> dict[str, float]:
    """Turn looks into shares."""
    return {name: float(rows[name].mean()) for name in rows.columns if name != "seed"}


def main() -> None:
    """Run all worlds in turn, keeping what is done."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--keep", type=Path, required=True, help="file for the looks made so far")
    keep = parser.parse_args().keep
    done = pd.read_csv(keep) if keep.exists() else pd.DataFrame(columns=["world", "seed"])
    have = set(zip(done["world"], done["seed"], strict=True))
    todo = [(world, seed) for world, (sets, _) in WORLDS.items() for seed in range(sets)]
    todo = [one for one in todo if one not in have]
    todo.sort(key=lambda one: (one[1] + 1) / WORLDS[one[0]][0])  # all worlds advance together
    for start in range(0, len(todo), _AT_ONCE):
        some = todo[start : start + _AT_ONCE]
        new = pd.DataFrame([{"world": w, "seed": seed, **look(w, seed)} for w, seed in some])
        done = pd.concat([done, new], ignore_index=True)
        done.to_csv(keep, index=False)
    store(done)


def store(done: pd.DataFrame) -> None:
    """Write the record."""
    by = {world: done[done["world"] == world].drop(columns="world") for world in WORLDS}
    record = {
        "made_by": "tests/evidence/review_detects.py",
        "date": date.today().isoformat(),
        "seed": SEED,
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "scipy", "pandas")},
        "settings": __doc__,
        "clients": CLIENTS,
        "sets": {world: len(rows) for world, rows in by.items()},
        "figures": {world: figures(rows.infer_objects()) for world, rows in by.items()},
    }
    RESULT.write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
