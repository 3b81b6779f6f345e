"""How much the headline depends on choices, on what was not measured, and on the model."""

from __future__ import annotations

from outcomes.statistics.sensitivity.agreement import (
    Agreement,
    agreement,
    choices_that_move,
)
from outcomes.statistics.sensitivity.choices import CHOICES, COURSES, MISSING, OUTLIERS, VERDICTS
from outcomes.statistics.sensitivity.confounding import (
    EValue,
    TippingPoint,
    e_value,
    e_value_of_difference,
    tipping_point,
)
from outcomes.statistics.sensitivity.envelopes import (
    caseload_simulation,
    quantile_envelopes,
    residual_variogram,
)
from outcomes.statistics.sensitivity.grid import run_grid
from outcomes.statistics.sensitivity.structure import (
    check_linearity,
    choose_random_terms,
    client_influence,
    compare_engines,
    residual_trend,
)

__all__ = [
    "Agreement",
    "CHOICES",
    "COURSES",
    "EValue",
    "MISSING",
    "OUTLIERS",
    "VERDICTS",
    "TippingPoint",
    "agreement",
    "caseload_simulation",
    "check_linearity",
    "choices_that_move",
    "choose_random_terms",
    "client_influence",
    "compare_engines",
    "e_value",
    "e_value_of_difference",
    "quantile_envelopes",
    "residual_trend",
    "residual_variogram",
    "run_grid",
    "tipping_point",
]
