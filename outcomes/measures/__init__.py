"""What each measure is: unit, range, direction, published error and thresholds, item scoring."""

from outcomes.measures.catalogue import Measure, Published, Source, get, measures, sources
from outcomes.measures.thresholds import Threshold, default_error, default_importance

__all__ = [
    "Measure",
    "Published",
    "Source",
    "Threshold",
    "default_error",
    "default_importance",
    "get",
    "measures",
    "sources",
]
