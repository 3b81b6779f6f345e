"""A clinic that may not send rows sends sums: made here, reviewed as JSON, combined elsewhere.

`summarise` turns a caseload into counts, means and sums of products over groups of clients, none
of them small; `combine` gives the network's course, change and shares from several such files.

What a file reveals, and what it does not, stands in `summary.REVEALS`, in every file.
"""

from outcomes.network.federated.combining import Combined, combine, read_summary
from outcomes.network.federated.occasions import OCCASIONS, occasion_values
from outcomes.network.federated.schema import SUMMARY_SCHEMA
from outcomes.network.federated.summary import REVEALS, summarise, write_summary

__all__ = [
    "OCCASIONS",
    "REVEALS",
    "SUMMARY_SCHEMA",
    "Combined",
    "combine",
    "occasion_values",
    "read_summary",
    "summarise",
    "write_summary",
]
