"""Before a run: the quarter that is meant, and how partitions are shared out as tasks."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import pyarrow.parquet as parquet

from outcomes.errors import ArgumentError, DataError
from outcomes.network.engines import Engine
from outcomes.network.partition import EPISODE
from outcomes.network.store import Partition, Store
from outcomes.statistics.service import quarter_dates, quarter_of
from outcomes.statistics.service.quarters import ALL

__all__ = ["chosen_quarter", "last_day", "most_rows", "plan_tasks", "task_name"]

#: Readings that one task takes on, where memory allows.
_TASK_ROWS = 400_000
#: Bytes that a task needs for a reading: 800 were measured, and more columns are kept for lists.
_BYTES_A_READING = 1_200


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


def last_day(store: Store, quarter: str) -> str:
    """Give the day up to which records are known: the last visit, or the quarter's end before it.

    Read from what the files say about their columns.
    """
    last = None
    for part in store.manifest.parts:
        if part.table != "visits" or not part.rows:
            continue
        about = parquet.read_metadata(store.folder / part.path)
        at = about.schema.names.index("date")
        for group in range(about.num_row_groups):
            found = about.row_group(group).column(at).statistics
            if found is not None and found.has_min_max:
                last = found.max if last is None else max(last, found.max)
    end = quarter_dates(quarter)[1]
    return str((end if last is None else min(end, pd.Timestamp(last))).date())


def most_rows(store: Store, engine: Engine) -> int:
    """Settle how many readings a task takes on, refusing a partition that memory cannot hold."""
    if engine.memory is None:
        return _TASK_ROWS
    each = 0.8 * engine.memory / engine.workers
    room = max(each - 250e6, 50e6) / _BYTES_A_READING
    for partition in store.partitions:
        rows = store.rows("measurements", partition)
        if rows > room:
            raise DataError(
                f"partition {partition} must fit the memory; its {rows:,} readings need about "
                f"{rows * _BYTES_A_READING / 1e9:.1f} GB a worker. Pack the store with more "
                f"buckets, or allow more with --memory."
            )
    return int(min(_TASK_ROWS, room))


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
