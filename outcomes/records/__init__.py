"""From a clinic's files to a checked caseload, with a ledger of every change."""
