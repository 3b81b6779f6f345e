"""A store is whole or not there: packing, adding quarters, damage, full disks, older versions."""

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.network.store import (
    Packing,
    Partition,
    is_store,
    manifest,
    migrate,
    migration,
    open_store,
    packing,
)
from outcomes.network.store.manifest import bucket_of
from outcomes.records.schema import TABLES

ROOT = Path(__file__).parents[2]


def sorted_rows(frame, name):
    return frame.sort_values([*TABLES[name].key], kind="stable").reset_index(drop=True)


def visible(folder):
    return sorted(p.name for p in folder.iterdir())


def test_what_is_packed_comes_back(caseload, packed):
    back = packed.caseload()
    for name in TABLES:
        mine, theirs = sorted_rows(back.tables[name], name), caseload.tables[name]
        theirs = sorted_rows(theirs[mine.columns.tolist()], name)
        pd.testing.assert_frame_equal(mine, theirs.astype(mine.dtypes.to_dict()))
        assert packed.rows(name) == len(caseload.tables[name])


def test_all_rows_of_a_client_are_in_one_partition(packed):
    homes = {}
    for partition in packed.partitions:
        for name in TABLES:
            for client in packed.read(name, partition)["client"].unique():
                homes.setdefault(client, set()).add(partition)
    assert len(homes) == 120 and all(len(found) == 1 for found in homes.values())
    assert {p.clinic for p in packed.partitions} == {"hall", "field"}


def test_buckets_are_those_of_crc32():
    """Check value of CRC-32 (ISO 3309): 0xCBF43926 for the text 123456789."""
    assert bucket_of(["123456789"], 2**32) == [0xCBF43926]


def test_clinic_codes_can_be_any_text(caseload, tmp_path):
    odd = "a/b .. %=\u00e9"
    clients = caseload.clients.assign(clinic=odd)
    with Packing(tmp_path / "store") as pack_odd:
        pack_odd.add(caseload.with_tables(clients=clients))
    assert open_store(tmp_path / "store").partitions == [Partition(odd, 0)]
    assert not (tmp_path / "b .. ").exists()


def test_quarters_are_added_and_replaced(caseload, tmp_path):
    folder = tmp_path / "store"
    for quarter in ("2026Q1", "2026Q2"):
        with Packing(folder, label=quarter) as one:
            one.add(caseload)
    store = open_store(folder)
    dates = store.caseload().visits["date"]
    assert dates.min() >= pd.Timestamp("2026-01-01") and dates.max() < pd.Timestamp("2026-07-01")
    expected = caseload.visits["date"].between("2026-01-01", "2026-06-30").sum()
    assert len(dates) == expected
    assert not store.caseload().clients["client"].duplicated().any()
    with pytest.raises(DataError, match="must not hold 2026Q2 yet"):
        Packing(folder, label="2026Q2")
    with Packing(folder, label="2026Q2", replace_label=True) as again:
        again.add(caseload)
    assert len(open_store(folder).caseload().visits) == expected
    assert len(visible(folder / "parts")) == 2


def test_a_later_batch_corrects_a_client(caseload, tmp_path):
    folder = tmp_path / "store"
    with Packing(folder, label="2026Q1") as one:
        one.add(caseload)
    corrected = caseload.clients.assign(complaint="corrected")
    with Packing(folder, label="2026Q2") as two:
        two.add(caseload.with_tables(clients=corrected))
    back = open_store(folder).caseload()
    seen = back.visits.loc[back.visits["date"] >= "2026-04-01", "client"].unique()
    known = back.clients.set_index("client")["complaint"]
    assert (known[seen] == "corrected").all() and (known != "corrected").any()


def test_rows_are_never_in_a_store_twice(caseload, fresh):
    before = (fresh.folder / manifest.MANIFEST).read_bytes()
    with (
        pytest.raises(DataError, match=r"partition clinic=field, bucket=00 \(visits\) has"),
        Packing(fresh.folder, label="2026Q2") as again,
    ):
        again.add(caseload)
    assert (fresh.folder / manifest.MANIFEST).read_bytes() == before
    assert visible(fresh.folder / "parts") == ["0001-all"]


def test_a_client_stays_with_one_clinic(caseload, tmp_path):
    moved = caseload.clients.assign(clinic="elsewhere")
    place = Packing(tmp_path / "store")
    with pytest.raises(DataError, match="120 stand under two"), place as both:
        both.add(caseload)
        both.add(caseload.with_tables(clients=moved))
    assert visible(tmp_path) == []


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (lambda p: p.write_bytes(p.read_bytes()[:-100]), "bytes, not"),
        (lambda p: p.unlink(), "file is missing"),
        (lambda p: p.write_bytes(p.read_bytes()[:-9] + b"x" * 9), "has been changed"),
    ],
)
def test_damage_is_found_and_named(fresh, damage, why):
    damage(fresh.folder / "parts/0001-all/visits/clinic=hall/bucket=01.parquet")
    with pytest.raises(DataError, match=rf"clinic=hall, bucket=01 \(visits\).*{why}"):
        open_store(fresh.folder).check()


def forged(store, path, table):
    """Put another table in the place of a part, and set size and hash to match it."""
    parquet.write_table(table, store.folder / path)
    data = (store.folder / path).read_bytes()
    content = json.loads((store.folder / "manifest.json").read_text())
    for part in content["batches"][0]["parts"]:
        if part["path"] == path:
            part["bytes"], part["sha256"] = len(data), sha256(data).hexdigest()
    (store.folder / "manifest.json").write_text(json.dumps(content))


def test_a_part_with_other_columns_is_named(fresh):
    path = "parts/0001-all/measurements/clinic=field/bucket=00.parquet"
    table = parquet.read_table(fresh.folder / path)
    at = table.column_names.index("value")
    for other, why in (
        (table.drop_columns(["value"]), "its columns are not those"),
        (table.set_column(at, "value", table["value"].cast(pa.string())), "column value holds"),
    ):
        forged(fresh, path, other)
        with pytest.raises(DataError, match=rf"clinic=field, bucket=00 \(measurements\).*{why}"):
            open_store(fresh.folder).caseload()


def test_a_full_disk_leaves_nothing_behind(caseload, tmp_path, monkeypatch):
    """The system's error for a full disk, at the thirtieth file."""
    real, count = os.replace, []

    def full(source, target):
        count.append(1)
        if len(count) == 30:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(source, target)

    monkeypatch.setattr(os, "replace", full)
    with (
        pytest.raises(DataError, match="No space left on device"),
        Packing(tmp_path / "store", buckets=4) as one,
    ):
        one.add(caseload)
    assert visible(tmp_path) == []


def test_a_full_disk_leaves_a_store_as_it_was(caseload, fresh, monkeypatch):
    before = fresh.fingerprint

    def full(path, data):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(packing, "write_atomically", full)
    with pytest.raises(DataError, match="Nothing was added"), Packing(
        fresh.folder, label="2026Q2"
    ) as more:  # fmt: skip
        more.add(caseload)
    monkeypatch.undo()
    store = open_store(fresh.folder)
    store.check()
    assert store.fingerprint == before and visible(fresh.folder / "parts") == ["0001-all"]


_PACK_SLOWLY = """
import sys, time
sys.path.insert(0, {root!r})
from outcomes.network.store import packing
from outcomes.records import Caseload
real = packing.Packing._write
def slow(self, *rest):
    real(self, *rest)
    print("part", flush=True)
    time.sleep(0.2)
packing.Packing._write = slow
import numpy as np
from data_synthetic.as_caseload import as_caseload
from data_synthetic.make_caseload import make_caseload
tables, _ = make_caseload(np.random.default_rng(5), n_clients=40)
with packing.Packing({out!r}, label={label!r}, buckets=2) as one:
    one.add(as_caseload(tables))
"""


@pytest.mark.parametrize("adding", [False, True], ids=["new store", "added quarter"])
def test_a_killed_packing_is_never_read(caseload, tmp_path, adding):
    """A real process, killed by the system in the middle of its parts."""
    out, label = tmp_path / "store", "2026Q2" if adding else "all"
    if adding:
        with Packing(out, label="2025Q2", buckets=2) as first:
            first.add(caseload)
        before = open_store(out).fingerprint
    script = _PACK_SLOWLY.format(root=str(ROOT), out=str(out), label=label)
    process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for _ in range(4):
        assert process.stdout.readline() == "part\n"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    if not adding:
        assert not out.exists() and not is_store(out)
        return
    store = open_store(out)
    store.check()
    assert store.fingerprint == before
    assert [p for p in out.glob(".incoming-*")]
    with Packing(out, label="2026Q2") as more:  # the next run clears up
        more.add(caseload)
    assert not [p for p in out.glob(".incoming-*")] and len(open_store(out).manifest.batches) == 2


def test_two_packings_at_a_time_are_refused(fresh):
    with (
        Packing(fresh.folder, label="2026Q1"),
        pytest.raises(DataError, match="packed twice at a time"),
    ):
        Packing(fresh.folder, label="2026Q2")


def test_a_store_stays_with_its_buckets(fresh):
    with pytest.raises(ArgumentError, match="buckets must stay as the store has them"):
        Packing(fresh.folder, label="2026Q1", buckets=7)


def test_other_files_are_not_written_over(tmp_path):
    (tmp_path / "letter.txt").write_text("dear")
    with pytest.raises(DataError, match="it holds other files"):
        Packing(tmp_path)
    with pytest.raises(DataError, match="must be a store; it has no manifest"):
        open_store(tmp_path)


NAMES = {"clinic": "site"}


def made_older(store):
    """Turn a store into one of version 0, in which visits had no `phase` and clinics were sites."""
    content = json.loads((store.folder / "manifest.json").read_text())
    content["schema_version"] = 0
    for part in content["batches"][0]["parts"]:
        path = store.folder / part["path"]
        table = parquet.read_table(path)
        if part["table"] == "visits":
            table = table.drop_columns(["phase"])
        if part["table"] == "clients":
            table = table.rename_columns(
                ["site" if c == "clinic" else c for c in table.column_names]
            )
        parquet.write_table(table, path)
        data = path.read_bytes()
        part["bytes"], part["sha256"] = len(data), sha256(data).hexdigest()
    del content["columns"]["visits"]["phase"]
    columns = content["columns"]["clients"]
    content["columns"]["clients"] = {
        ("site" if c == "clinic" else c): k for c, k in columns.items()
    }
    (store.folder / "manifest.json").write_text(json.dumps(content))


def test_an_older_store_is_brought_up_to_date(fresh, monkeypatch):
    clients = fresh.caseload().clients
    made_older(fresh)
    with pytest.raises(DataError, match="schema version 1, got 0. Bring it up to date with"):
        open_store(fresh.folder)
    with pytest.raises(DataError, match="must have a version that can be brought up to date"):
        migrate(fresh.folder)

    def step(table, frame):
        return frame.rename(columns={"site": "clinic"}) if table == "clients" else frame

    monkeypatch.setitem(migration.STEPS, 0, step)
    shutil.copytree(fresh.folder, fresh.folder.with_name("copy"))
    store = migrate(fresh.folder)
    store.check()
    pd.testing.assert_frame_equal(store.caseload().clients, clients)
    assert store.caseload().visits["phase"].isna().all()
    assert len(visible(fresh.folder / "parts")) == 1
    assert migrate(fresh.folder).fingerprint == store.fingerprint

    def stopped(path, data):
        if path.name == "manifest.json":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(path, data)

    real = migration.write_atomically
    monkeypatch.setattr(migration, "write_atomically", stopped)
    with pytest.raises(DataError, match="No space left"):
        migrate(fresh.folder.with_name("copy"))
    monkeypatch.setattr(migration, "write_atomically", real)
    assert len(migrate(fresh.folder.with_name("copy")).partitions) == 4
