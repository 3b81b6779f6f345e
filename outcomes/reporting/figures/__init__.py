"""Figures: each function takes results, draws them, and says in words what it drew.

Nothing is computed here beyond what drawing needs, so text and figure cannot disagree.
"""

from __future__ import annotations

from outcomes.reporting.figures.change import start_against_latest
from outcomes.reporting.figures.course import course_over_weeks
from outcomes.reporting.figures.shares import shares_by_measure

__all__ = ["course_over_weeks", "shares_by_measure", "start_against_latest"]
