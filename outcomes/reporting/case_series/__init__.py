"""A case series for colleagues and journals: tables, figures, text, checklists, data, manifest."""

from outcomes.reporting.case_series.analysis import CaseSeries, analyse_case_series
from outcomes.reporting.case_series.command import run_case_series
from outcomes.reporting.case_series.run import case_series

__all__ = ["CaseSeries", "analyse_case_series", "case_series", "run_case_series"]
