"""Figures: each function takes results, draws them, and says in words what it drew.

Nothing is computed here beyond what drawing needs, so text and figure cannot disagree.
"""

from __future__ import annotations

from outcomes.reporting.figures.agreement import difference_against_mean
from outcomes.reporting.figures.change import start_against_latest
from outcomes.reporting.figures.clients import clients_courses_figure
from outcomes.reporting.figures.control import control_chart
from outcomes.reporting.figures.control_panels import control_panels
from outcomes.reporting.figures.course import course_over_weeks
from outcomes.reporting.figures.diagnostics import (
    influence_figure,
    quantile_figure,
    residual_figure,
    variogram_figure,
)
from outcomes.reporting.figures.exercise import adherence_by_week_figure
from outcomes.reporting.figures.flow import flow_diagram
from outcomes.reporting.figures.funnel import share_funnel_figure
from outcomes.reporting.figures.ladder import ladder_figure
from outcomes.reporting.figures.power import power_figure
from outcomes.reporting.figures.saw_tooth import saw_tooth_figure
from outcomes.reporting.figures.shares import shares_by_measure
from outcomes.reporting.figures.specification import specification_figure
from outcomes.reporting.figures.standing import standing_figure
from outcomes.reporting.figures.thresholds import threshold_figure
from outcomes.reporting.figures.time_to_gain import time_to_gain_figure

__all__ = [
    "adherence_by_week_figure",
    "clients_courses_figure",
    "control_chart",
    "control_panels",
    "course_over_weeks",
    "difference_against_mean",
    "flow_diagram",
    "influence_figure",
    "ladder_figure",
    "power_figure",
    "quantile_figure",
    "residual_figure",
    "saw_tooth_figure",
    "share_funnel_figure",
    "shares_by_measure",
    "specification_figure",
    "standing_figure",
    "start_against_latest",
    "threshold_figure",
    "time_to_gain_figure",
    "variogram_figure",
]
