"""Planning the next study: how many clients, visits and practitioners, and what they will show."""

from __future__ import annotations

from outcomes.statistics.planning.assurance import (
    Assurance,
    assurance,
    draw_inputs,
    power_curve,
)
from outcomes.statistics.planning.clusters import (
    clients_in_clusters,
    design_effect,
    power_in_clusters,
)
from outcomes.statistics.planning.plan import Plan
from outcomes.statistics.planning.power import (
    clients_paired,
    clients_two_groups,
    power_paired,
    power_two_groups,
    smallest_detectable,
)
from outcomes.statistics.planning.precision import (
    clients_for_mean_change,
    clients_for_share,
    mean_half_width,
    share_half_width,
)
from outcomes.statistics.planning.reliability import (
    clients_for_error,
    clients_for_icc,
    clients_for_icc_precision,
    power_icc,
)
from outcomes.statistics.planning.simulation import simulate_slope
from outcomes.statistics.planning.single_case import single_case_power
from outcomes.statistics.planning.slopes import (
    Course,
    clients_for_slope,
    power_slope,
    slope_standard_error,
)

__all__ = [
    "Assurance",
    "Course",
    "Plan",
    "assurance",
    "clients_for_error",
    "clients_for_icc",
    "clients_for_icc_precision",
    "clients_for_mean_change",
    "clients_for_share",
    "clients_for_slope",
    "clients_in_clusters",
    "clients_paired",
    "clients_two_groups",
    "design_effect",
    "draw_inputs",
    "mean_half_width",
    "power_curve",
    "power_icc",
    "power_in_clusters",
    "power_paired",
    "power_slope",
    "power_two_groups",
    "share_half_width",
    "simulate_slope",
    "single_case_power",
    "slope_standard_error",
    "smallest_detectable",
]
