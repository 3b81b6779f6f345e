"""Where the work on partitions is done: in this process, or by the workers of `dask.distributed`.

An engine maps a function over tasks and yields (position, result) as they come. Tasks may run
twice when a worker dies, so they must give the same again and write files in one move.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from outcomes.errors import ArgumentError, DataError, MissingExtraError, ModelError, OutcomesError

__all__ = ["Cluster", "Engine", "Here", "memory_bytes", "open_engine"]

_UNITS = {"KB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12}
#: Times that a task may lose its worker before the run stops.
_LOSSES = 3


class Engine(Protocol):
    """What runs tasks."""

    @property
    def workers(self) -> int:
        """Tasks that run at a time."""
        ...

    @property
    def memory(self) -> int | None:
        """Bytes that the run may take; None leaves it open."""
        ...

    def map(
        self, function: Callable[[Any], Any], tasks: Sequence[Any], names: Sequence[str]
    ) -> Iterator[tuple[int, Any]]:
        """Run all tasks; `names` say in an error which partitions a task is about."""
        ...


@dataclass(frozen=True)
class Here:
    """One task after the other, in this process."""

    memory: int | None = None
    workers: int = 1

    def map(
        self, function: Callable[[Any], Any], tasks: Sequence[Any], names: Sequence[str]
    ) -> Iterator[tuple[int, Any]]:
        """Run all tasks in order."""
        for place, (task, name) in enumerate(zip(tasks, names, strict=True)):
            try:
                yield place, function(task)
            except MemoryError:
                raise _too_large(name) from None


@dataclass(frozen=True)
class Cluster:
    """Workers of a `dask.distributed` cluster; `client` is connected to its scheduler."""

    client: Any
    memory: int | None = None

    @property
    def workers(self) -> int:
        """Threads of all workers now."""
        return max(1, sum(self.client.nthreads().values()))

    def map(
        self, function: Callable[[Any], Any], tasks: Sequence[Any], names: Sequence[str]
    ) -> Iterator[tuple[int, Any]]:
        """Run all tasks; those of a worker that dies are run again by another."""
        from distributed import as_completed

        futures = [self.client.submit(function, task, pure=False) for task in tasks]
        place = {future.key: i for i, future in enumerate(futures)}
        try:
            for future in as_completed(futures, loop=self.client.loop):
                at = place[future.key]
                error = future.exception() if future.status != "finished" else None
                if error is not None or future.status != "finished":
                    raise _worded(error, names[at])
                yield at, future.result()
        finally:
            self.client.cancel(futures)


def _worded(error: BaseException | None, name: str) -> OutcomesError:
    if isinstance(error, OutcomesError):
        return error
    if type(error).__name__ == "KilledWorker":
        return ModelError(
            f"a worker must live through {name}; {_LOSSES + 1} workers died on it, one after the "
            f"other. Give workers more memory, or pack the store with more buckets."
        )
    if isinstance(error, MemoryError):
        return _too_large(name)
    kind = type(error).__name__ if error is not None else "cancelled"
    return ModelError(
        f"the cluster must finish {name}; it stopped there ({kind}). Look at the workers' logs, "
        f"then run again: finished stages are kept."
    )


def _too_large(name: str) -> DataError:
    return DataError(
        f"{name} must fit the memory; it does not. Pack the store with more buckets, or allow more "
        f"with --memory."
    )


@contextlib.contextmanager
def open_engine(
    *, workers: int = 0, scheduler: str = "", memory: str | int | None = None
) -> Iterator[Engine]:
    """Open an engine for a ``with`` block.

    Parameters
    ----------
    workers : int
        Worker processes to start on this machine; 0 runs in this process.
    scheduler : str
        Address of a running scheduler, as ``"tcp://HOST:8786"``, instead.
    memory : str, optional
        Limit for the whole run on this machine, as ``"4GB"``; shared among its workers.

    Raises
    ------
    ArgumentError
        If workers and scheduler are both given, or the memory is not written like 4GB.
    DataError
        If the scheduler does not answer.
    """
    limit = memory_bytes(memory)
    if workers and scheduler:
        raise ArgumentError("workers must be left out where a scheduler is named. Give one.")
    if not workers and not scheduler:
        yield Here(limit)
        return
    try:
        import dask
        import distributed
    except ImportError as error:
        raise MissingExtraError("Several workers", "network") from error
    settings = {
        "distributed.scheduler.allowed-failures": _LOSSES,
        "distributed.comm.retry.count": 2,
        "distributed.admin.log-format": "%(levelname)s %(message)s",
    }
    with dask.config.set(settings), contextlib.ExitStack() as stack:  # pyright: ignore
        if scheduler:
            try:
                client = distributed.Client(scheduler, timeout=20, set_as_default=False)
            except (OSError, ValueError, TimeoutError):
                raise DataError(
                    f"scheduler must answer at {scheduler}; it does not. Start one with: dask "
                    f"scheduler."
                ) from None
        else:
            each = 0 if limit is None else int(0.8 * limit) // workers
            cluster = distributed.LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                dashboard_address="127.0.0.1:0",  # pyright: ignore[reportArgumentType]
                memory_limit=each or "auto",
                host="127.0.0.1",
                silence_logs=50,
            )
            stack.callback(cluster.close)
            client = distributed.Client(cluster, set_as_default=False)
        stack.callback(client.close)
        yield Cluster(client, limit)


def memory_bytes(text: str | int | None) -> int | None:
    """Read a size such as 4GB.

    Examples
    --------
    >>> memory_bytes("4GB"), memory_bytes("512 MB"), memory_bytes(None)
    (4000000000, 512000000, None)
    """
    if text in (None, ""):
        return None
    if isinstance(text, int):
        return text
    words = str(text).upper().replace(" ", "")
    number, unit = words[:-2], words[-2:]
    try:
        size = int(float(number) * _UNITS[unit])
    except (KeyError, ValueError):
        size = 0
    if size < 100 * 10**6:
        raise ArgumentError(f"memory must be a size of at least 100MB, got {text!r}. Give 4GB.")
    return size
