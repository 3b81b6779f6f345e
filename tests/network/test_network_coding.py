"""Numbers in place of words change nothing that is read from a partition."""

import numpy as np
import pandas as pd
import pytest

from data_synthetic.make_network import make_clinic
from outcomes.network.coding import read_coded
from outcomes.records import readings
from outcomes.records.readings import judged_side, visit_values

COLUMNS = {
    "clients": ["client", "clinic", "practitioner", "affected_side", "complaint"],
    "visits": ["client", "episode", "visit", "date", "practitioner", "attended"],
    "measurements": ["client", "episode", "visit", "date", "measure", "side", "moment", "value"]
    + ["unit", "rater", "instrument", "mode"],
}


def same(coded, frame, plain):
    mine = coded.named(frame)
    assert mine.columns.tolist() == plain.columns.tolist()
    for column in plain:
        a, b = (f[column].astype("object").where(f[column].notna(), "") for f in (mine, plain))
        assert a.tolist() == b.tolist(), column


def test_every_cell_comes_back(packed):
    """The scenario has empty cells, several trials, both sides, and two batches of instruments."""
    coded = read_coded(packed, packed.partitions, COLUMNS)
    plain = packed.caseload(packed.partitions, tables=list(COLUMNS), columns=COLUMNS)
    assert coded.caseload.measurements["client"].dtype == np.int64
    for table in ("visits", "measurements"):
        same(coded, coded.caseload.tables[table], plain.tables[table])


def test_values_and_judged_sides_are_the_same(packed):
    coded = read_coded(packed, packed.partitions, COLUMNS)
    plain = packed.caseload(packed.partitions, tables=list(COLUMNS), columns=COLUMNS)
    mine, theirs = visit_values(coded.caseload), visit_values(plain)
    same(coded, mine, theirs)
    same(
        coded,
        judged_side(mine, coded.caseload.clients),
        judged_side(theirs, plain.clients),
    )


@pytest.mark.parametrize("missing", [False, True])
def test_readings_that_stand_once_need_no_averaging(monkeypatch, missing):
    """One trial a visit: the short way gives what the mean over trials gives."""
    caseload = make_clinic(np.random.default_rng(3), code="K1", n_clients=60)
    table = caseload.measurements.sample(frac=1, random_state=1, ignore_index=True)
    if missing:
        table.loc[::7, "rater"] = None
        table.loc[::5, "instrument"] = None
        table.loc[::11, "value"] = np.nan
    caseload.tables["measurements"] = table
    short = visit_values(caseload)
    monkeypatch.setattr(readings, "_order_of_single_readings", lambda *_: None)
    pd.testing.assert_frame_equal(short, visit_values(caseload))
