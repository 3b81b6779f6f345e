"""Parts of the page of evidence, each written once and rendered as HTML and as Markdown."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any

import pandas as pd

from outcomes.reporting.document import frame_page
from outcomes.reporting.picture import Picture
from outcomes.reporting.tables import table

__all__ = ["Answers", "Block", "Drawing", "Heading", "Table", "Text", "as_markdown", "as_page"]


@dataclass(frozen=True)
class Heading:
    """A heading of level 1 to 3."""

    words: str
    level: int = 2

    def html(self) -> str:
        return f"<h{self.level}>{escape(self.words)}</h{self.level}>"

    def markdown(self) -> str:
        return f"{'#' * self.level} {self.words}"


@dataclass(frozen=True)
class Text:
    """A paragraph; `kind` is one of the page's classes, or empty."""

    words: str
    kind: str = ""

    def html(self) -> str:
        return f"<p{_class(self.kind)}>{_inline(self.words)}</p>"

    def markdown(self) -> str:
        return self.words


@dataclass(frozen=True)
class Answers:
    """The first screen: question, short answer, one sentence of detail."""

    rows: tuple[tuple[str, str, str], ...]

    def html(self) -> str:
        boxes = "".join(
            f'<section><h3>{escape(question)}</h3><p class="lead">{escape(answer)}</p>'
            f"<p>{escape(detail)}</p></section>"
            for question, answer, detail in self.rows
        )
        return f'<div class="answers">{boxes}</div>'

    def markdown(self) -> str:
        return "\n".join(f"- **{q}** {a} {d}" for q, a, d in self.rows)


@dataclass(frozen=True)
class Table:
    """A table; `folded` is the line that unfolds it on the page, where it starts closed.

    Folded tables are on the page only: the Markdown version is the short one.
    """

    frame: pd.DataFrame
    columns: Mapping[str, Any]
    caption: str
    folded: str = ""
    empty: str = "Nothing to show."

    def html(self) -> str:
        text = table(self.frame, self.columns, caption=self.caption, empty=self.empty).text
        if not self.folded:
            return text
        return f"<details><summary>{escape(self.folded)}</summary>{text}</details>"

    def markdown(self) -> str:
        if self.folded:
            return ""
        if self.frame.empty:
            return f"{self.caption}: {self.empty}"
        heads, cells = [], []
        for name, spec in self.columns.items():
            heading, form = spec if isinstance(spec, tuple) else (spec, str)
            heads.append(heading)
            cells.append([form(value).replace("|", "/") for value in self.frame[name]])
        lines = [heads, ["---"] * len(heads), *zip(*cells, strict=True)]
        return f"**{self.caption}**\n\n" + "\n".join(f"| {' | '.join(line)} |" for line in lines)


@dataclass(frozen=True)
class Drawing:
    """A figure; Markdown gives its words."""

    picture: Picture = field(repr=False)

    def html(self) -> str:
        return self.picture._repr_html_()

    def markdown(self) -> str:
        return f"*Figure: {self.picture.alt}*"


Block = Heading | Text | Answers | Table | Drawing


def as_page(blocks: list[Block], *, title: str) -> str:
    """Write the blocks as one self-contained page."""
    return frame_page("".join(block.html() for block in blocks), title=title)


def as_markdown(blocks: list[Block]) -> str:
    """Write the blocks as Markdown, without what is folded on the page."""
    parts = [block.markdown() for block in blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


def _inline(words: str) -> str:
    """Escape a paragraph; `code` and **strong** are kept."""
    text = re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(words))
    return re.sub(r"\*\*([^*]+)\*\*", r"<strong>\1</strong>", text)
