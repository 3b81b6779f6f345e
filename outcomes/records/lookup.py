"""What a measure of this caseload is, and which thresholds hold for it.

The clinic's own measures and thresholds come before the catalogue's.
"""

from __future__ import annotations

from outcomes.measures import catalogue
from outcomes.measures.catalogue import Measure
from outcomes.measures.resolve import resolve_error, resolve_importance
from outcomes.measures.thresholds import Threshold
from outcomes.records.caseload import Caseload
from outcomes.records.known import OwnMeasure

__all__ = ["error_of", "importance_of", "measure_of"]


def measure_of(caseload: Caseload, code: str) -> Measure:
    """Look a measure up: declared in the mapping, or else in the catalogue."""
    own = caseload.own_measures.get(code)
    if own is None:
        return catalogue.get(code)
    return Measure(
        code=own.code,
        name=own.name,
        short=own.name,
        region="",
        kind=own.kind,
        construct=own.name,
        unit=own.unit,
        hard_min=own.hard_min,
        hard_max=own.hard_max,
        soft_min=own.hard_min,
        soft_max=own.hard_max,
        better=own.better,
        resolution=0.0,
        sided=own.sided,
    )


def error_of(
    caseload: Caseload, code: str, *, instrument: str = "", mode: str = ""
) -> Threshold | None:
    """Find the standard error of measurement to judge by; None where nothing is known."""
    own = caseload.own_measures.get(code)
    if own is not None:
        return _declared(own, "standard_error_of_measurement", own.standard_error_of_measurement)
    return resolve_error(
        code, own_thresholds=caseload.own_thresholds, instrument=instrument, mode=mode
    )


def importance_of(caseload: Caseload, code: str) -> Threshold | None:
    """Find the smallest important change to judge by; None where none is defensible."""
    own = caseload.own_measures.get(code)
    if own is not None:
        return _declared(own, "minimal_important_change", own.minimal_important_change)
    return resolve_importance(code, own_thresholds=caseload.own_thresholds)


def _declared(own: OwnMeasure, kind: str, value: float | None) -> Threshold | None:
    if value is None:
        return None
    return Threshold(
        measure=own.code,
        kind=kind,
        value=value,
        unit=own.unit,
        source="mapping",
        citation=own.source,
        status="own study",
        reasons=("Declared in the mapping file.",),
    )
