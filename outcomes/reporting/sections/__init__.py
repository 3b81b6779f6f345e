"""The parts of the quarter's report, each shown by one line of a notebook."""

from outcomes.reporting.sections.between_visits import immediate_and_kept
from outcomes.reporting.sections.calendar import calendar, missing
from outcomes.reporting.sections.clients import meeting_list
from outcomes.reporting.sections.closing import limits, safety
from outcomes.reporting.sections.data import (
    completeness,
    flow,
    flow_table,
    quality,
    where_it_comes_from,
)
from outcomes.reporting.sections.exercise import home_exercise
from outcomes.reporting.sections.measures import measure_sections, measure_table, summary_table
from outcomes.reporting.sections.opening import attention, first_screen
from outcomes.reporting.sections.over_time import changes, comparisons, events, gain_charts
from outcomes.reporting.sections.people import fairness, practitioners

__all__ = [
    "attention",
    "calendar",
    "changes",
    "comparisons",
    "completeness",
    "events",
    "fairness",
    "first_screen",
    "flow",
    "flow_table",
    "gain_charts",
    "home_exercise",
    "immediate_and_kept",
    "limits",
    "measure_sections",
    "measure_table",
    "meeting_list",
    "missing",
    "practitioners",
    "quality",
    "safety",
    "summary_table",
    "where_it_comes_from",
]
