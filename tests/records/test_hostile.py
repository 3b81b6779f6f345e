"""Hostile and broken files: a caseload whose ledger balances, or one clean error; never more."""

import codecs
import datetime as dt
import io
import json
import sqlite3
import zipfile

import pandas as pd
import pytest
import xlsxwriter

from outcomes.errors import DataError, OutcomesError
from outcomes.records import read_caseload
from outcomes.records.ledger import balance_faults

HEADER = "client,date,measure,side,value"
GOOD = "A,2026-01-05,shoulder_flexion,left,120"


def read_text(tmp_path, data, name="measurements.csv", **more):
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    caseload = read_caseload(path, **more)
    assert balance_faults(caseload.balance) == []
    return caseload


def read_book(tmp_path, build, **more):
    path = tmp_path / "book.xlsx"
    book = xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd"})
    build(book)
    book.close()
    caseload = read_caseload(path, **more)
    assert balance_faults(caseload.balance) == []
    return caseload


def good_sheet(book, name="measurements"):
    sheet = book.add_worksheet(name)
    sheet.write_row(0, 0, HEADER.split(","))
    sheet.write_row(1, 0, ["A", dt.date(2026, 1, 5), "shoulder_flexion", "left", 120])
    return sheet


def entries(caseload):
    ledger = caseload.ledger
    return [(r if r is not pd.NA else None, rule)
            for r, rule in zip(ledger["source_row"], ledger["rule"], strict=True)]  # fmt: skip


# Text files


def test_nul_bytes_are_left_out_and_reported(tmp_path):
    caseload = read_text(tmp_path, f"{HEADER}\n{GOOD}\0\n\0\0\n")
    assert len(caseload.measurements) == 1
    assert (None, "NUL bytes in the file") in entries(caseload)


def test_ten_thousand_columns(tmp_path):
    extra = ",".join(f"x{i}" for i in range(10_000))
    caseload = read_text(tmp_path, f"{HEADER},{extra}\n{GOOD}{',1' * 10_000}\n")
    assert len(caseload.measurements) == 1
    note = caseload.ledger[caseload.ledger["rule"] == "columns not read"]
    assert "9,990 more" in note["reason"].iloc[0]


def test_doubled_headers_are_an_error_that_names_them(tmp_path):
    with pytest.raises(DataError, match="one column value; 2 are called so"):
        read_text(tmp_path, f"{HEADER},Value\n{GOOD},1\n")


def test_mixed_encodings_are_read_byte_by_byte_and_reported(tmp_path):
    head = f"{HEADER},rater\n{GOOD},José\n".encode()
    tail = "B,2026-01-05,shoulder_flexion,left,121,Zoë\n".encode("cp1252")
    caseload = read_text(tmp_path, head + tail)
    assert caseload.measurements["rater"].tolist() == ["José", "Zoë"]
    assert (None, "mixed encodings") in entries(caseload)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"]
)
def test_the_encodings_of_clinics(tmp_path, encoding):
    text = f"{HEADER},rater\n{GOOD},Zoë Müller\n"
    caseload = read_text(tmp_path, text.encode(encoding))
    assert caseload.measurements["rater"].tolist() == ["Zoë Müller"]
    assert caseload.ledger.empty


def test_an_encoding_can_be_named(tmp_path):
    data = f"{HEADER},rater\n{GOOD},Zoë\n".encode("mac-roman")
    caseload = read_text(tmp_path, data, mapping={"file": {"encoding": "mac-roman"}})
    assert caseload.measurements["rater"].tolist() == ["Zoë"]
    for wrong in ("klingon", "utf-8"):
        with pytest.raises(DataError, match="encoding"):
            read_text(tmp_path, data, mapping={"file": {"encoding": wrong}})


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(tmp_path, delimiter, end):
    lines = [HEADER, GOOD, "", GOOD.replace("120", "130").replace("05", "06")]
    caseload = read_text(tmp_path, end.join(lines).replace(",", delimiter) + end)
    assert caseload.measurements["value"].tolist() == [120, 130]
    assert caseload.measurements["source_row"].tolist() == [2, 4]


def test_a_separator_line_of_a_spreadsheet(tmp_path):
    caseload = read_text(tmp_path, "sep=;\n" + f"{HEADER}\n{GOOD}\n".replace(",", ";"))
    assert caseload.measurements["source_row"].tolist() == [3]


def test_a_quote_that_never_closes(tmp_path):
    caseload = read_text(tmp_path, f'{HEADER}\n{GOOD}\n"A,2026-01-06,shoulder_flexion,left,121\n')
    assert len(caseload.measurements) == 1
    assert caseload.balance.set_index("table").loc["measurements", "rows_set_aside"] == 1


def test_rows_that_do_not_fit_the_header(tmp_path):
    rows = [GOOD + ",7,8", "A", GOOD.replace("05", "06") + ",,", GOOD.replace("05", "07")]
    caseload = read_text(tmp_path, "\n".join([HEADER, *rows]))
    assert caseload.measurements["source_row"].tolist() == [4, 5]
    assert [row for row, rule in entries(caseload) if rule == "row does not fit the header"] == [
        2,
        3,
    ]


def test_line_breaks_inside_cells_keep_the_row_numbers_of_a_spreadsheet(tmp_path):
    text = f'{HEADER},note\n{GOOD},"two\nlines"\n{GOOD.replace("120", "900")},x\n'
    caseload = read_text(tmp_path, text)
    assert (3, "outside the hard range") in entries(caseload)


def test_a_cell_of_five_megabytes(tmp_path):
    caseload = read_text(tmp_path, f"{HEADER},note\n{GOOD},{'x' * 5_000_000}\n")
    assert len(caseload.measurements) == 1
    caseload = read_text(tmp_path, f"{HEADER}\n{GOOD}\nA,2026-01-06,ndi,,{'9' * 5_000_000}\n")
    assert len(caseload.measurements) == 1
    assert caseload.ledger["old_value"].str.len().max() < 60


def test_numbers_that_are_none(tmp_path):
    words = ["inf", "nan", "1e400", "0x10", "1_000", "--5", "1.2.3", "⅓", "٣٠", "３０", "1/0"]
    rows = [f"A,2026-01-{i + 1:02d},ndi,,{word}" for i, word in enumerate(words)]
    caseload = read_text(tmp_path, "\n".join([HEADER, *rows]))
    assert caseload.measurements["value"].tolist() == [30, 30]


def test_emoji_and_text_from_right_to_left(tmp_path):
    rows = ["😀🏽,2026-01-05,ndi,,20", "مريم‏,2026-01-05,ndi,,30", "\u202eevil,2026-01-06,ndi,,40"]
    caseload = read_text(tmp_path, "\n".join([HEADER, *rows]))
    assert len(caseload.clients) == 3
    assert caseload.measurements["value"].tolist() == [20, 30, 40]


def test_dates_at_the_edges(tmp_path):
    dates = [
        ("1899-12-31", None), ("1900-01-01", "1900-01-01"), ("2024-02-29", "2024-02-29"),
        ("2023-02-29", None), ("2100-12-31", "2100-12-31"), ("2101-01-01", None),
        # Clocks go forward on these nights in Europe and America: the hour does not exist.
        ("2026-03-29 02:30", "2026-03-29"), ("2026-03-08T02:30:00-05:00", "2026-03-08"),
        ("9999-99-99", None), ("0000-00-00", None), ("29/02/2024", "2024-02-29"),
        ("45000", "2023-03-15"), ("2024", None), ("today", None),
    ]  # fmt: skip
    rows = [f"C{i},{text},ndi,,20" for i, (text, _) in enumerate(dates)]
    caseload = read_text(tmp_path, "\n".join([HEADER, *rows]))
    got = caseload.measurements.set_index("client")["date"].dt.strftime("%Y-%m-%d").to_dict()
    assert got == {f"C{i}": want for i, (_, want) in enumerate(dates) if want}


@pytest.mark.parametrize("data", [b"", b"\n\n\n", b"   ", b"\xff\xfe", codecs.BOM_UTF8])
def test_files_without_a_header(tmp_path, data):
    with pytest.raises(DataError, match="holds no header"):
        read_text(tmp_path, data)


def test_a_file_of_random_bytes(tmp_path):
    data = bytes((i * 7919 + i // 13) % 256 for i in range(5000))
    with pytest.raises(DataError, match="must have the columns"):
        read_text(tmp_path, data)


def test_a_header_alone_is_an_empty_caseload(tmp_path):
    caseload = read_text(tmp_path, HEADER + "\n")
    assert len(caseload.measurements) == 0


# Workbooks


def test_formula_cells_merged_cells_hidden_and_empty_sheets(tmp_path):
    def build(book):
        sheet = good_sheet(book)
        sheet.write_row(2, 0, ["A", dt.date(2026, 1, 6), "shoulder_flexion", "left"])
        sheet.write_formula(2, 4, "=100+25", None, 125)
        sheet.write_row(3, 0, ["B", dt.date(2026, 1, 6), "shoulder_flexion", "left"])
        sheet.write_formula(3, 4, "=100+25", None, "")
        sheet.write_row(4, 0, ["C", dt.date(2026, 1, 6), "shoulder_flexion", "left", 111])
        sheet.write_row(5, 1, [dt.date(2026, 1, 7), "shoulder_flexion", "left", 112])
        sheet.merge_range(4, 0, 5, 0, "C")
        good_sheet(book, "old list").hide()
        book.add_worksheet("empty")

    caseload = read_book(tmp_path, build)
    rows = caseload.measurements
    assert rows["value"].tolist() == [120, 125, 111, 112]
    assert rows["client"].tolist() == ["A", "A", "C", "C"]
    found = dict((rule, row) for row, rule in entries(caseload))
    assert found["formula without result"] == 4
    assert {"merged cells", "hidden sheet", "blank value"} <= set(found)


def test_cells_of_every_kind(tmp_path):
    def build(book):
        sheet = good_sheet(book)
        sheet.write_row(2, 0, [True, dt.datetime(2026, 1, 5, 23, 59), "ndi", "", 20.5])
        sheet.write_row(3, 0, [12.0, 46027, "ndi", "", "30%"])
        sheet.write_row(4, 0, ["D", "05/13/2026", "ndi", "", "#DIV/0!"])
        sheet.write_row(5, 0, [1e30, dt.date(2026, 1, 5), "ndi", "", True])
        sheet.write_row(6, 0, ["E", dt.time(3, 4), "ndi", "", 1.234])

    caseload = read_book(tmp_path, build)
    rows = caseload.measurements
    assert rows["client"].tolist() == ["A", "true", "12"]
    assert rows["date"].dt.strftime("%Y-%m-%d").tolist() == ["2026-01-05"] * 3
    assert rows["value"].tolist() == [120, 20.5, 30]


def test_a_number_of_three_decimals_is_never_taken_for_thousands(tmp_path):
    def build(book):
        sheet = good_sheet(book)
        for i, value in enumerate([1.234, 12.5, "13,25"]):
            sheet.write_row(2 + i, 0, [f"N{i}", dt.date(2026, 1, 5), "ndi", "", value])

    caseload = read_book(tmp_path, build)
    assert caseload.measurements["value"].tolist() == [120, 1.234, 12.5, 13.25]


def test_a_table_that_does_not_start_in_the_corner(tmp_path):
    def build(book):
        sheet = book.add_worksheet("measurements")
        sheet.write_row(4, 2, HEADER.split(","))
        sheet.write_row(5, 2, ["A", dt.date(2026, 1, 5), "ndi", "", 999])

    caseload = read_book(tmp_path, build)
    assert (6, "outside the hard range") in entries(caseload)


def make_zip(parts):
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return store.getvalue()


def test_a_zip_bomb_is_refused_before_it_unpacks(tmp_path):
    data = make_zip({"xl/worksheets/sheet1.xml": b"0" * (120 * 2**20)})
    assert len(data) < 2**20
    with pytest.raises(DataError, match="unpacks to 120 MB"):
        read_text(tmp_path, data, name="bomb.xlsx")


def test_a_filled_cell_far_out_is_refused_before_the_sheet_is_laid_out(tmp_path):
    def build(book):
        good_sheet(book).write(1_048_575, 16_383, "x")

    with pytest.raises(DataError, match="reaches over 17,179,869,184 cells"):
        read_book(tmp_path, build)


def test_formatting_far_out_does_no_harm(tmp_path):
    def build(book):
        good_sheet(book).write_blank(1_048_575, 16_383, None, book.add_format({"bold": True}))

    assert len(read_book(tmp_path, build).measurements) == 1


def test_repeated_cells_of_an_ods_file_are_refused_when_there_are_too_many(tmp_path):
    row = (
        '<table:table-row table:number-rows-repeated="1000000"><table:table-cell '
        'table:number-columns-repeated="1000" office:value-type="float" office:value="1">'
        "<text:p>1</text:p></table:table-cell></table:table-row>"
    )
    data = make_zip({"mimetype": "x", "content.xml": row})
    with pytest.raises(DataError, match="reaches over 1,000,000,000 cells"):
        read_text(tmp_path, data, name="x.ods")


def test_cells_of_white_space_do_not_hang(tmp_path):
    gap = "1" + " " * 200_000 + "2"
    read_text(tmp_path, f"{HEADER}\nA,{gap},ndi,{gap},{gap}\nB,2026-01-05,ndi,,30\n")


def test_a_truncated_workbook_at_every_length(tmp_path):
    path = tmp_path / "book.xlsx"
    book = xlsxwriter.Workbook(str(path))
    good_sheet(book)
    book.close()
    whole = path.read_bytes()
    for length in range(0, len(whole) - 1, len(whole) // 23):
        with pytest.raises(DataError):
            read_text(tmp_path, whole[:length], name="cut.xlsx")


@pytest.mark.parametrize(
    "data",
    [
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 2000,
        b"PK\x03\x04" + b"x" * 500,
        make_zip({"hello.txt": b"no workbook"}),
        make_zip({"xl/workbook.xml": b"<workbook", "[Content_Types].xml": b"<"}),
        b"just text",
    ],
)
@pytest.mark.parametrize("ending", ["xlsx", "xls", "ods"])
def test_what_is_no_workbook(tmp_path, data, ending):
    with pytest.raises(DataError, match="cannot be read"):
        read_text(tmp_path, data, name=f"book.{ending}")


def test_a_damaged_sheet_inside_a_whole_archive(tmp_path):
    path = tmp_path / "book.xlsx"
    book = xlsxwriter.Workbook(str(path))
    good_sheet(book)
    book.close()
    parts = {}
    with zipfile.ZipFile(path) as archive:
        for name in archive.namelist():
            parts[name] = archive.read(name)
    sheet = parts["xl/worksheets/sheet1.xml"]
    for damage in (sheet[: len(sheet) // 2], b"", sheet.replace(b"<v>", b"<v>&nope;")):
        parts["xl/worksheets/sheet1.xml"] = damage
        try:
            read_text(tmp_path, make_zip(parts), name="damaged.xlsx")
        except OutcomesError as error:
            assert "damaged.xlsx" in str(error)


# Folders, packages, databases


def test_paths_that_leave_the_folder_are_refused(tmp_path):
    inside = tmp_path / "package"
    inside.mkdir()
    (tmp_path / "measurements.csv").write_text(f"{HEADER}\n{GOOD}\n")
    for path in ("../measurements.csv", str(tmp_path / "measurements.csv"),
                 "https://example.org/measurements.csv"):  # fmt: skip
        text = json.dumps({"resources": [{"name": "measurements", "path": path}]})
        (inside / "datapackage.json").write_text(text)
        with pytest.raises(DataError, match="must lie inside the folder"):
            read_caseload(inside)


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"resources": 3}', '{"resources": []}', '{"resources": [3]}',
     '{"resources": [{"name": "measurements"}]}', "[" * 50_000,
     '{"resources": [{"name": "measurements", "path": "gone.csv"}]}'],
)  # fmt: skip
def test_descriptors_that_are_none(tmp_path, text):
    (tmp_path / "datapackage.json").write_text(text)
    with pytest.raises(DataError, match=r"datapackage\.json"):
        read_caseload(tmp_path)


def test_databases_that_are_none(tmp_path):
    for name in ("x.sqlite", "x.duckdb"):
        (tmp_path / name).write_bytes(b"no database at all" * 100)
        with pytest.raises(DataError, match="cannot be read"):
            read_caseload(tmp_path / name)


def test_a_database_with_cells_of_mixed_kinds(tmp_path):
    connection = sqlite3.connect(tmp_path / "x.db")
    connection.execute("CREATE TABLE measurements (client, date, measure, side, value)")
    rows = [("A", "2026-01-05", "ndi", None, 20.25), (b"\xff\x00B", "2026-01-05", "ndi", "", "30"),
            (7, 46027, "ndi", None, 2**70 * 1.0), (None,) * 5]  # fmt: skip
    connection.executemany("INSERT INTO measurements VALUES (?,?,?,?,?)", rows)
    connection.commit()
    connection.close()
    caseload = read_caseload(tmp_path / "x.db")
    assert balance_faults(caseload.balance) == []
    assert caseload.measurements["value"].tolist() == [20.25, 30]


@pytest.mark.parametrize("name", ["gone.csv", "a\0b.csv", "x" * 5000, "", "measurements.docx"])
def test_sources_that_are_not_there(tmp_path, name):
    with pytest.raises(DataError):
        read_caseload(tmp_path / name if name else tmp_path)


def test_web_addresses_are_refused():
    with pytest.raises(DataError, match="not a web address"):
        read_caseload("https://example.org/measurements.csv")


def test_a_truncated_parquet_file(tmp_path):
    pd.DataFrame({"client": ["A"], "value": [1.0]}).to_parquet(tmp_path / "measurements.parquet")
    data = (tmp_path / "measurements.parquet").read_bytes()
    with pytest.raises(DataError, match="Parquet"):
        read_text(tmp_path, data[:-20], name="measurements.parquet")


# Mappings


@pytest.mark.parametrize(
    "text",
    [
        "not toml at all [",
        "[readings]\nx = 3",
        "[columns]\nclient = 3",
        '[readings.v]\nmeasure = "nothing"',
        '[readings.v]\nmeasure = "ndi"\nside = "up"\nvisit = 0\nweek = "x"',
        "[file]\nheader_row = -1\ndate_order = 'year-first'",
        "[measures.ndi]\nname='x'\nunit='x'\nmin=0\nmax=1\nbetter='lower'",
        "[measures.x]\nname='x'\nunit='x'\nmin=3\nmax=1\nbetter='sideways'",
        "[unknown]\nx = 1",
        "columns = 7",
        "[long]\nvalue = 'v'",
        "[visits]\nstart_date = 'yesterday'",
    ],
)
def test_mappings_that_are_none(tmp_path, text):
    (tmp_path / "map.toml").write_text(text)
    with pytest.raises(OutcomesError) as caught:
        read_text(tmp_path, f"{HEADER}\n{GOOD}\n", mapping=tmp_path / "map.toml")
    assert "map.toml" in str(caught.value) or "[measures." in str(caught.value)


def test_every_fault_of_a_mapping_is_listed(tmp_path):
    text = '[readings.v]\nmeasure = "ndi"\nside = "up"\ntrial = 0\n[nonsense]\n'
    (tmp_path / "map.toml").write_text(text)
    with pytest.raises(DataError, match="5 faults found"):
        read_text(tmp_path, f"{HEADER}\n{GOOD}\n", mapping=tmp_path / "map.toml")
