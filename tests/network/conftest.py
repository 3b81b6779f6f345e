"""Small stores to work on."""

import contextlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from data_synthetic.as_caseload import as_caseload
from data_synthetic.make_caseload import make_caseload
from outcomes.network.store import Packing, open_store

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def caseload():
    """The scenario with 120 clients: two clinics, about 800 visits."""
    tables, _ = make_caseload(np.random.default_rng(5), n_clients=120)
    return as_caseload(tables)


@pytest.fixture(scope="session")
def packed(caseload, tmp_path_factory):
    """The caseload in a store of two clinics and two buckets; not to be written to."""
    folder = tmp_path_factory.mktemp("packed") / "store"
    with Packing(folder, buckets=2) as packing:
        packing.add(caseload)
    return open_store(folder)


@pytest.fixture
def fresh(caseload, tmp_path):
    """A store of one's own, to damage."""
    with Packing(tmp_path / "store", buckets=2) as packing:
        packing.add(caseload)
    return open_store(tmp_path / "store")


@pytest.fixture
def cluster_by_hand():
    """Give the context manager that starts a scheduler and workers as one would from a shell."""
    return started_by_hand


@contextlib.contextmanager
def started_by_hand(folder, workers=2):
    """A scheduler and worker processes, started as one would from a shell; loopback only."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    log = (folder / "cluster.log").open("w")
    settings = {"stdout": log, "stderr": log, "env": environment, "cwd": folder}
    python, address = sys.executable, folder / "scheduler.json"
    scheduler = subprocess.Popen(
        [python, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
        + ["--no-dashboard", "--scheduler-file", str(address)],
        **settings,
    )
    started = [scheduler]
    try:
        wait_for(address.is_file, scheduler)
        for _ in range(workers):
            started.append(
                subprocess.Popen(
                    [python, "-m", "distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1"]
                    + ["--no-dashboard", "--scheduler-file", str(address)]
                    + ["--local-directory", str(folder)],
                    **settings,
                )
            )
        yield json.loads(address.read_text())["address"], started[1:]
    finally:
        for process in started:
            process.kill()
            process.wait()
        log.close()


def wait_for(reached, process, seconds=120):
    until = time.monotonic() + seconds
    while not reached():
        assert process.poll() is None and time.monotonic() < until
        time.sleep(0.05)
