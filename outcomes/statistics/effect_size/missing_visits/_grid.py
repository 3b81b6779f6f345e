"""The readings as a table of clients by planned visits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import (
    ArgumentError,
    DataError,
    Faults,
    check_between,
    check_choice,
    check_columns,
    rows_must,
)

__all__ = ["Grid", "grid_of"]


@dataclass(frozen=True)
class Grid:
    """Readings (n x K, empty where missing), times alike, and what the visits are."""

    y: np.ndarray
    time: np.ndarray
    visits: np.ndarray
    clients: pd.DataFrame
    n_without_start: int

    @property
    def seen(self) -> np.ndarray:
        """Which readings are there."""
        return np.isfinite(self.y)

    @property
    def last(self) -> np.ndarray:
        """Place of the last visit seen, per client."""
        return self.y.shape[1] - 1 - self.seen[:, ::-1].argmax(axis=1)

    @property
    def after_leaving(self) -> np.ndarray:
        """Visits that a client missed after the last one seen (n x K); gaps are not."""
        return np.arange(self.y.shape[1]) > self.last[:, None]


def grid_of(
    values: pd.DataFrame,
    *,
    visits: Sequence[int] | None,
    least_share: float,
    better: str = "higher",
) -> Grid:
    """Arrange readings by client and planned visit; clients without the first are counted apart.

    Planned visits that are not given: the first, and those at which at least this share of all
    clients have a reading. A reading that is missing has the median time of its visit.
    """
    check_columns(values, ["client", "visit", "week", "value"], thing="the table of readings")
    check_choice("better", better, ["higher", "lower"])
    check_between("least_share", least_share, 0, 1, remedy="Give 0.5")
    keys = ["client"] + (["episode"] if "episode" in values.columns else [])
    frame = values.loc[values["value"].notna().to_numpy(), [*keys, "visit", "week", "value"]]
    number, week = (frame[c].to_numpy(float, na_value=np.nan) for c in ("value", "week"))
    faults = Faults()
    faults.add_if(~np.isfinite(number), "value", "be finite", "Correct the readings")
    faults.add_if(~np.isfinite(week), "week", "be a number", "Give every visit its time")
    faults.raise_if_any()
    again = frame.duplicated([*keys, "visit"]).to_numpy()
    if again.any():
        raise rows_must(
            "a visit", "have one value per client", again, "Average the trials, choose one series"
        )
    client = frame.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    n = int(client.max()) + 1 if client.size else 0
    visit = frame["visit"].to_numpy(int)
    planned = _planned(visits, visit, n, least_share)
    place = np.searchsorted(planned, visit)
    held = (place < planned.size) & (planned[np.minimum(place, planned.size - 1)] == visit)
    y, t = np.full((n, planned.size), np.nan), np.full((n, planned.size), np.nan)
    y[client[held], place[held]] = number[held] * (1.0 if better == "higher" else -1.0)
    t[client[held], place[held]] = week[held]
    started = np.isfinite(y[:, 0])
    names = frame[keys].iloc[np.unique(client, return_index=True)[1]]
    y, t, names = y[started], t[started], names[started].reset_index(drop=True)
    seen = np.isfinite(y)
    if seen.sum(axis=0).min(initial=n) < 5:
        raise DataError(
            "every planned visit must have at least 5 clients with a first reading and one then. "
            "Choose fewer visits, or report the bounds only, with missing_bounds."
        )
    usual = np.nanmedian(t, axis=0)
    return Grid(y, np.where(seen, t, usual), planned, names, int((~started).sum()))


def _planned(
    visits: Sequence[int] | None, visit: np.ndarray, n: int, least_share: float
) -> np.ndarray:
    if visits is not None:
        planned = np.unique(np.asarray(visits, int))
        if planned.size < 2:
            raise ArgumentError("visits must be at least 2 different visit numbers. Name more.")
        return planned
    if n == 0:
        raise DataError("the table of readings must have readings; there are none.")
    numbers, counts = np.unique(visit, return_counts=True)
    planned = numbers[(counts >= least_share * n) | (numbers == numbers[0])]
    if planned.size < 2:
        raise DataError(
            f"at least 2 visits must have readings of {least_share:.0%} of all clients; there are "
            f"{planned.size}. Lower least_share, or name the visits."
        )
    return planned
