"""What a clinic's quarterly meeting needs: flow, charts, comparisons, attention, events."""

from __future__ import annotations

from outcomes.statistics.service.flow import (
    eligible_episodes,
    flow_counts,
    mean_bounds,
    share_bounds,
)
from outcomes.statistics.service.quarters import (
    earlier_quarter,
    quarter_dates,
    quarter_of,
    quarter_range,
    quarters_of,
)

__all__ = [
    "earlier_quarter",
    "eligible_episodes",
    "flow_counts",
    "mean_bounds",
    "quarter_dates",
    "quarter_of",
    "quarter_range",
    "quarters_of",
    "share_bounds",
]
