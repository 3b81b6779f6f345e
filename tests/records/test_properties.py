"""Whatever is in a file: a caseload whose ledger balances, or one clean error."""

import csv
import io
import os

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.errors import OutcomesError
from outcomes.measures import units
from outcomes.records import read_caseload
from outcomes.records.cells.dates import read_dates
from outcomes.records.cells.numbers import read_numbers
from outcomes.records.ledger import balance_faults
from outcomes.records.mapping import load_mapping
from outcomes.records.schema import MOMENTS, SIDES, TABLES
from outcomes.records.sources.text import decode

#: A longer search: OUTCOMES_EXAMPLES=40 multiplies the examples, which are then drawn afresh.
TIMES = int(os.environ.get("OUTCOMES_EXAMPLES", "1"))
QUICK = settings(
    max_examples=15 * TIMES,
    deadline=None,
    derandomize=TIMES == 1,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
MANY = settings(QUICK, max_examples=150 * TIMES)

ANY_TEXT = st.text(max_size=12)
DATES = st.sampled_from(
    ["2026-01-05", "2026-01-06", "05/01/2026", "25/01/2026", "1/2/26", "5 Jan 2026", "46027", "x"]
)
NUMBERS = st.one_of(
    st.sampled_from(
        ["120", "120,5", "145/150", "145 L 150 R", "<5", "unable", "n/a", "1,234", "32 cm", "1e9"]
    ),
    st.floats(-10, 250).map(lambda v: f"{v:.1f}"),
)
CELLS = {
    "client": st.sampled_from(["A", "B", "C", "a ", ""]),
    "episode": st.sampled_from(["1", "2", "", "x"]),
    "visit": st.sampled_from(["1", "2", "3", "", "1.5", "-1"]),
    "date": DATES,
    "measure": st.sampled_from(["shoulder_flexion", "ndi", "NPRS", "tragus to wall", "nothing"]),
    "side": st.sampled_from([*SIDES, "L", "R", "both", ""]),
    "moment": st.sampled_from([*MOMENTS, "pre", "", "?"]),
    "trial": st.sampled_from(["1", "2", "", "x"]),
    "value": NUMBERS,
    "unit": st.sampled_from(["", "deg", "inch", "points", "furlong"]),
    "questionnaire": st.sampled_from(["ndi", "quickdash", "nothing"]),
    "item": st.sampled_from(["1", "2", "3", "99", "0"]),
    "answer": st.sampled_from(["0", "1", "5", "77", "", "often"]),
}


@st.composite
def tables(draw):
    """Some of our tables, with cells that are right, nearly right, or anything."""
    found = {}
    for name in ("clients", "visits", "measurements", "answers"):
        if name != "measurements" and not draw(st.booleans()):
            continue
        columns = [column for column in TABLES[name].names if draw(st.booleans())]
        columns = list(dict.fromkeys([*TABLES[name].required, "date", *columns]))
        if name == "clients":
            columns.remove("date")
        n = draw(st.integers(0, 8))
        row = [st.one_of(CELLS.get(column, ANY_TEXT), ANY_TEXT) if draw(st.integers(0, 3)) == 0
               else CELLS.get(column, ANY_TEXT) for column in columns]  # fmt: skip
        found[name] = pd.DataFrame(
            [[draw(cell) for cell in row] for _ in range(n)], columns=columns, dtype=object
        )
    return found


def read_or_refuse(source, **more):
    try:
        caseload = read_caseload(source, **more)
    except OutcomesError as error:
        assert str(error)
        return None
    assert balance_faults(caseload.balance) == []
    return caseload


@given(found=tables(), encoding=st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]))
@QUICK
def test_any_tables_balance_or_are_refused(found, encoding, tmp_path_factory):
    folder = tmp_path_factory.mktemp("tables")
    for name, frame in found.items():
        text = frame.to_csv(index=False)
        (folder / f"{name}.csv").write_bytes(text.encode(encoding, errors="replace"))
    caseload = read_or_refuse(folder)
    if caseload is None:
        return
    rows = caseload.measurements
    needed = ["client", "episode", "visit", "date", "measure", "moment", "trial", "value", "unit"]
    assert not rows[needed].isna().any().any()
    assert not rows.duplicated(list(TABLES["measurements"].key)).any()
    assert caseload.ledger.to_csv() == read_caseload(folder).ledger.to_csv()


@given(data=st.binary(max_size=300), name=st.sampled_from(["measurements.csv", "x.xlsx", "x.json",
       "x.parquet", "x.ods", "x.tsv"]))  # fmt: skip
@QUICK
def test_any_bytes_balance_or_are_refused(data, name, tmp_path_factory):
    path = tmp_path_factory.mktemp("bytes") / name
    path.write_bytes(data)
    read_or_refuse(path)


@given(lines=st.lists(st.lists(ANY_TEXT, max_size=5), max_size=6))
@QUICK
def test_any_cells_under_a_mapping_balance_or_are_refused(lines, tmp_path_factory):
    path = tmp_path_factory.mktemp("wide") / "wide.csv"
    text = io.StringIO()
    csv.writer(text).writerows([["who", "when", "v"], *lines])
    path.write_text(text.getvalue(), encoding="utf-8", errors="replace")
    mapping = {"columns": {"client": "who", "date": "when"}, "readings": {"v": {"measure": "ndi"}}}
    read_or_refuse(path, mapping=mapping)


@given(texts=st.lists(st.one_of(ANY_TEXT, NUMBERS), min_size=1, max_size=8))
@MANY
def test_every_cell_is_a_number_or_a_note(texts):
    column = read_numbers(pd.Series(texts, dtype="str"))
    read = set(column.readings["position"])
    noted = set(column.notes["position"])
    assert read.isdisjoint(noted)
    assert read | noted == set(range(len(texts)))
    assert np.isfinite(column.readings["value"]).all()


@given(value=st.floats(-999, 9999), places=st.integers(0, 6), mark=st.sampled_from([".", ","]))
@MANY
def test_a_number_written_with_a_declared_mark_is_read_back(value, places, mark):
    text = f"{value:.{places}f}"
    column = read_numbers(pd.Series([text.replace(".", mark)], dtype="str"), decimal=mark)
    assert column.readings["value"].tolist() == [float(text)]


@given(value=st.floats(0, 300).map(lambda v: round(v, 1)),
       unit=st.sampled_from(["°", " deg", "cm", " kg", " lb", '"', " in", "%", " s"]))  # fmt: skip
@MANY
def test_a_unit_in_the_cell_is_found(value, unit):
    column = read_numbers(pd.Series([f"{value}{unit}"], dtype="str"))
    assert column.readings["value"].tolist() == [value]
    assert column.readings["unit"].tolist() == [units.spellings(unit)]


@given(
    left=st.integers(0, 200),
    right=st.integers(0, 200),
    form=st.sampled_from(
        ["{0} L {1} R", "L {0} R {1}", "{0}L/{1}R", "L:{0} R:{1}", "{0}° L / {1}° R",
         "lt {0}; rt {1}", "{0} left, {1} right", "L{0}, R{1}", "{0}(L) {1}(R)"]
    ),
)  # fmt: skip
@MANY
def test_two_sides_in_one_cell_are_told_apart(left, right, form):
    readings = read_numbers(pd.Series([form.format(left, right)], dtype="str")).readings
    got = dict(zip(readings["side"], readings["value"], strict=True))
    assert got == {"left": left, "right": right}


@given(texts=st.lists(st.one_of(ANY_TEXT, DATES), min_size=1, max_size=8))
@MANY
def test_every_cell_is_a_date_or_unreadable(texts):
    column = read_dates(pd.Series(texts, dtype="str"))
    assert (column.values.notna().to_numpy() ^ column.unreadable).all()


@given(
    days=st.lists(
        st.dates(pd.Timestamp("1970-01-01").date(), pd.Timestamp("2069-12-31").date()),
        min_size=1,
        max_size=30,
    ),
    form=st.sampled_from(["%d/%m/%Y", "%d.%m.%y", "%d-%m-%Y"]),
)
@MANY
def test_day_first_columns_are_read_right_or_left_undecided(days, form):
    column = read_dates(pd.Series([day.strftime(form) for day in days], dtype="str"))
    if any(day.day > 12 for day in days):
        assert column.order == "day-first"
        assert column.values.dt.date.tolist() == days
    else:
        same = all(day.day == day.month for day in days)
        assert column.order == ("day-first" if same and column.order else column.order)
        assert same or column.order == "undecided"


@given(text=st.text(max_size=60), encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))
@MANY
def test_text_of_marked_and_unicode_files_is_decoded(text, encoding):
    text = text.replace("\x00", "").removeprefix("\ufeff")
    data = text.encode(encoding, errors="surrogatepass").decode(encoding, errors="replace")
    assert decode(data.encode(encoding))[0] == data.removeprefix("\ufeff")


VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), ANY_TEXT),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(ANY_TEXT, inner, max_size=3)
    ),
    max_leaves=6,
)
PARTS = st.sampled_from(
    ["file", "columns", "visits", "clients", "readings", "long", "measures", "tables", "fhir", "x"]
)
KEYS = st.one_of(
    ANY_TEXT,
    st.sampled_from(["client", "date", "v", "measure", "sheets", "header_row", "numbers", "sheet",
                     "start_date", "measurements", "columns", "version", "missing"]),
)  # fmt: skip


@given(page=st.dictionaries(PARTS, st.one_of(VALUES, st.dictionaries(KEYS, VALUES, max_size=3))))
@MANY
def test_any_dictionary_is_a_mapping_or_refused(page):
    try:
        load_mapping(page)
    except OutcomesError as error:
        assert str(error)
