"""Codes of the standards: units in UCUM, sides in SNOMED CT, statuses in FHIR.

The library that models the resources accepts any text as a status, so the value sets stand here.
Sources: UCUM 2.1 (units of measure); SNOMED CT 7771000 (left) and 24028007 (right); FHIR R4 and
R5, value sets observation-status and questionnaire-answers-status.
"""

from __future__ import annotations

from typing import Any

from outcomes.errors import MissingExtraError, check_choice

__all__ = [
    "EXTENSIONS",
    "MEASURES",
    "QUESTIONNAIRES",
    "SIDES",
    "SNOMED",
    "STATUSES",
    "UCUM",
    "UCUM_SYSTEM",
    "USED_STATUSES",
    "model_of",
]

#: Systems of our own: measure codes of the catalogue, and what a reading needs beside the standard.
MEASURES = "urn:outcomes:measure"
QUESTIONNAIRES = "urn:outcomes:questionnaire:"
EXTENSIONS = "urn:outcomes:"

UCUM_SYSTEM = "http://unitsofmeasure.org"
SNOMED = "http://snomed.info/sct"
SIDES = {f"{SNOMED}|7771000": "left", f"{SNOMED}|24028007": "right"}

#: Our unit to its UCUM code.
UCUM = {
    "deg": "deg",
    "rad": "rad",
    "cm": "cm",
    "mm": "mm",
    "m": "m",
    "inch": "[in_i]",
    "kg": "kg",
    "lb": "[lb_av]",
    "N": "N",
    "kPa": "kPa",
    "N/cm2": "N/cm2",
    "kgf/cm2": "kgf/cm2",
    "s": "s",
    "min": "min",
    "percent": "%",
    "points": "{score}",
    "reps": "{reps}",
    "index": "1",
    "T-score": "{Tscore}",
}

STATUSES = {
    "Observation": (
        "registered", "preliminary", "final", "amended", "corrected", "cancelled",
        "entered-in-error", "unknown", "appended",
    ),
    "QuestionnaireResponse": (
        "in-progress", "completed", "amended", "entered-in-error", "stopped",
    ),
}  # fmt: skip
USED_STATUSES = {
    "Observation": ("preliminary", "final", "amended", "corrected", "appended"),
    "QuestionnaireResponse": ("completed", "amended"),
}


def model_of(name: str, version: str) -> Any:
    """Give the library's model of a resource, of release R4 or R5.

    Raises
    ------
    ArgumentError
        If the release is another one.
    MissingExtraError
        If the library is not installed.
    """
    check_choice("version", version, ("R4", "R5"))
    try:
        if version == "R5":
            from fhir.resources import get_fhir_model_class
        else:
            from fhir.resources.R4B import get_fhir_model_class
    except ImportError:
        raise MissingExtraError("reading or writing FHIR", "fhir") from None
    return get_fhir_model_class(name)
