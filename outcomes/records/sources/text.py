"""Delimited text: CSV and TSV of any common encoding and delimiter.

The encoding is found by a ladder, not guessed by letter statistics, which go wrong on short
files: a byte-order mark; UTF-16 without a mark (every other byte is zero); UTF-8; and, byte by
byte where UTF-8 fails, Windows-1252. A mapping or a data package may name the encoding instead.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as arrow_csv

from outcomes.errors import DataError
from outcomes.records.sources.raw import FileSettings, RawTable, Remark, build_raw, digest

__all__ = ["decode", "find_delimiter", "read_text"]

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_DELIMITERS = (",", ";", "\t", "|")
_BLOCK = 32 * 2**20


def _as_windows_1252(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeDecodeError):
        raise error
    bad = error.object[error.start : error.end]
    return bad.decode("cp1252", errors="replace"), error.end


codecs.register_error("outcomes_windows_1252", _as_windows_1252)


def decode(data: bytes, encoding: str | None = None) -> tuple[str, list[Remark]]:
    """Turn the bytes of a text file into text.

    Returns
    -------
    text : str
    remarks : list of Remark
        What a person should look at: bytes that fit no encoding, mixed encodings, NUL bytes.

    Raises
    ------
    DataError
        If the encoding asked for is unknown, or does not fit.
    """
    remarks: list[Remark] = []
    if encoding:
        try:
            text = data.decode(encoding)
        except LookupError:
            raise DataError(
                f"encoding {encoding!r} must be one that Python knows. Give, for example, "
                "'utf-8', 'cp1252' or 'mac-roman' in the mapping."
            ) from None
        except UnicodeDecodeError:
            raise DataError(
                f"the file must be written in the encoding {encoding!r} that the mapping gives, "
                "and is not. Correct it, or leave it out."
            ) from None
    else:
        text = _climb(data, remarks)
    if "\x00" in text:
        remarks.append(Remark("NUL bytes in the file", "NUL bytes were left out; check the export"))
        text = text.replace("\x00", "")
    return text, remarks


def _climb(data: bytes, remarks: list[Remark]) -> str:
    for mark, name in _MARKS:
        if data.startswith(mark):
            try:
                return data.decode(name)
            except UnicodeDecodeError:
                break
    head = data[:4096]
    if len(head) >= 4 and b"\x00" in head:
        for name, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
            if zeros.count(0) > 0.6 * len(zeros):
                try:
                    return data.decode(name)
                except UnicodeDecodeError:
                    continue
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    text = data.decode("utf-8", errors="outcomes_windows_1252")
    by_byte = data.decode("cp1252", errors="replace")
    if "\ufffd" in text:
        reason = "some bytes fit no encoding; name the encoding in the mapping ([file] encoding)"
        remarks.append(Remark("unreadable letters", reason))
    if text != by_byte and not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        reason = "UTF-8 and Windows-1252 stand in one file; each byte was read as what it can be"
        remarks.append(Remark("mixed encodings", reason))
    return text.removeprefix("\ufeff")


def find_delimiter(text: str) -> str:
    r"""Find the delimiter: the one that cuts the first lines into most, and evenly many, cells.

    Examples
    --------
    >>> find_delimiter("a;b;c\n1,5;2;3\n")
    ';'
    """
    lines = text[:65536].splitlines()[:60]
    if lines and lines[0].lower().startswith("sep=") and len(lines[0]) == 5:
        return lines[0][4]
    best, best_score = ",", (0.0, 0)
    for delimiter in _DELIMITERS:
        try:
            rows = [row for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            continue
        if not rows or len(rows[0]) < 2:
            continue
        widths = Counter(len(row) for row in rows)
        even = widths[len(rows[0])] / len(rows)
        score = (round(even, 1), len(rows[0]))
        if score > best_score:
            best, best_score = delimiter, score
    return best


def read_text(data: bytes, *, name: str, file: str, settings: FileSettings) -> RawTable:
    """Read delimited text into a raw table.

    Raises
    ------
    DataError
        If it is not text, has no header, or the encoding asked for does not fit.
    """
    text, remarks = decode(data, settings.encoding)
    delimiter = settings.delimiter or find_delimiter(text)
    if len(delimiter) != 1 or delimiter in '"\r\n':
        raise DataError(f"{file}: delimiter must be one character. Correct [file] delimiter.")
    sha256 = digest(data)
    skip = settings.header_row - 1
    if text[:4].lower() == "sep=" and text[4:5] == delimiter:
        skip += 1
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    header, first = _read_header(text, delimiter, skip, file)
    columns, rows, torn = _read_cells(text, delimiter, len(header), first)
    return build_raw(
        columns,
        header,
        rows,
        name=name,
        file=file,
        sha256=sha256,
        torn=torn,
        remarks=remarks,
    )


def _read_header(text: str, delimiter: str, skip: int, file: str) -> tuple[list[str], int]:
    """Give the header cells and the number of the record that holds them (from 1)."""
    try:
        reader = csv.reader(io.StringIO(text[: 2**22], newline=""), delimiter=delimiter)
        for number, record in enumerate(reader, start=1):
            if number <= skip or not any(cell.strip() for cell in record):
                continue
            return record, number
    except csv.Error:
        raise DataError(f"{file}: the header cannot be read. Save it again as CSV.") from None
    raise DataError(f"{file}: the file holds no header. Give a file with a row of column names.")


def _read_cells(
    text: str, delimiter: str, width: int, first: int
) -> tuple[list[pd.Series], np.ndarray, pd.DataFrame]:
    """Read all records below the header as text; `first` is the header's record number."""
    torn: list[tuple[int, str]] = []
    try:
        return _read_with_arrow(text, delimiter, width, first)
    except (pa.ArrowInvalid, pa.ArrowCapacityError, OverflowError):
        pass
    # Quotes that never close, records longer than a block: the slow, forgiving reader.
    previous = csv.field_size_limit(2**31 - 1)
    records: list[list[str]] = []
    numbers: list[int] = []
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        for number, record in enumerate(reader, start=1):
            if number > first:
                _place(record, number, width, records, numbers, torn)
    except csv.Error:
        torn.append((len(records) + first + 1, "the text from here on cannot be cut into cells"))
    finally:
        csv.field_size_limit(previous)
    columns = [pd.Series([r[i] for r in records], dtype="str") for i in range(width)]
    return columns, np.array(numbers, dtype=np.int64), _torn_frame(torn)


def _read_with_arrow(
    text: str, delimiter: str, width: int, first: int
) -> tuple[list[pd.Series], np.ndarray, pd.DataFrame]:
    misfits: list[tuple[int, str]] = []

    def keep(row: arrow_csv.InvalidRow) -> str:
        misfits.append((row.number, row.text))
        return "skip"

    names = [f"c{i}" for i in range(width)]
    table = arrow_csv.read_csv(
        pa.BufferReader(text.encode("utf-8", errors="replace")),
        read_options=arrow_csv.ReadOptions(
            use_threads=False, column_names=names, block_size=_BLOCK
        ),
        parse_options=arrow_csv.ParseOptions(
            delimiter=delimiter,
            newlines_in_values=True,
            ignore_empty_lines=False,
            invalid_row_handler=keep,
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()),
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
        ),
    )
    total = table.num_rows + len(misfits)
    regular = np.ones(total + 1, dtype=bool)
    regular[[number for number, _ in misfits]] = False
    numbers = np.flatnonzero(regular)[1:]
    below = numbers > first
    start = int((~below).sum())
    columns = [
        pd.Series(table.column(i).slice(start).combine_chunks(), dtype="str") for i in range(width)
    ]
    numbers = numbers[below]

    torn: list[tuple[int, str]] = []
    records: list[list[str]] = []
    places: list[int] = []
    for number, line in misfits:
        if number > first:
            record = next(csv.reader(io.StringIO(line, newline=""), delimiter=delimiter), [])
            _place(record, number, width, records, places, torn)
    if records:
        numbers = np.concatenate([numbers, np.array(places, dtype=np.int64)])
        order = np.argsort(numbers, kind="stable")
        numbers = numbers[order]
        for i in range(width):
            extra = pd.Series([record[i] for record in records], dtype="str")
            columns[i] = pd.concat([columns[i], extra], ignore_index=True).iloc[order]
            columns[i] = columns[i].reset_index(drop=True)
    return columns, numbers, _torn_frame(torn)


def _place(
    record: list[str],
    number: int,
    width: int,
    records: list[list[str]],
    numbers: list[int],
    torn: list[tuple[int, str]],
) -> None:
    """Keep a record: short ones are filled up, surplus cells must be blank, others are torn."""
    surplus = record[width:]
    if any(cell.strip() for cell in surplus):
        torn.append((number, f"{len(record)} cells under a header of {width}"))
        return
    if len(record) < width and any(cell.strip() for cell in record):
        missing = width - len(record)
        if missing > width // 2 and width > 3:
            torn.append((number, f"{len(record)} cells under a header of {width}"))
            return
    records.append((record + [""] * width)[:width])
    numbers.append(number)


def _torn_frame(torn: list[tuple[int, str]]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source_row": pd.array([number for number, _ in torn], dtype="Int64"),
            "reason": pd.Series([reason for _, reason in torn], dtype="str"),
        }
    )
