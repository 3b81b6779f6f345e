"""The synthetic caseload and its review, made once for all tests that look at them."""

import numpy as np
import pytest


@pytest.fixture(scope="session")
def caseload():
    from outcomes import read_caseload, synthetic_caseload

    return read_caseload(synthetic_caseload())


@pytest.fixture(scope="session")
def review(caseload):
    from outcomes import review_quarter

    return review_quarter(caseload, quarter="2026Q2")


@pytest.fixture(scope="session")
def meeting(review):
    from outcomes import prepare_meeting

    return prepare_meeting(review, rng=np.random.default_rng(1))
