"""From a clinic's files to a checked caseload, with a ledger of every change."""

from outcomes.records.caseload import Caseload, Source
from outcomes.records.intake import read_caseload
from outcomes.records.mapping.proposal import Proposal, propose_mapping
from outcomes.records.write import write_caseload

__all__ = ["Caseload", "Proposal", "Source", "propose_mapping", "read_caseload", "write_caseload"]
