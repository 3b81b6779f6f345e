"""Sentences whose numbers all come from a cell, and the list that says from which.

A number enters a paragraph only as a `Quote` of a table's cell, or as a `Setting` (a level, a seed,
a version). So a paragraph cannot disagree with its tables, and a reviewer can look every number up.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from outcomes.reporting.case_series.paper_table import PaperTable

__all__ = ["Paragraph", "Quote", "Setting"]


@dataclass(frozen=True)
class Quote:
    """The printed text of one cell."""

    table: PaperTable
    row: int
    column: str

    @property
    def text(self) -> str:
        """What the table prints."""
        return self.table.cell(self.row, self.column).text

    @property
    def source(self) -> dict[str, object]:
        """Where it stands."""
        heading = next(c.heading for c in self.table.columns if c.key == self.column)
        return {
            "table": f"Table {self.table.number}",
            "row": self.row + 1,
            "column": heading,
            "exact": self.table.cell(self.row, self.column).value,
        }


@dataclass(frozen=True)
class Setting:
    """A number that is not a result: a level, a count of simulations, a seed, a version."""

    text: str
    what: str

    @property
    def source(self) -> dict[str, object]:
        """What it is."""
        return {"table": self.what, "row": None, "column": "", "exact": None}


@dataclass
class Paragraph:
    """Sentences in order, with the source of every number in them.

    Examples
    --------
    >>> paragraph = Paragraph("methods")
    >>> paragraph.add("Intervals are at {level}.", level=Setting("95%", "confidence"))
    >>> paragraph.text, paragraph.numbers["table"].tolist()
    ('Intervals are at 95%.', ['confidence'])
    """

    name: str
    sentences: list[str] = field(default_factory=list)
    found: list[dict[str, object]] = field(default_factory=list)
    starts: list[int] = field(default_factory=lambda: [0])

    def start_part(self) -> None:
        """Begin a new part: the next sentence starts a line of its own."""
        if len(self.sentences) > self.starts[-1]:
            self.starts.append(len(self.sentences))

    def add(self, sentence: str, **numbers: Quote | Setting) -> None:
        """Append a sentence; ``{name}`` stands for the number of that name."""
        self.sentences.append(
            sentence.format(**{name: number.text for name, number in numbers.items()})
        )
        for number in numbers.values():
            self.found.append(
                {
                    "paragraph": self.name,
                    "sentence": len(self.sentences),
                    "shown": number.text,
                    **number.source,
                }
            )

    @property
    def parts(self) -> list[str]:
        """The text, part by part."""
        ends = [*self.starts[1:], len(self.sentences)]
        return [
            " ".join(self.sentences[a:b]) for a, b in zip(self.starts, ends, strict=True) if b > a
        ]

    @property
    def text(self) -> str:
        """The whole text, parts apart by an empty line."""
        return "\n\n".join(self.parts)

    @property
    def numbers(self) -> pd.DataFrame:
        """One row per number: paragraph, sentence, shown, table, row, column, exact."""
        columns = ["paragraph", "sentence", "shown", "table", "row", "column", "exact"]
        return pd.DataFrame(self.found, columns=columns).astype({"row": "Int64"})
