"""The planted numbers: read from scenario.toml, changed where a test wants another world."""

from __future__ import annotations

import copy
import datetime as dt
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["as_dates", "day_number", "load_scenario", "words"]

HERE = Path(__file__).resolve().parent


def load_scenario(changes: dict[str, Any] | None = None) -> dict[str, Any]:
    """Read the scenario and lay `changes` (nested the same way) over it.

    A change must name a number that exists, so that a misspelt one cannot pass unnoticed.
    """
    with (HERE / "scenario.toml").open("rb") as file:
        scenario = tomllib.load(file)
    return _overlay(scenario, changes or {}, "")


def _overlay(base: dict[str, Any], changes: dict[str, Any], path: str) -> dict[str, Any]:
    result = copy.copy(base)
    for name, value in changes.items():
        if name not in base:
            raise KeyError(f"the scenario has no {path}{name}")
        nested = isinstance(value, dict) and isinstance(base[name], dict)
        result[name] = _overlay(base[name], value, f"{path}{name}.") if nested else value
    return result


def day_number(date: dt.date) -> int:
    """Days since 1970-01-01."""
    return (date - dt.date(1970, 1, 1)).days


def as_dates(days: np.ndarray) -> np.ndarray:
    """Dates from days since 1970-01-01, as tables store them."""
    return days.astype("datetime64[D]").astype("datetime64[us]")


def words(choices: list[str], index: np.ndarray) -> Any:
    """Text column from positions in a list of choices; -1 is missing."""
    return pd.array(choices, dtype="str").take(np.asarray(index, dtype=np.intp), allow_fill=True)
