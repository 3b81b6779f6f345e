"""How far a measure must move for clients to call it important.

One idea a file: `rated_changes` (changes with ratings, from visits), `anchor` (whether the ratings
can serve), `mean_change`, `roc` and
`predictive` (three ways from ratings to a threshold), `distribution` (what is not importance),
`compare` (every threshold, and who reaches it).
"""

from outcomes.statistics.important_change.anchor import anchor_adequacy
from outcomes.statistics.important_change.compare import compare_thresholds
from outcomes.statistics.important_change.distribution import distribution_thresholds
from outcomes.statistics.important_change.mean_change import mean_change_threshold
from outcomes.statistics.important_change.predictive import (
    predictive_threshold,
    threshold_by_start,
)
from outcomes.statistics.important_change.rated_changes import rated_changes
from outcomes.statistics.important_change.roc import area_under_curve, cut_points, roc_curve

__all__ = [
    "anchor_adequacy",
    "area_under_curve",
    "compare_thresholds",
    "cut_points",
    "distribution_thresholds",
    "mean_change_threshold",
    "predictive_threshold",
    "rated_changes",
    "roc_curve",
    "threshold_by_start",
]
