"""The store: Parquet parts by clinic and client bucket, whole or not there at all.

    STORE/manifest.json                     written last; what it does not list is never read
    STORE/parts/0001-2026Q2/visits/clinic=hall/bucket=00.parquet

Rows come in batches (a whole caseload, or one quarter). A partition is one clinic and one bucket
of its clients, over all batches: every row of a client is in one partition, so that work on
clients needs no other.
"""

from outcomes.network.store.manifest import SCHEMA_VERSION, Batch, Manifest, Part, Partition
from outcomes.network.store.migration import migrate
from outcomes.network.store.opening import Store, is_store, open_store
from outcomes.network.store.packing import Packing, pack

__all__ = [
    "SCHEMA_VERSION",
    "Batch",
    "Manifest",
    "Packing",
    "Part",
    "Partition",
    "Store",
    "is_store",
    "migrate",
    "open_store",
    "pack",
]
