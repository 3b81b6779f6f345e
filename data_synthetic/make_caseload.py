"""Make the synthetic caseload: two sites, musicians and market-garden workers, planted truth.

Run as a script it writes, beside itself,

- ``caseload/``: the seven tables as CSV and a ``datapackage.json`` that describes them;
- ``truth.json``, ``truth_clients.csv``, ``truth_visits.csv``: everything that was planted.

Imported it gives tables and truth without touching a file::

    tables, truth = make_caseload(np.random.default_rng(1), n_clients=400)
    truth.true_mean_improvement("shoulder_flexion")

How truth compares with an analysis stands at the head of `data_synthetic.truth`; the world itself
is ``scenario.toml``, and `changes` lays other numbers over it, for example no drop-out that
depends on the course: ``changes={"drop_out": {"doing": 0.0}}``.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from data_synthetic.describe import write_package
from data_synthetic.extras import events_table, home_exercise_table, treatments_table
from data_synthetic.people import make_people
from data_synthetic.readings import make_ranges, measurement_columns
from data_synthetic.scales import make_scales
from data_synthetic.scenario import load_scenario, words
from data_synthetic.schedule import make_schedule, visits_table
from data_synthetic.truth import Truth, make_truth
from data_synthetic.world import World

__all__ = ["make_caseload", "write_caseload"]


def make_caseload(
    rng: np.random.Generator,
    *,
    n_clients: int | None = None,
    changes: dict[str, Any] | None = None,
) -> tuple[dict[str, pd.DataFrame], Truth]:
    """Draw one caseload.

    Parameters
    ----------
    rng : numpy Generator
        Source of all chance.
    n_clients : int, optional
        Clients; the scenario's number where not given.
    changes : dict, optional
        Numbers laid over the scenario, nested as in ``scenario.toml``.

    Returns
    -------
    tables : dict of str to DataFrame
        The seven tables, with the columns of `outcomes.records.schema` in their order.
    truth : Truth
        What was planted.
    """
    scenario = load_scenario(changes)
    clients, episodes = make_people(rng, scenario, n_clients or scenario["clients"])
    codes = clients["client"].array
    world = World(rng, scenario, episodes, make_schedule(rng, scenario, episodes))
    make_ranges(world)
    make_scales(world)

    readings = _sorted(
        world.rows.arrays("measurements"),
        ["unit", "visit", "measure", "mode", "side", "moment", "trial"],
    )
    answers = _sorted(world.rows.arrays("answers"), ["unit", "visit", "questionnaire", "item"])
    tables = {
        "clients": clients,
        "visits": visits_table(scenario, episodes, world.schedule, codes),
        "measurements": pd.concat(
            [_who_and_when(world, readings, codes), measurement_columns(world, readings)], axis=1
        ),
        "answers": _who_and_when(world, answers, codes).assign(
            questionnaire=words(world.measures, answers["questionnaire"]),
            item=pd.array(answers["item"], dtype="Int64"),
            answer=answers["answer"],
        ),
        "treatments": treatments_table(rng, episodes, world.schedule, codes),
        "home_exercise": home_exercise_table(rng, scenario, episodes, world.schedule, codes),
        "events": events_table(rng, scenario, episodes, world.schedule, codes),
    }
    return tables, make_truth(world, codes)


def _who_and_when(world: World, arrays: dict[str, np.ndarray], codes: Any) -> pd.DataFrame:
    unit, visit = arrays["unit"], arrays["visit"]
    return pd.DataFrame(
        {
            "client": codes.take(world.episodes.client[unit]),
            "episode": pd.array(world.episodes.episode[unit], dtype="Int64"),
            "visit": pd.array(visit + 1, dtype="Int64"),
            "date": world.schedule.dates(unit, visit),
        }
    )


def _sorted(arrays: dict[str, np.ndarray], by: list[str]) -> dict[str, np.ndarray]:
    order = np.lexsort([arrays[name] for name in reversed(by)])
    return {name: column[order] for name, column in arrays.items()}


def write_caseload(tables: dict[str, pd.DataFrame], truth: Truth, folder: Path) -> None:
    """Write ``caseload/`` and the truth files into `folder`."""
    write_package(tables, folder / "caseload")
    (folder / "truth.json").write_text(json.dumps(truth.summary(), indent=1) + "\n", "utf-8")
    for name, frame in (("truth_clients", truth.courses), ("truth_visits", truth.levels)):
        numbers = frame.select_dtypes("float").round(3) + 0.0  # no negative zero
        text = frame.assign(**numbers).to_csv(index=False, lineterminator="\n")
        (folder / f"{name}.csv").write_text(text, "utf-8")


def main() -> None:
    """Write the caseload that the project carries, or another one elsewhere."""
    parser = argparse.ArgumentParser(description="Make the synthetic caseload.")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    parser.add_argument("--seed", type=int, default=load_scenario()["seed"])
    parser.add_argument("--clients", type=int, default=None)
    given = parser.parse_args()
    tables, truth = make_caseload(np.random.default_rng(given.seed), n_clients=given.clients)
    write_caseload(tables, truth, given.out)
    for name, frame in tables.items():
        print(f"{name:15} {len(frame):7,} rows")


if __name__ == "__main__":
    main()
