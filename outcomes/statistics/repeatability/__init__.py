"""How far a reading moves by error alone.

One idea a file: `detectable_change` (the two numbers that every verdict rests on), `intraclass`
(reliability), `measurement_error` with `error_tables` (a clinic's own study), `agreement` with
`agreement_by_size` (two methods), `internal_consistency` and `questionnaire_error` (scales),
`routine_error` (error from everyday visits), `study_size` and `recording_sheet` (planning). Below
them `analysis_of_variance`, `variance_components`, `mean_square_interval`, `agreement_factors`.
"""

from outcomes.statistics.repeatability.agreement import LimitsOfAgreement, limits_of_agreement
from outcomes.statistics.repeatability.agreement_by_size import (
    agreement_pattern,
    limits_by_size,
    ratio_limits,
)
from outcomes.statistics.repeatability.detectable_change import (
    minimal_detectable_change,
    standard_error_of_measurement,
)
from outcomes.statistics.repeatability.error_tables import averaging_table, error_table
from outcomes.statistics.repeatability.internal_consistency import (
    coefficient_omega,
    cronbach_alpha,
)
from outcomes.statistics.repeatability.intraclass import intraclass_correlation
from outcomes.statistics.repeatability.measurement_error import MeasurementError, measurement_error
from outcomes.statistics.repeatability.questionnaire_error import (
    conditional_error,
    floor_and_ceiling,
    questionnaire_error,
)
from outcomes.statistics.repeatability.recording_sheet import recording_sheet
from outcomes.statistics.repeatability.routine_error import error_from_routine_visits
from outcomes.statistics.repeatability.study_size import (
    clients_needed,
    simulate_precision,
    study_precision,
)

__all__ = [
    "LimitsOfAgreement",
    "MeasurementError",
    "agreement_pattern",
    "averaging_table",
    "clients_needed",
    "coefficient_omega",
    "conditional_error",
    "cronbach_alpha",
    "error_from_routine_visits",
    "error_table",
    "floor_and_ceiling",
    "intraclass_correlation",
    "limits_by_size",
    "limits_of_agreement",
    "measurement_error",
    "minimal_detectable_change",
    "questionnaire_error",
    "ratio_limits",
    "recording_sheet",
    "simulate_precision",
    "standard_error_of_measurement",
    "study_precision",
]
