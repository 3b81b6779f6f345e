"""Before a run: the quarter that is meant, and how partitions are shared out as tasks."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.errors import ArgumentError, DataError
from outcomes.network.engines import Engine
from outcomes.network.partition import EPISODE
from outcomes.network.store import Partition, Store
from outcomes.statistics.service import quarter_dates, quarter_of
from outcomes.statistics.service.quarters import ALL

__all__ = ["chosen_quarter", "most_rows", "plan_tasks", "task_name"]

#: Readings that one task takes on, where memory allows.
_TASK_ROWS = 400_000
#: Bytes that a task needs for a reading, measured.
_BYTES_A_READING = 2_500


def chosen_quarter(store: Store, quarter: str) -> str:
    """Settle the quarter as `review_quarter` does: ``"latest"`` by the last attended visit."""
    if quarter == ALL:
        return quarter
    first, last, starts, several = None, None, set(), 0
    for partition in store.partitions:
        visits = store.read("visits", partition, [*EPISODE, "date", "attended"])
        visits = visits[visits["attended"].fillna(True).astype(bool)]
        if visits.empty:
            continue
        low, high = visits["date"].min(), visits["date"].max()
        first = low if first is None else min(first, low)
        last = high if last is None else max(last, high)
        if len(starts) < 2:
            own = visits.groupby(EPISODE)["date"].min()
            starts |= set(own.unique()[:2])
            several += len(own)
    if first is None or last is None:
        raise DataError("visits must have at least one attended visit; there is none. Add visits.")
    if quarter == "latest":
        return ALL if several > 1 and len(starts) == 1 else quarter_of(last)
    begin, end = quarter_dates(quarter)
    if end < first or begin > last:
        raise ArgumentError(
            f"quarter must have attended visits, got {quarter!r}. This store runs from "
            f"{quarter_of(first)} to {quarter_of(last)}."
        )
    return quarter


def most_rows(store: Store, engine: Engine) -> int:
    """Settle how many readings a task takes on, refusing a partition that memory cannot hold."""
    if engine.memory is None:
        return _TASK_ROWS
    each = 0.8 * engine.memory / engine.workers
    most = int(min(_TASK_ROWS, max(each - 250e6, 50e6) / _BYTES_A_READING))
    for partition in store.partitions:
        rows = store.rows("measurements", partition)
        if rows > 2 * most:
            raise DataError(
                f"partition {partition} must fit the memory; its {rows:,} readings need about "
                f"{rows * _BYTES_A_READING / 1e9:.1f} GB a worker. Pack the store with more "
                f"buckets, or allow more with --memory."
            )
    return most


def plan_tasks(store: Store, most: int) -> list[list[Partition]]:
    """Join small partitions to tasks of about so many readings."""
    tasks: list[list[Partition]] = []
    size = most
    for partition in store.partitions:
        rows = store.rows("measurements", partition)
        if not tasks or size + rows > most:
            tasks.append([])
            size = 0
        tasks[-1].append(partition)
        size += rows
    return tasks


def task_name(task: Sequence[Partition]) -> str:
    """Name the partitions of a task, for errors."""
    more = f" and {len(task) - 1} more" if len(task) > 1 else ""
    return f"partition {task[0]}{more}"
