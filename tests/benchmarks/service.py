"""Seconds and peak memory of the quarter's review functions at 10,000 clients and 80,000 visits.

Run: python tests/benchmarks/service.py [clients]
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from outcomes.statistics import sensitivity, service, time_to_gain


def made_clinic(clients: int, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Make a large clinic: 40 practitioners at 8 sites, about 8 visits a client, two years."""
    people = pd.DataFrame({"client": np.arange(clients).astype(str)})
    people["practitioner"] = "P" + pd.Series(rng.integers(0, 40, clients)).astype(str)
    people["clinic"] = "S" + (people["practitioner"].str[1:].astype(int) % 8).astype(str)
    people["age"] = rng.integers(18, 80, clients)
    people["onset_weeks"] = rng.exponential(20, clients)
    people["complaint"] = rng.choice(["neck", "shoulder", "upper back"], clients)
    people["sex"] = rng.choice(["female", "male"], clients)
    count = rng.integers(4, 13, clients)
    start = pd.Timestamp("2024-07-01") + pd.to_timedelta(rng.integers(0, 640, clients), unit="D")
    at = np.repeat(np.arange(clients), count)
    visit = np.concatenate([np.arange(1, k + 1) for k in count])
    visits = people.loc[at, ["client", "clinic", "practitioner"]].reset_index(drop=True)
    visits["episode"], visits["visit"] = 1, visit
    visits["date"] = start[at] + pd.to_timedelta(7 * (visit - 1), unit="D")
    visits["attended"] = pd.array(rng.random(len(visits)) > 0.03, dtype="boolean")
    last = np.r_[at[1:] != at[:-1], True]
    visits["end_reason"] = np.where(last & (rng.random(len(visits)) < 0.6), "discharged", None)
    values = visits.assign(week=visit - 1.0, measure="shoulder_flexion", side="left", mode="active")
    values["instrument"] = rng.choice(["a", "b", "c"], clients)[at]
    own = people["practitioner"].to_numpy()[at]
    other = "P" + pd.Series((np.char.lstrip(own.astype(str), "P").astype(int) + 8) % 40).astype(str)
    values["rater"] = np.where(rng.random(len(values)) < 0.15, other, own)
    gain = rng.normal(20, 10, clients)[at] * (1 - np.exp(-values["week"] / 3))
    values["value"] = rng.normal(130, 15, clients)[at] + gain + rng.normal(0, 4, len(values))
    ends = values.groupby(["client", "episode"])["value"].agg(["first", "last"]).reset_index()
    rows = ends.merge(people, on="client")
    rows = rows.assign(start_value=rows["first"], improvement=rows["last"] - rows["first"])
    latest = values.groupby("client")["date"].max()
    rows["quarter"] = service.quarters_of(rows["client"].map(latest))
    rows["measure"] = "shoulder_flexion"
    return {"people": people, "visits": visits, "values": values, "rows": rows}


def main() -> None:
    clients = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    rng = np.random.default_rng(1)
    made = made_clinic(clients, rng)
    values, visits, rows = made["values"], made["visits"], made["rows"]
    print(f"{clients:,} clients, {len(visits):,} visits")
    starts = values[values["visit"] == 1]
    jobs: dict[str, Callable[[], object]] = {
        "flow_counts": lambda: service.flow_counts(values, visits=visits, quarter="2026Q1"),
        "flow_counts by practitioner": lambda: service.flow_counts(
            values, visits=visits, quarter="2026Q1", clients=made["people"], by=["practitioner"]
        ),
        "compare_quarters": lambda: service.compare_quarters(rows, quarter="2026Q1"),
        "practitioner_differences": lambda: service.practitioner_differences(rows, rng=rng),
        "group_outcomes": lambda: service.group_outcomes(rows, by="complaint"),
        "attention_list": lambda: service.attention_list(visits, quarter="2026Q1", values=values),
        "rater_differences": lambda: service.rater_differences(values),
        "instrument_drift": lambda: service.instrument_drift(starts, since="2026-01-01"),
        "digit_preference": lambda: service.digit_preference(values),
        "gain_intervals": lambda: time_to_gain.gain_intervals(values, line=12),
    }
    times = time_to_gain.gain_intervals(values, line=12)
    jobs["turnbull"] = lambda: time_to_gain.turnbull(times["left"], times["right"])
    some = values[values["client"].astype(int) < 400]
    jobs["run_grid, 1,080 analyses, 400 clients"] = lambda: sensitivity.run_grid(
        {"left": some, "again": some},
        lines={"published": 10.0, "own": 14.0},
        errors={"published": 4.0, "own": 3.0},
    )
    for name, job in jobs.items():
        began, used = time.perf_counter(), time.process_time()
        job()
        print(
            f"{name:40s} {time.perf_counter() - began:7.2f} s, "
            f"processor {time.process_time() - used:7.2f} s"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:,.0f} MB")


if __name__ == "__main__":
    main()
