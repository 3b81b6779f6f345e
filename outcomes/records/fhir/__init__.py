"""HL7 FHIR: readings and questionnaire answers as bundles of JSON, release R4 or R5.

Files on disk only. `read_caseload` reads a bundle as any other source; its ``[fhir]`` mapping says
which codes are which measures. `write_bundle` writes one. Needs the extra ``fhir``.
"""

from outcomes.records.fhir.reading import read_bundle
from outcomes.records.fhir.writing import write_bundle

__all__ = ["read_bundle", "write_bundle"]
