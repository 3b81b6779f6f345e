"""Bringing rows of many parts together: a measure's readings, or an even sample of its series.

DuckDB does it on this machine, out of core; without it, pandas does, part by part.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from outcomes.network.partition import EPISODE
from outcomes.network.stages import read_part

__all__ = ["gather", "sample_keys", "sample_series"]


def gather(paths: Sequence[str], columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Give all rows of some parts, sorted by client and episode (within: as they are)."""
    frames = [frame for frame in (read_part(path, columns) for path in paths) if len(frame)]
    if not frames:
        return pd.DataFrame(columns=list(columns or EPISODE))
    frame = pd.concat(frames, ignore_index=True)
    return frame.sort_values(EPISODE, kind="stable", ignore_index=True)


def sample_keys(judged: Sequence[str], every: int, memory: int | None) -> pd.DataFrame:
    """Give every so-manieth series in the order of client and episode."""
    database = _database(memory)
    if database is None:
        keys = pd.concat([read_part(path, EPISODE) for path in judged], ignore_index=True)
        return keys.sort_values(EPISODE, ignore_index=True).iloc[::every].reset_index(drop=True)
    with database:
        return database.execute(
            "SELECT client, episode FROM (SELECT client, episode, "
            "row_number() OVER (ORDER BY client, episode) - 1 AS place "
            "FROM read_parquet($files)) WHERE place % $every = 0 ORDER BY place",
            {"files": list(judged), "every": every},
        ).df()


def sample_series(
    series: Sequence[str], judged: Sequence[str], *, every: int, memory: int | None
) -> pd.DataFrame:
    """Give the readings of the series of `sample_keys`, sorted."""
    keys = sample_keys(judged, every, memory)
    keys = keys.astype({"client": "str", "episode": "Int64"})
    columns = [*EPISODE, "week", "value", "error"]
    database = _database(memory)
    if database is None:
        frames = [read_part(path, columns).merge(keys, on=EPISODE) for path in series]
        frame = pd.concat(frames, ignore_index=True)
    else:
        with database:
            database.register("chosen", keys.astype({"episode": "int64"}))
            frame = database.execute(
                f"SELECT {', '.join(columns)} FROM read_parquet($files) "
                "SEMI JOIN chosen USING (client, episode)",
                {"files": list(series)},
            ).df()
            frame = frame.astype({"client": "str", "episode": "Int64"})
    return frame.sort_values([*EPISODE, "week"], kind="stable", ignore_index=True)


def _database(memory: int | None) -> Any:
    try:
        import duckdb
    except ImportError:
        return None
    database = duckdb.connect()
    if memory is not None:
        database.execute(f"SET memory_limit = '{memory // 2_000_000}MB'")
    return database
