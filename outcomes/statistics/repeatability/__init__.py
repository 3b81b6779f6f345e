"""How far a reading moves by error alone."""

from outcomes.statistics.repeatability.detectable_change import (
    minimal_detectable_change,
    standard_error_of_measurement,
)

__all__ = ["minimal_detectable_change", "standard_error_of_measurement"]
