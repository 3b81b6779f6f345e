"""Stages of a run: each task's result is kept, so that a stopped run goes on where it stopped.

    WORK/<key>/judge/00012.json             result of one task, written last
    WORK/<key>/judge/00012.series.parquet   what the task left for later stages

`key` is made of the store's manifest, the settings and the version of this package: another store
or other settings never meet these files.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from glob import escape
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet

from outcomes.errors import DataError
from outcomes.network.engines import Engine
from outcomes.records.write import write_atomically

__all__ = ["Stages", "read_part", "stage_key", "write_part"]

#: Called with rows done, rows in all, and words on the stage and the time left.
Progress = Callable[[int, int, str], None]


def stage_key(*parts: Any) -> str:
    """Make a name of everything that results depend on."""
    from outcomes import __version__

    text = json.dumps([__version__, *parts], default=str, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class Stages:
    """Runs stages over tasks, and keeps what they give.

    Attributes
    ----------
    folder : Path
        Where results are kept; every worker must see it under this path.
    engine : Engine
        What runs tasks.
    names : tuple of str
        The partitions of each task, for errors.
    rows : tuple of int
        Rows of each task, for progress.
    progress : callable, optional
        Told after every task.
    seconds : dict of str to float
        Time that each stage took.
    """

    folder: Path
    engine: Engine
    names: tuple[str, ...]
    rows: tuple[int, ...]
    progress: Progress | None = None
    seconds: dict[str, float] = field(default_factory=dict)

    def run(
        self, stage: str, function: Callable[..., dict[str, Any]], tasks: Sequence[Any]
    ) -> list[dict[str, Any]]:
        """Run `function(task, prefix)` for every task that has no result yet.

        `prefix` is the path, without ending, for files that the task leaves. Results come back in
        the order of the tasks, whichever finished first.
        """
        begun = time.monotonic()
        place = self.folder / stage
        prefixes = [str(place / f"{i:05d}") for i in range(len(tasks))]
        results = [_kept(f"{prefix}.json") for prefix in prefixes]
        todo = [i for i, result in enumerate(results) if result is None]
        done = sum(n for n, result in zip(self.rows, results, strict=True) if result is not None)
        total, skipped = sum(self.rows), done
        work = partial(_one_task, function)
        pairs = [(tasks[i], prefixes[i]) for i in todo]
        for at, result in self.engine.map(work, pairs, [self.names[i] for i in todo]):
            results[todo[at]] = result
            done += self.rows[todo[at]]
            if self.progress is not None:
                left = _time_left(time.monotonic() - begun, done - skipped, total - done)
                self.progress(done, total, f"{stage}: {left}")
        self.seconds[stage] = self.seconds.get(stage, 0.0) + time.monotonic() - begun
        return [result for result in results if result is not None]

    def files(self, stage: str, kind: str) -> list[str]:
        """List the files of one kind that a stage left, in the order of its tasks."""
        return [
            str(path) for path in sorted((self.folder / stage).glob(f"*.{escape(kind)}.parquet"))
        ]


def _one_task(function: Callable[..., dict[str, Any]], pair: tuple[Any, str]) -> dict[str, Any]:
    task, prefix = pair
    result = function(task, prefix)
    write_atomically(f"{prefix}.json", json.dumps(result).encode())
    return json.loads(json.dumps(result))


def _kept(path: str) -> dict[str, Any] | None:
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _time_left(seconds: float, done: int, left: int) -> str:
    if left <= 0:
        return "done"
    if done <= 0:
        return "time left not known yet"
    rest = seconds / done * left
    return f"{rest / 60:.0f} min left" if rest >= 90 else f"{rest:.0f} s left"


def write_part(prefix: str, kind: str, frame: pd.DataFrame) -> None:
    """Leave a frame for later stages, in one move."""
    sink = pa.BufferOutputStream()
    table = pa.Table.from_pandas(frame, preserve_index=False)
    parquet.write_table(table, sink, compression="zstd", compression_level=1)
    write_atomically(f"{prefix}.{kind}.parquet", sink.getvalue().to_pybytes())


def read_part(
    path: str, columns: Sequence[str] | None = None, *, coded: Sequence[str] = ()
) -> pd.DataFrame:
    """Read what a stage left; `coded` columns stay categories."""
    try:
        frame = pd.read_parquet(path, columns=None if columns is None else list(columns))
    except (pa.ArrowException, OSError, ValueError) as error:
        raise DataError(
            f"a stage must find what an earlier one left; {Path(path).name} cannot be read. "
            f"Run again with an empty work folder."
        ) from error
    words = [c for c, kind in frame.dtypes.items() if isinstance(kind, pd.CategoricalDtype)]
    return frame.astype({name: "str" for name in words if name not in coded})
