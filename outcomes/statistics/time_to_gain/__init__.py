"""Time to an important gain: how many weeks or visits until clients get there."""

from __future__ import annotations

from outcomes.statistics.time_to_gain.competing import aalen_johansen
from outcomes.statistics.time_to_gain.discrete_hazard import (
    hazard_by_visit,
    hazard_ratios,
    visit_rows,
)
from outcomes.statistics.time_to_gain.group_tests import interval_score_test, log_rank
from outcomes.statistics.time_to_gain.intervals import gain_intervals
from outcomes.statistics.time_to_gain.kaplan_meier import (
    kaplan_meier,
    median_time,
    numbers_at_risk,
    restricted_mean,
)
from outcomes.statistics.time_to_gain.summary import gain_summary
from outcomes.statistics.time_to_gain.turnbull import (
    IntervalCurve,
    turnbull,
    turnbull_median,
)

__all__ = [
    "IntervalCurve",
    "aalen_johansen",
    "gain_intervals",
    "gain_summary",
    "hazard_by_visit",
    "hazard_ratios",
    "interval_score_test",
    "kaplan_meier",
    "log_rank",
    "median_time",
    "numbers_at_risk",
    "restricted_mean",
    "turnbull",
    "turnbull_median",
    "visit_rows",
]
