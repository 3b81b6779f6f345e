"""What each measure is: unit, range, direction, published error and thresholds, item scoring."""

from outcomes.measures.catalogue import Measure, Published, Source, get, measures, sources
from outcomes.measures.matching import all_thresholds, threshold
from outcomes.measures.own_thresholds import (
    OwnThreshold,
    read_own_thresholds,
    threshold_lines,
    write_own_thresholds,
)
from outcomes.measures.resolve import resolve_error, resolve_importance
from outcomes.measures.spread import Spread, threshold_spread
from outcomes.measures.thresholds import Threshold, default_error, default_importance

__all__ = [
    "Measure",
    "OwnThreshold",
    "Published",
    "Source",
    "Spread",
    "Threshold",
    "all_thresholds",
    "default_error",
    "default_importance",
    "get",
    "measures",
    "read_own_thresholds",
    "resolve_error",
    "resolve_importance",
    "sources",
    "threshold",
    "threshold_lines",
    "threshold_spread",
    "write_own_thresholds",
]
