"""What a network's review costs: time, processor time, memory, and how they grow with visits.

    python data_synthetic/make_network.py --out /tmp/ten --visits 10000000
    python tests/benchmarks/network.py review /tmp/one /tmp/ten --workers 2 --memory 4GB
    python tests/benchmarks/network.py engines /tmp/ten
    python tests/benchmarks/network.py single /tmp/one

`review` runs `outcomes.network.commands.run_network_review` on each store and prints one line a
store, then the exponent of cost over visits between the smallest and the largest. `engines` adds
up sums per client (what the mixed model rests on) with DuckDB, with Dask and with pandas.
`single` sets the network's way against `review_quarter` on one table, where that fits.

Not part of the tests: times belong to a machine.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))


class Watch:
    """Memory and processor time of this process and all that it started."""

    def __init__(self) -> None:
        import psutil

        self.root, self.peak, self.cpu, self._done = psutil.Process(), 0, {}, threading.Event()
        self.gone = psutil.Error
        self.begun = time.perf_counter()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while not self._done.wait(0.25):
            total = 0
            for process in [self.root, *self.root.children(recursive=True)]:
                try:
                    total += process.memory_info().rss
                    times = process.cpu_times()
                    self.cpu[process.pid] = times.user + times.system
                except self.gone:
                    continue
            self.peak = max(self.peak, total)

    def stop(self) -> tuple[float, float, float]:
        self._done.set()
        self._thread.join()
        return time.perf_counter() - self.begun, sum(self.cpu.values()), self.peak / 1e9


@contextmanager
def watched(label: str) -> Iterator[dict[str, float]]:
    found: dict[str, float] = {}
    watch = Watch()
    before = time.process_time()
    yield found
    found["seconds"], found["cpu"], found["gigabytes"] = watch.stop()
    found["cpu"] -= before
    print(
        f"{label}: {found['seconds']:.0f} s, {found['cpu']:.0f} s of processor, "
        f"peak {found['gigabytes']:.2f} GB (all processes), load {os.getloadavg()[0]:.1f}",
        flush=True,
    )


def review(stores: list[str], workers: int, memory: str) -> None:
    from outcomes.network import commands
    from outcomes.network.store import open_store

    commands.LISTED = 0
    sizes, costs = [], []
    for store in stores:
        visits = open_store(store).rows("visits")
        with tempfile.TemporaryDirectory() as out, watched(f"{visits:,} visits") as found:
            said = commands.run_network_review(
                data=store, quarter="all", out=out, workers=workers, memory=memory
            )
            print((Path(out) / "stages.json").read_text())
        print(said)
        sizes.append(visits)
        costs.append(found)
    if len(stores) > 1:
        low, high = int(np.argmin(sizes)), int(np.argmax(sizes))
        grown = np.log(sizes[high] / sizes[low])
        for what in ("seconds", "cpu"):
            exponent = np.log(costs[high][what] / costs[low][what]) / grown
            print(f"exponent of {what} over visits: {exponent:.2f}")


def engines(store: str) -> None:
    """Sums per client and episode of value, its square and the week, three ways."""
    import dask
    import dask.dataframe as dd
    import duckdb
    import pandas as pd

    from outcomes.network.store import open_store

    opened = open_store(store)
    files = [
        str(opened.folder / part.path)
        for part in opened.manifest.parts
        if part.table == "measurements"
    ]
    columns = ["client", "episode", "visit", "value"]
    keys = ["client", "episode"]

    def by_duckdb() -> int:
        with duckdb.connect() as database:
            database.execute("SET threads = 2")
            return len(
                database.execute(
                    "SELECT client, episode, count(*) AS n, sum(value) AS s, "
                    "sum(value * value) AS ss, sum(value * visit) AS sv "
                    "FROM read_parquet($files) GROUP BY ALL",
                    {"files": files},
                ).fetchnumpy()["n"]
            )

    def sums(frame: pd.DataFrame) -> pd.DataFrame:
        value = frame["value"]
        frame = frame[keys].assign(
            n=1, s=value, ss=value**2, sv=value * frame["visit"].astype("float64")
        )
        return frame.groupby(keys, sort=False).sum()

    def by_pandas() -> int:
        return sum(len(sums(pd.read_parquet(path, columns=columns))) for path in files)

    def by_pandas_at_once() -> int:
        return len(sums(pd.read_parquet(files, columns=columns)))

    def by_dask() -> int:
        with dask.config.set(scheduler="processes", num_workers=2):
            frame = dd.from_map(pd.read_parquet, files, columns=columns)
            return int(
                frame.map_partitions(lambda part: pd.Series([len(sums(part))])).sum().compute()
            )

    ways: dict[str, Callable[[], int]] = {
        "DuckDB": by_duckdb,
        "pandas, part by part": by_pandas,
        "Dask, part by part": by_dask,
        "pandas, one table": by_pandas_at_once,
    }
    print(f"{opened.rows('measurements'):,} readings")
    for name, way in ways.items():
        with watched(name):
            print(f"  {way():,} series")


def single(store: str) -> None:
    from outcomes.network.review import review_network
    from outcomes.network.store import open_store
    from outcomes.statistics.review import review_quarter

    opened = open_store(store)
    with watched("part by part"):
        mine = review_network(opened, quarter="all").summary
    with watched("one table"):
        theirs = review_quarter(opened.caseload(), quarter="all").summary
    numbers = [c for c in mine if c not in ("measure", "unit")]
    gap = (mine[numbers] / theirs[numbers] - 1).abs().max().max()
    print(f"largest relative difference: {gap:.1e}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["review", "engines", "single"])
    parser.add_argument("stores", nargs="+")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--memory", default="4GB")
    wanted = parser.parse_args()
    if wanted.what == "review":
        review(wanted.stores, wanted.workers, wanted.memory)
    elif wanted.what == "engines":
        engines(wanted.stores[0])
    else:
        single(wanted.stores[0])


if __name__ == "__main__":
    main()
