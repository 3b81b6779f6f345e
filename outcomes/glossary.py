"""Every column of every result, defined once, in `glossary.toml`.

Statistics return frames whose columns stand there; tests walk the results and refuse a column that
does not. The workbook's Definitions sheet and the data dictionaries are drawn from it. Units: a
column without a unit of its own is in the unit of its row (`unit`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from importlib.resources import files

from outcomes.errors import DataError

__all__ = ["COLUMNS", "check_result", "define"]


def _read() -> dict[str, str]:
    text = files("outcomes").joinpath("glossary.toml").read_text(encoding="utf-8")
    topics = tomllib.loads(text)
    return {column: meaning for topic in topics.values() for column, meaning in topic.items()}


#: Column name -> meaning.
COLUMNS: dict[str, str] = _read()


def define(column: str) -> str:
    """Give the definition of one result column.

    Raises
    ------
    DataError
        If the column is not defined.

    Examples
    --------
    >>> define("ci_low")
    'Lower end of the interval.'
    """
    try:
        return COLUMNS[column]
    except KeyError:
        raise DataError(
            f"result column {column!r} must be defined in outcomes/glossary.toml. Add its meaning."
        ) from None


def check_result(columns: Iterable[str]) -> None:
    """Refuse result columns that the glossary does not define, naming all of them."""
    missing = [str(column) for column in columns if column not in COLUMNS]
    if missing:
        raise DataError(
            f"result columns must be defined in outcomes/glossary.toml; missing: "
            f"{', '.join(missing)}. Add their meaning."
        )
