"""From a clinic's files to a checked caseload, with a ledger of every change."""

from outcomes.records.caseload import Caseload, Source
from outcomes.records.intake import read_caseload

__all__ = ["Caseload", "Source", "read_caseload"]
