"""Small stores to work on."""

import numpy as np
import pytest

from data_synthetic.as_caseload import as_caseload
from data_synthetic.make_caseload import make_caseload
from outcomes.network.store import Packing, open_store


@pytest.fixture(scope="session")
def caseload():
    """The scenario with 120 clients: two clinics, about 800 visits."""
    tables, _ = make_caseload(np.random.default_rng(5), n_clients=120)
    return as_caseload(tables)


@pytest.fixture(scope="session")
def packed(caseload, tmp_path_factory):
    """The caseload in a store of two clinics and two buckets; not to be written to."""
    folder = tmp_path_factory.mktemp("packed") / "store"
    with Packing(folder, buckets=2) as packing:
        packing.add(caseload)
    return open_store(folder)


@pytest.fixture
def fresh(caseload, tmp_path):
    """A store of one's own, to damage."""
    with Packing(tmp_path / "store", buckets=2) as packing:
        packing.add(caseload)
    return open_store(tmp_path / "store")
