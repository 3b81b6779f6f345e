"""Workers that die, damaged partitions, too little memory: the same numbers, or one clear error."""

import errno
import os
import signal

import numpy as np
import pytest

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.network import engines, planning
from outcomes.network import review as network_module
from outcomes.network.engines import Cluster, Here, memory_bytes, open_engine
from outcomes.network.partition import judge_partition
from outcomes.network.review import review_network
from outcomes.network.stages import Stages

MEASURES = ["shoulder_flexion"]


def same_numbers(a, b):
    for column in a.summary.columns.drop(["measure", "unit"]):
        x, y = a.summary[column].to_numpy(float), b.summary[column].to_numpy(float)
        np.testing.assert_array_equal(x, y)


def test_a_worker_killed_in_mid_run_changes_nothing(packed, tmp_path, monkeypatch, cluster_by_hand):
    """Two worker processes and a scheduler, started by hand; one is killed by the system."""
    monkeypatch.setattr(planning, "_TASK_ROWS", 1_000)
    alone = review_network(packed, measures=MEASURES)
    victims = []

    with cluster_by_hand(tmp_path) as (address, workers), open_engine(scheduler=address) as engine:
        assert isinstance(engine, Cluster)
        engine.client.wait_for_workers(2, timeout=120)

        def watch(done, total, words):
            if not victims and done < total:
                victims.append(workers[0].pid)
                os.kill(workers[0].pid, signal.SIGKILL)

        network = review_network(
            packed, measures=MEASURES, engine=engine, work=tmp_path / "work", progress=watch
        )
        assert victims and workers[0].wait() == -signal.SIGKILL
        assert engine.workers == 1
    same_numbers(network, alone)


def test_a_partition_that_kills_every_worker_is_named(monkeypatch):
    monkeypatch.setattr(engines, "_LOSSES", 1)
    with open_engine(workers=1, memory="1GB") as engine:
        assert isinstance(engine, Cluster)
        with pytest.raises(ModelError, match="live through partition clinic=x; 2 workers died"):
            list(engine.map(die, [0], ["partition clinic=x"]))


def die(task):
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_damaged_partition_is_named_by_every_engine(fresh):
    """Cut short after the store was opened: the workers find it by its hash."""
    path = fresh.folder / "parts/0001-all/measurements/clinic=hall/bucket=00.parquet"
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + b"0" * (len(data) - len(data) // 2))
    with pytest.raises(DataError, match=r"clinic=hall, bucket=00 \(measurements\) must be whole"):
        review_network(fresh, measures=MEASURES)
    path.write_bytes(data)
    assert review_network(fresh, measures=MEASURES).n_eligible > 0


def test_a_store_that_changes_in_mid_run_is_noticed(fresh, monkeypatch):
    content = (fresh.folder / "manifest.json").read_text()
    (fresh.folder / "manifest.json").write_text(content.replace('"label": "all"', '"label": "x"'))
    with pytest.raises(DataError, match="must not change during a run"):
        review_network(fresh, quarter="all", measures=MEASURES)


def test_a_stopped_run_goes_on_where_it_stopped(packed, tmp_path, monkeypatch):
    monkeypatch.setattr(planning, "_TASK_ROWS", 1_000)
    whole = review_network(packed, measures=MEASURES)
    calls = []

    def counted(task, prefix):
        calls.append(prefix)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return judge_partition(task, prefix)

    monkeypatch.setattr(network_module, "judge_partition", counted)
    with pytest.raises(KeyboardInterrupt):
        review_network(packed, measures=MEASURES, work=tmp_path)
    again = review_network(packed, measures=MEASURES, work=tmp_path)
    assert len(calls) == 3 + len(packed.partitions) - 2
    same_numbers(again, whole)
    review_network(packed, measures=MEASURES, work=tmp_path, confidence=0.9)
    assert len(calls) == 3 + 2 * len(packed.partitions) - 2  # other settings, other results


def test_a_full_disk_stops_a_stage_with_one_error(packed, tmp_path, monkeypatch):
    def full(source, target):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        with pytest.raises(DataError, match="No space left on device"):
            review_network(packed, measures=MEASURES, work=tmp_path)
    assert not list(tmp_path.rglob("*.json"))
    assert review_network(packed, measures=MEASURES, work=tmp_path).n_eligible > 0


def test_too_little_memory_is_said_before_the_work(packed, monkeypatch):
    monkeypatch.setattr(planning, "_BYTES_A_READING", 100_000)
    with pytest.raises(DataError, match=r"partition clinic=field, bucket=0\d must fit the memory"):
        review_network(packed, engine=Here(memory=memory_bytes("100MB")))


def test_progress_counts_rows_and_says_the_time_left(packed, monkeypatch):
    monkeypatch.setattr(planning, "_TASK_ROWS", 1_000)
    told = []
    review_network(packed, measures=MEASURES, progress=lambda *what: told.append(what))
    done = [rows for rows, _, words in told if words.startswith("judge")]
    assert done == sorted(done) and done[-1] == packed.rows("measurements")
    assert told[0][1] == packed.rows("measurements") and "left" in told[0][2]
    assert told[len(done) - 1][2] == "judge: done"


def test_engines_refuse_what_they_cannot_do():
    with pytest.raises(ArgumentError, match="workers must be left out"), open_engine(
        workers=2, scheduler="tcp://127.0.0.1:1"
    ):  # fmt: skip
        pass
    with pytest.raises(ArgumentError, match="memory must be a size of at least 100MB, got '4'"):
        memory_bytes("4")


def test_a_task_that_needs_too_much_is_named(tmp_path):
    stages = Stages(tmp_path, Here(), ("partition clinic=x",), (1,))

    def greedy(task, prefix):
        raise MemoryError

    with pytest.raises(DataError, match="partition clinic=x must fit the memory"):
        stages.run("judge", greedy, [0])
