"""What a clinic's quarterly meeting needs: flow, charts, comparisons, attention, events."""

from __future__ import annotations

from outcomes.statistics.service.adherence import (
    adherence_by_week,
    dose_and_gain,
    episode_adherence,
)
from outcomes.statistics.service.attention import REASONS, attention_list
from outcomes.statistics.service.charts import (
    apply_run_rules,
    cusum_chart,
    cusum_run_length,
    ewma_chart,
    ewma_run_length,
    false_alarms,
    individuals_chart,
    mean_chart,
    rate_chart,
    share_chart,
)
from outcomes.statistics.service.comparison import compare_quarters, compare_shares
from outcomes.statistics.service.data_quality import (
    digit_preference,
    instrument_drift,
    ledger_summary,
)
from outcomes.statistics.service.events import (
    EventRate,
    event_counts,
    event_rate,
    rate_ratio,
    rule_of_three,
)
from outcomes.statistics.service.fairness import age_bands, group_outcomes, hidden_groups
from outcomes.statistics.service.flow import (
    eligible_episodes,
    flow_counts,
    mean_bounds,
    share_bounds,
)
from outcomes.statistics.service.funnel import funnel_lines, share_funnel
from outcomes.statistics.service.interrupted import interrupted_series, period_series
from outcomes.statistics.service.practitioners import (
    PractitionerDifferences,
    practitioner_differences,
)
from outcomes.statistics.service.quarters import (
    earlier_quarter,
    quarter_dates,
    quarter_of,
    quarter_range,
    quarters_of,
)
from outcomes.statistics.service.raters import rater_differences

__all__ = [
    "EventRate",
    "PractitionerDifferences",
    "REASONS",
    "adherence_by_week",
    "age_bands",
    "apply_run_rules",
    "attention_list",
    "compare_quarters",
    "compare_shares",
    "cusum_chart",
    "cusum_run_length",
    "digit_preference",
    "dose_and_gain",
    "earlier_quarter",
    "eligible_episodes",
    "episode_adherence",
    "event_counts",
    "event_rate",
    "ewma_chart",
    "ewma_run_length",
    "false_alarms",
    "flow_counts",
    "funnel_lines",
    "group_outcomes",
    "hidden_groups",
    "individuals_chart",
    "instrument_drift",
    "interrupted_series",
    "ledger_summary",
    "mean_bounds",
    "mean_chart",
    "period_series",
    "practitioner_differences",
    "quarter_dates",
    "quarter_of",
    "quarter_range",
    "quarters_of",
    "rate_chart",
    "rate_ratio",
    "rater_differences",
    "rule_of_three",
    "share_bounds",
    "share_chart",
    "share_funnel",
]
