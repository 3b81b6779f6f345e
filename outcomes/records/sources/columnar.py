"""Tables that come typed (Parquet, databases), written as text that can be read one way only."""

from __future__ import annotations

import io

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as parquet

from outcomes.errors import DataError
from outcomes.records.sources.raw import RawTable, build_raw, digest

__all__ = ["from_arrow", "read_parquet"]


def read_parquet(data: bytes, *, name: str, file: str) -> RawTable:
    """Read a Parquet file.

    Raises
    ------
    DataError
        If it cannot be read or has columns that are no plain cells.
    """
    try:
        table = parquet.read_table(io.BytesIO(data))
    except (pa.ArrowException, OSError, ValueError):
        raise DataError(
            f"{file}: the Parquet file cannot be read; it is damaged. Export it again."
        ) from None
    return from_arrow(table, name=name, file=file, sha256=digest(data), first_row=1)


def from_arrow(
    table: pa.Table, *, name: str, file: str, sha256: str, first_row: int = 1
) -> RawTable:
    """Turn an Arrow table into a raw table; rows are counted from `first_row`."""
    nested = [field.name for field in table.schema if pa.types.is_nested(field.type)]
    if nested:
        raise DataError(
            f"{file}: table {name} must have plain cells; columns {', '.join(nested)} hold lists "
            "or records. Leave them out, or spread them over columns."
        )
    columns = [_text(table.column(i)).to_pandas() for i in range(table.num_columns)]
    rows = np.arange(first_row, first_row + table.num_rows)
    headers = [str(header) for header in table.column_names]
    return build_raw(columns, headers, rows, name=name, file=file, sha256=sha256)


def _text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_timestamp(kind):
        # The wall clock of the zone that the column names; without one, as it stands.
        local = pc.call_function("local_timestamp", [column]) if kind.tz else column
        form = pc.StrftimeOptions(format="%Y-%m-%d %H:%M:%S")
        return pc.call_function("strftime", [local], form).cast(pa.string())
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return _plain_numbers(column.cast(pa.float64()))
    try:
        return column.cast(pa.string())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return pa.chunked_array([[None if v is None else "unreadable" for v in column.to_pylist()]])


def _plain_numbers(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write numbers without exponents, and never with exactly three decimals."""
    cells = []
    for value in column.to_pylist():
        if value is None or value != value:
            cells.append(None)
        elif float(value).is_integer() and abs(value) < 1e15:
            cells.append(str(int(value)))
        else:
            text = np.format_float_positional(value, trim="-")
            decimals = len(text.partition(".")[2])
            cells.append(text + "0" if decimals == 3 else text)
    return pa.chunked_array([pa.array(cells, type=pa.string())])
