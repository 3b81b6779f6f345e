"""A look into the XML of a workbook before it is read, by pattern, without parsing it.

Two things a reader of cells cannot tell: formulas without a stored result, which look like blank
cells; and filled cells so far out that the sheet, laid out whole, would not fit into memory.
"""

from __future__ import annotations

import io
import re
import zipfile
from html import unescape

__all__ = ["largest_sheet", "rows_of_formulas_without_result"]

_SHEET = re.compile(rb"<(?:\w+:)?sheet\b[^>]*>")
_RELATION = re.compile(rb"<(?:\w+:)?Relationship\b[^>]*>")
_ATTRIBUTE = re.compile(rb"([\w:]+)\s*=\s*[\"']([^\"']*)[\"']")
_CELL = re.compile(
    rb"<c\b[^>]*?\br=\"[A-Z]+(\d+)\"[^>]*><f\b[^>]*(?:/>|>[^<]*</f>)(?:<v\s*/>|<v></v>)?</c>"
)
_FILLED = re.compile(rb"<c\b[^>]*?\br=\"([A-Z]{1,3})(\d{1,7})\"[^>/]*>")
_FAR_COLUMN = re.compile(rb"<c\b[^>]*?\br=\"[A-Z]{3}\d")
_ROW = re.compile(rb"<row\b[^>]*?\br=\"(\d{1,7})\"")
_REPEATED = re.compile(
    rb"<table:table-(?:row|cell)\b[^>]*?repeated=\"(\d+)\"[^>/]*>(?=[^<]*<(?:table:table-cell|text:p))"
)
_MOST_BYTES = 2**28


def largest_sheet(data: bytes, *, enough: int) -> int:
    """Give the cells that the largest sheet would take when laid out, as far as above `enough`.

    The figure is exact only above `enough`; below, it is 0.
    """
    if not data.startswith(b"PK"):
        return 0
    most = 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for item in archive.infolist():
                if item.filename == "content.xml":
                    most = max(most, _repeated_cells(archive.read(item)))
                elif item.filename.startswith("xl/worksheets/"):
                    most = max(most, _far_cells(archive.read(item), enough))
    except (zipfile.BadZipFile, KeyError, OSError, RuntimeError, EOFError, ValueError):
        return most
    return most if most > enough else 0


def _far_cells(text: bytes, enough: int) -> int:
    """Rows times columns of the filled cells of one XLSX sheet; 0 if clearly small."""
    rows = max((int(row) for row in _ROW.findall(text)), default=0)
    if rows * (16384 if _FAR_COLUMN.search(text) else 702) <= enough:
        return 0
    deepest = widest = 0
    for column, row in _FILLED.findall(text):
        deepest = max(deepest, int(row))
        number = 0
        for letter in column:
            number = number * 26 + letter - 64
        widest = max(widest, number)
    return deepest * widest


def _repeated_cells(text: bytes) -> int:
    """Give the product of the largest repeats of filled rows and cells of an ODS file."""
    repeats = sorted((int(count) for count in _REPEATED.findall(text)), reverse=True)
    return repeats[0] * (repeats[1] if len(repeats) > 1 else 1) if repeats else 0


def rows_of_formulas_without_result(data: bytes) -> dict[str, list[int]]:
    """Give the rows of such cells, by sheet; empty for other kinds of workbook."""
    if not data.startswith(b"PK"):
        return {}
    found: dict[str, list[int]] = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for name, part in _sheet_parts(archive).items():
                if archive.getinfo(part).file_size > _MOST_BYTES:
                    continue
                text = archive.read(part)
                if b"<f" in text:
                    rows = sorted({int(row) for row in _CELL.findall(text)})
                    if rows:
                        found[name] = rows
    except (zipfile.BadZipFile, KeyError, OSError, RuntimeError, EOFError, ValueError):
        return found
    return found


def _sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """Give the file inside the archive of each sheet."""
    if "xl/workbook.xml" not in archive.namelist():
        return {}
    targets = {}
    for tag in _RELATION.findall(archive.read("xl/_rels/workbook.xml.rels")):
        about = dict(_ATTRIBUTE.findall(tag))
        target = about.get(b"Target", b"").decode("utf-8", errors="replace")
        place = target.removeprefix("/") if target.startswith("/") else f"xl/{target}"
        targets[about.get(b"Id", b"")] = place
    parts = {}
    for tag in _SHEET.findall(archive.read("xl/workbook.xml")):
        about = dict(_ATTRIBUTE.findall(tag))
        name = unescape(about.get(b"name", b"").decode("utf-8", errors="replace"))
        part = targets.get(about.get(b"r:id", b""), "")
        if part in archive.namelist():
            parts[name] = part
    return parts
