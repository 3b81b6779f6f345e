"""A table for print: captions, units and rounding over exact values, in four formats.

A `PaperTable` keeps for every cell the text that is printed and the exact value behind it, so that
a sentence can quote the cell and the reader can find it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html import escape

import pandas as pd

from outcomes.records.write import csv_bytes

__all__ = ["Cell", "Column", "PaperTable"]


@dataclass(frozen=True)
class Cell:
    """What is printed, and the exact value (empty for words)."""

    text: str
    value: float | None = None


@dataclass(frozen=True)
class Column:
    """Key, printed heading, and whether the column holds numbers."""

    key: str
    heading: str
    numeric: bool = False


@dataclass(frozen=True)
class PaperTable:
    """A numbered table.

    Attributes
    ----------
    number : str
        "1", "2", ...
    title : str
        Caption.
    columns : tuple of Column
    rows : tuple of dict
        Cells by column key.
    blocks : dict of int to str
        Heading printed above the row of that place (from 0): a measure, for instance.
    notes : tuple of str
        Printed below.
    """

    number: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[dict[str, Cell], ...]
    blocks: dict[int, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def caption(self) -> str:
        """Number and title."""
        return f"Table {self.number}. {self.title}"

    def cell(self, row: int, column: str) -> Cell:
        """Cell by place (from 0) and key."""
        return self.rows[row][column]

    def find(self, **where: str) -> int:
        """Place of the first row whose cells have these texts."""
        for place, row in enumerate(self.rows):
            if all(row[key].text == text for key, text in where.items()):
                return place
        raise KeyError(where)

    def to_csv(self) -> bytes:
        """Write printed texts and, for numbers, the exact value in a column beside it."""
        lines, block = [], ""
        for place, row in enumerate(self.rows):
            block = self.blocks.get(place, block)
            line: dict[str, object] = {"row": place + 1}
            if self.blocks:
                line["block"] = block
            for column in self.columns:
                cell = row[column.key]
                line[column.key] = cell.text
                if column.numeric:
                    line[f"{column.key}_exact"] = cell.value
            lines.append(line)
        return csv_bytes(pd.DataFrame(lines))

    def to_fragment(self) -> str:
        """Write the table as a piece of a page: caption, header cells with scope, notes."""
        head = "".join(
            f'<th scope="col"{_right(c.numeric)}>{escape(c.heading)}</th>' for c in self.columns
        )
        body = []
        for place, row in enumerate(self.rows):
            if place in self.blocks:
                body.append(
                    f'<tr class="block"><th scope="colgroup" colspan="{len(self.columns)}">'
                    f"{escape(self.blocks[place])}</th></tr>"
                )
            first, *rest = self.columns
            cells = f'<th scope="row">{escape(row[first.key].text)}</th>' + "".join(
                f"<td{_right(c.numeric)}>{escape(row[c.key].text)}</td>" for c in rest
            )
            body.append(f"<tr>{cells}</tr>")
        notes = "".join(f'<p class="quiet">{escape(note)}</p>' for note in self.notes)
        return (
            f'<div class="wide"><table><caption>{escape(self.caption)}</caption><thead><tr>{head}'
            f"</tr></thead><tbody>{''.join(body)}</tbody></table></div>{notes}"
        )

    def to_html(self) -> str:
        """Write the table as a self-contained page."""
        return (
            f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
            f"<title>{escape(self.caption)}</title><style>{_CSS}</style></head>"
            f"<body><main>{self.to_fragment()}</main></body></html>\n"
        )

    def to_latex(self) -> str:
        """Write a ``table`` environment; needs the packages booktabs and tabularx."""
        layout = "".join(self._latex_column(c) for c in self.columns)
        kind, width = ("tabularx", r"{\linewidth}") if "X" in layout else ("tabular", "")
        head = " & ".join(_latex(c.heading) for c in self.columns)
        body = []
        for place, row in enumerate(self.rows):
            if place in self.blocks:
                body.append(
                    rf"\multicolumn{{{len(self.columns)}}}{{l}}{{\textit{{"
                    rf"{_latex(self.blocks[place])}}}}} \\"
                )
            body.append(" & ".join(_latex(row[c.key].text) for c in self.columns) + r" \\")
        notes = "".join(
            "\n" + rf"\par\smallskip\raggedright\footnotesize {_latex(note)}" for note in self.notes
        )
        lines = [
            r"\begin{table}[htbp]",
            r"\footnotesize",
            rf"\caption{{{_latex(self.title)}}}",
            rf"\label{{tab:{self.number.lower()}}}",
            rf"\begin{{{kind}}}{width}{{@{{}}{layout}@{{}}}}",
            r"\toprule",
            head + r" \\",
            r"\midrule",
            *body,
            r"\bottomrule",
            rf"\end{{{kind}}}" + notes,
            r"\end{table}",
        ]
        return "\n".join(lines) + "\n"

    def _latex_column(self, column: Column) -> str:
        """Numbers to the right, short words to the left, long ones in lines of their own."""
        if column.numeric:
            return "r"
        longest = max((len(row[column.key].text) for row in self.rows), default=0)
        return r">{\raggedright\arraybackslash}X" if longest > 24 else "l"


def _right(numeric: bool) -> str:
    return ' class="right"' if numeric else ""


_CSS = (
    "body{font:15px/1.45 'DejaVu Sans',Arial,sans-serif;color:#1d2a35;margin:2rem}"
    "table{border-collapse:collapse;border-top:1.5px solid;border-bottom:1.5px solid}"
    "caption{text-align:left;font-weight:bold;padding:.4rem 0}"
    "th,td{padding:.25rem .7rem;text-align:left;vertical-align:top;font-weight:normal}"
    "thead th{border-bottom:1px solid;font-weight:bold;vertical-align:bottom}"
    ".right{text-align:right;white-space:nowrap}.block th{font-style:italic;padding-top:.7rem}"
    "p{font-size:13px;margin:.3rem 0;max-width:70rem}"
)

_LATEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_",
    "{": r"\{", "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "\N{MINUS SIGN}": "$-$", "\N{DEGREE SIGN}": r"$^\circ$", "\N{EN DASH}": "--",
    "\N{PLUS-MINUS SIGN}": r"$\pm$", "\N{SQUARE ROOT}": r"$\surd$", "<": "$<$", ">": "$>$",
    "\N{MULTIPLICATION SIGN}": r"$\times$", "\N{GREATER-THAN OR EQUAL TO}": r"$\geq$",
}  # fmt: skip


def _latex(text: str) -> str:
    special = "[" + re.escape("".join(_LATEX)) + "]"
    safe = re.sub(special, lambda found: _LATEX[found.group()], text)
    return "{[}" + safe[1:] if safe.startswith("[") else safe  # else an option of the row before
