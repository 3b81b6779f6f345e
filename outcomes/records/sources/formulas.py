"""Formula cells of XLSX workbooks that hold no stored result.

A workbook written by a program, not by a spreadsheet, may hold formulas that nobody computed. A
reader sees blank cells. They are found in the sheet's XML by pattern, without parsing it.
"""

from __future__ import annotations

import io
import re
import zipfile
from html import unescape

__all__ = ["rows_of_formulas_without_result"]

_SHEET = re.compile(rb"<(?:\w+:)?sheet\b[^>]*>")
_RELATION = re.compile(rb"<(?:\w+:)?Relationship\b[^>]*>")
_ATTRIBUTE = re.compile(rb"([\w:]+)\s*=\s*[\"']([^\"']*)[\"']")
_CELL = re.compile(
    rb"<c\b[^>]*?\br=\"[A-Z]+(\d+)\"[^>]*><f\b[^>]*(?:/>|>[^<]*</f>)(?:<v\s*/>|<v></v>)?</c>"
)
_MOST_BYTES = 2**28


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
