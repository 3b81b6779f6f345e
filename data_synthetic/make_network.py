"""Make a network of clinics: many million visits in minutes, packed as a store.

    python data_synthetic/make_network.py --out STORE --clinics 200 --visits 10000000

People, schedules, readings and scores are those of `data_synthetic.make_caseload`, one clinic at a
time. A network records less than the two sites of the scenario: one range of motion and one
questionnaire, the first once a visit. Clinics differ in what their clients gain.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from data_synthetic.people import make_people
from data_synthetic.scenario import load_scenario
from data_synthetic.schedule import Schedule, make_schedule, visits_table
from data_synthetic.world import World, limit_gain, sign_of
from outcomes.records.caseload import Caseload

__all__ = ["make_clinic", "make_network"]

#: Mean visits of an episode in the scenario, to turn visits into clients.
VISITS_A_CLIENT = 6.6
#: The same where few leave early.
LONG = 14.0
_RANGE, _SCALE = "shoulder_flexion", "quickdash"
_EVERY = 4  # a form at the first and every fourth visit


def make_network(
    rng: np.random.Generator,
    *,
    clinics: int,
    visits: int,
    spread: float = 0.06,
    visits_a_client: float = VISITS_A_CLIENT,
    with_forms: bool = True,
) -> Iterator[tuple[str, Caseload, float]]:
    """Draw the clinics of a network, one after the other.

    Parameters
    ----------
    rng : numpy Generator
        Source of all chance.
    clinics, visits : int
        Clinics, and visits in all (about).
    spread : float
        SD of the clinics' effects, in fractions of a measure's full gain.
    visits_a_client : float
        Longer courses from fewer clients: mean visits.
    with_forms : bool
        Also a questionnaire, at the first and every fourth visit.

    Yields
    ------
    code : str
    caseload : Caseload
        Its clients, visits and measurements.
    effect : float
        What was planted.
    """
    sizes = rng.gamma(8.0, 1 / 8.0, clinics)
    clients = np.maximum(20, np.rint(visits / visits_a_client * sizes / sizes.sum())).astype(int)
    effects = rng.normal(0.0, spread, clinics)
    for number in range(clinics):
        code = f"K{number + 1:03d}"
        caseload = make_clinic(
            rng,
            code=code,
            n_clients=int(clients[number]),
            effect=float(effects[number]),
            long=visits_a_client > VISITS_A_CLIENT,
            with_forms=with_forms,
        )
        yield code, caseload, float(effects[number])


def make_clinic(
    rng: np.random.Generator,
    *,
    code: str,
    n_clients: int,
    effect: float = 0.0,
    long: bool = False,
    with_forms: bool = True,
) -> Caseload:
    """Draw one clinic.

    Parameters
    ----------
    rng : numpy Generator
    code : str
        Code of the clinic; client codes begin with it.
    n_clients : int
    effect : float
        Added to what its clients gain, in fractions of a measure's full gain.
    long : bool
        Few leave early: about fourteen visits a client.
    with_forms : bool
        Also a questionnaire.

    Returns
    -------
    Caseload
        With an empty ledger.
    """
    scenario = load_scenario(_changes(code, effect, long))
    clients, episodes = make_people(rng, scenario, n_clients)
    clients["client"] = pd.array([f"{code}-{i:07d}" for i in range(1, n_clients + 1)], dtype="str")
    schedule = make_schedule(rng, scenario, episodes)
    world = World(rng, scenario, episodes, schedule)
    codes = clients["client"].array
    tables = {"clients": clients, "visits": visits_table(scenario, episodes, schedule, codes)}
    drawn = [_readings(world, scenario["ranges"][_RANGE], _RANGE, codes)]
    if with_forms:
        drawn.append(_readings(world, scenario["scales"][_SCALE], _SCALE, codes))
    tables["measurements"] = pd.concat(drawn, ignore_index=True)
    for name, frame in tables.items():
        rows = pd.array(np.arange(2, len(frame) + 2), dtype="Int64")
        tables[name] = frame.assign(source_file=f"{code}.csv", source_row=rows)
    return Caseload(tables=tables)


def _changes(code: str, effect: float, long: bool) -> dict[str, Any]:
    team = [f"{code}.{i}" for i in range(1, 5)]
    changes: dict[str, Any] = {
        "sites": {"codes": [code], "share": [1.0], "effect": [effect]},
        "site_change": {"site": code, "effect": 0.0},
        "practitioners": {"codes": team, "site": [code] * 4},
        "raters": {"rounds_to_5_deg": ""},
        "instruments": {"inclinometer": {"hall": "inclinometer 1", "field": "inclinometer 1"}},
        "second_episode": {"share": 0.0},
        "baseline": {"share": 0.0},
    }
    if long:
        changes["visits"] = {"planned_mean": 22.0, "discharge": {"chance": 0.0}}
        changes["drop_out"] = {"base": -7.0, "doing": 0.0, "moved_away": 0.001}
    return changes


def _readings(world: World, measure: dict[str, Any], name: str, codes: Any) -> pd.DataFrame:
    """Give one reading a visit of everybody (of a questionnaire: at some visits)."""
    rng, schedule, episodes = world.rng, world.schedule, world.episodes
    everyone = np.arange(len(episodes))
    start = world.true_starts(measure, everyone)
    total = limit_gain(measure, start, world.improvements(measure, everyone))
    form = "error_sd" in measure
    unit, visit = _when(schedule, form)
    level = start[unit] + total[unit] * schedule.progress[unit, visit]
    if form:
        fading = np.exp(-schedule.since_start[unit, visit] / 10.0)
        level = level - sign_of(measure) * measure["transient"] * fading
        spread, ends, step = measure["error_sd"], measure["range"], measure["step"]
    else:
        spread = float(np.hypot(measure["session_sd"], measure["trial_sd"]))
        ends, step = measure["hard"], 1.0
    value = level + spread * rng.standard_normal(unit.size)
    n = unit.size
    rater = np.array(world.scenario["practitioners"]["codes"], dtype=object)

    def word(text: str) -> Any:
        return pd.array([text], dtype="str").take(np.zeros(n, dtype=np.intp))

    return pd.DataFrame(
        {
            "client": codes.take(episodes.client[unit]),
            "episode": pd.array(episodes.episode[unit], dtype="Int64"),
            "visit": pd.array(visit + 1, dtype="Int64"),
            "date": schedule.dates(unit, visit),
            "measure": word(name),
            "side": word("midline") if form else _sides(episodes.affected[unit]),
            "moment": word("before"),
            "trial": pd.array(np.ones(n, dtype=int), dtype="Int64"),
            "value": np.clip(np.round(np.rint(value / step) * step, 1), *ends),
            "unit": word(measure["unit"]),
            "rater": pd.array(rater[schedule.rater[unit, visit]], dtype="str"),
            "instrument": word("form" if form else "goniometer"),
            "mode": word("active").take(np.full(n, -1), allow_fill=True)
            if form
            else word("active"),
        }
    )


def _when(schedule: Schedule, form: bool) -> tuple[np.ndarray, np.ndarray]:
    due = schedule.attended.copy()
    if form:
        due &= np.arange(due.shape[1]) % _EVERY == 0
    unit, visit = np.nonzero(due)
    return unit, visit


def _sides(affected: np.ndarray) -> Any:
    """Give the affected side; clients without one are measured on the right."""
    return pd.array(["left", "right"], dtype="str").take((affected != 0).astype(np.intp))


def main() -> None:
    """Write a network as a store."""
    from outcomes.network.store import Packing

    parser = argparse.ArgumentParser(description="Make a network of clinics.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--clinics", type=int, default=200)
    parser.add_argument("--visits", type=int, default=1_000_000)
    parser.add_argument("--long", action="store_true", help="about 14 visits a client")
    parser.add_argument("--no-forms", action="store_true", help="no questionnaire")
    parser.add_argument("--seed", type=int, default=20260701)
    given = parser.parse_args()
    begun, made = time.monotonic(), 0
    network = make_network(
        np.random.default_rng(given.seed),
        clinics=given.clinics,
        visits=given.visits,
        visits_a_client=LONG if given.long else VISITS_A_CLIENT,
        with_forms=not given.no_forms,
    )
    with Packing(given.out) as packing:
        for code, caseload, _ in network:
            packing.add(caseload)
            made += len(caseload.visits)
            print(f"{code}: {made:,} visits, {time.monotonic() - begun:.0f} s", file=sys.stderr)
    print(f"{made:,} visits of {given.clinics} clinics in {time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main()
