"""How far a reading moves by error alone."""

from outcomes.statistics.repeatability.detectable_change import (
    minimal_detectable_change,
    standard_error_of_measurement,
)
from outcomes.statistics.repeatability.error_tables import averaging_table, error_table
from outcomes.statistics.repeatability.intraclass import intraclass_correlation
from outcomes.statistics.repeatability.measurement_error import MeasurementError, measurement_error

__all__ = [
    "MeasurementError",
    "averaging_table",
    "error_table",
    "intraclass_correlation",
    "measurement_error",
    "minimal_detectable_change",
    "standard_error_of_measurement",
]
