"""Control charts over time: is this quarter different, or is it the usual variation."""

from __future__ import annotations

from outcomes.statistics.service.charts.attributes import rate_chart, share_chart
from outcomes.statistics.service.charts.individuals import individuals_chart
from outcomes.statistics.service.charts.means import mean_chart
from outcomes.statistics.service.charts.rules import RULES, apply_run_rules, false_alarms
from outcomes.statistics.service.charts.small_shifts import (
    cusum_chart,
    cusum_run_length,
    ewma_chart,
    ewma_run_length,
)

__all__ = [
    "RULES",
    "apply_run_rules",
    "cusum_chart",
    "cusum_run_length",
    "ewma_chart",
    "ewma_run_length",
    "false_alarms",
    "individuals_chart",
    "mean_chart",
    "rate_chart",
    "share_chart",
]
