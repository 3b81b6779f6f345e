"""Word documents: real tables with heading rows, captions, figures with alternative text."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

from outcomes.errors import MissingExtraError
from outcomes.reporting.case_series.paper_table import PaperTable

__all__ = ["Document"]

_PURPOSE = "Writing Word documents"


@dataclass
class Document:
    """A Word document that is built from the top down.

    Headings, paragraphs, tables and figures are added in order; `to_bytes` gives the file. Pages
    are A4; `landscape` starts a section that lies on its side, for wide tables.
    """

    title: str
    _word: Any = field(init=False, repr=False)

    def __post_init__(self) -> None:
        try:
            import docx
        except ImportError:
            raise MissingExtraError(_PURPOSE, "documents") from None
        from docx.shared import Mm, Pt, RGBColor

        self._word = docx.Document()
        self._word.core_properties.title = self.title
        self._word.core_properties.author = ""
        self._word.core_properties.comments = ""
        section = self._word.sections[0]
        _page(section, Mm(210), Mm(297), Mm(22))
        normal = self._word.styles["Normal"]
        normal.font.name, normal.font.size = "Liberation Sans", Pt(10)
        normal.paragraph_format.space_after = Pt(6)
        normal.paragraph_format.line_spacing = 1.15
        for name, size in (("Title", 18), ("Heading 1", 13), ("Heading 2", 11)):
            style = self._word.styles[name]
            style.font.name, style.font.size, style.font.bold = "Liberation Sans", Pt(size), True
            style.font.color.rgb = RGBColor(0, 0, 0)
            _plain_fonts(style)
            _no_rule(style)
        _plain_fonts(normal)
        self.heading(self.title, level=0)

    def heading(self, text: str, *, level: int = 1) -> None:
        """Add a heading."""
        self._word.add_heading(text, level=level)

    def text(self, text: str, *, small: bool = False, italic: bool = False) -> None:
        """Add a paragraph."""
        from docx.shared import Pt

        run = self._word.add_paragraph().add_run(text)
        run.italic = italic
        if small:
            run.font.size = Pt(8.5)

    def landscape(self, on: bool = True) -> None:
        """Start a section on its side, or upright again."""
        from docx.enum.section import WD_ORIENT, WD_SECTION
        from docx.shared import Mm

        section = self._word.add_section(WD_SECTION.NEW_PAGE)
        section.orientation = WD_ORIENT.LANDSCAPE if on else WD_ORIENT.PORTRAIT
        width, height = (Mm(297), Mm(210)) if on else (Mm(210), Mm(297))
        _page(section, width, height, Mm(20) if on else Mm(22))

    def table(self, table: PaperTable, *, widths: tuple[float, ...] = ()) -> None:
        """Add a table: caption above, heading row repeated on each page, notes below.

        Parameters
        ----------
        table : PaperTable
        widths : tuple of float
            Shares of the text width per column; equal where empty.
        """
        from docx.enum.table import WD_TABLE_ALIGNMENT
        from docx.enum.text import WD_ALIGN_PARAGRAPH
        from docx.shared import Emu, Pt

        caption = self._word.add_paragraph()
        caption.add_run(f"Table {table.number}. ").bold = True
        caption.add_run(table.title)
        caption.paragraph_format.keep_with_next = True
        caption.paragraph_format.space_after = Pt(3)
        section = self._word.sections[-1]
        space = section.page_width - section.left_margin - section.right_margin
        shares = widths or tuple(1 / len(table.columns) for _ in table.columns)
        grid = self._word.add_table(rows=0, cols=len(table.columns))
        grid.alignment = WD_TABLE_ALIGNMENT.CENTER
        grid.autofit = False
        head = grid.add_row()
        _repeat(head)
        _fill(head, [c.heading for c in table.columns], table, bold=True)
        _border(head, "top", 8)
        _border(head, "bottom", 4)
        last = head
        for place, row in enumerate(table.rows):
            if place in table.blocks:
                line = grid.add_row()
                cell = line.cells[0].merge(line.cells[-1])
                paragraph = cell.paragraphs[0]
                paragraph.add_run(table.blocks[place]).italic = True
                _tight(paragraph, before=4, keep=True)
                _whole(line)
            last = grid.add_row()
            texts = [row[c.key].text for c in table.columns]
            _fill(last, texts, table, keep=place < 2 and place < len(table.rows) - 1)
            _whole(last)
        _border(last, "bottom", 8)
        for share, column in zip(shares, grid.columns, strict=True):
            width = Emu(int(space * share / sum(shares)))
            column.width = width
            for cell in column.cells:
                cell.width = width
        for note in table.notes:
            paragraph = self._word.add_paragraph()
            paragraph.add_run(note).font.size = Pt(8)
            paragraph.paragraph_format.space_before = Pt(2)
            paragraph.paragraph_format.space_after = Pt(0)
            paragraph.alignment = WD_ALIGN_PARAGRAPH.LEFT
        self._word.add_paragraph()

    def figure(self, png: bytes, *, caption: str, alt: str, millimetres: float) -> None:
        """Add a figure with its caption below and its alternative text."""
        from docx.shared import Mm, Pt

        paragraph = self._word.add_paragraph()
        paragraph.paragraph_format.keep_with_next = True
        shape = paragraph.add_run().add_picture(io.BytesIO(png), width=Mm(millimetres))
        shape._inline.docPr.set("descr", alt)
        words = self._word.add_paragraph()
        number, _, rest = caption.partition(". ")
        words.add_run(f"{number}. ").bold = True
        words.add_run(rest)
        for run in words.runs:
            run.font.size = Pt(9)
        words.paragraph_format.space_after = Pt(12)

    def to_bytes(self) -> bytes:
        """Give the file."""
        store = io.BytesIO()
        self._word.save(store)
        return store.getvalue()


def _page(section: Any, width: Any, height: Any, margin: Any) -> None:
    section.page_width, section.page_height = width, height
    section.left_margin = section.right_margin = margin
    section.top_margin = section.bottom_margin = margin


def _plain_fonts(style: Any) -> None:
    """Take the theme's fonts away, which would win over the named one."""
    from docx.oxml.ns import qn

    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for name in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
        fonts.attrib.pop(qn(f"w:{name}"), None)
    for name in ("ascii", "hAnsi", "cs"):
        fonts.set(qn(f"w:{name}"), "Liberation Sans")


def _no_rule(style: Any) -> None:
    """Take away the coloured rule under a title."""
    from docx.oxml.ns import qn

    properties = style.element.get_or_add_pPr()
    for rule in properties.findall(qn("w:pBdr")):
        properties.remove(rule)


def _fill(
    row: Any, texts: list[str], table: PaperTable, *, bold: bool = False, keep: bool = False
) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Pt

    for cell, text, column in zip(row.cells, texts, table.columns, strict=True):
        paragraph = cell.paragraphs[0]
        run = paragraph.add_run(text or "\N{NO-BREAK SPACE}")
        run.font.size, run.bold = Pt(8.5), bold
        _tight(paragraph, before=1, keep=bold or keep)
        if column.numeric:
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT


def _tight(paragraph: Any, *, before: float, keep: bool) -> None:
    from docx.shared import Pt

    paragraph.paragraph_format.space_before = Pt(before)
    paragraph.paragraph_format.space_after = Pt(1)
    paragraph.paragraph_format.line_spacing = 1.0
    paragraph.paragraph_format.keep_with_next = keep
    for run in paragraph.runs:
        run.font.size = Pt(8.5)


def _repeat(row: Any) -> None:
    from docx.oxml import OxmlElement

    row._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))
    _whole(row)


def _whole(row: Any) -> None:
    """Do not let a row break over two pages."""
    from docx.oxml import OxmlElement

    row._tr.get_or_add_trPr().append(OxmlElement("w:cantSplit"))


def _border(row: Any, side: str, eighths: int) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    for cell in row.cells:
        properties = cell._tc.get_or_add_tcPr()
        borders = properties.find(qn("w:tcBorders"))
        if borders is None:
            borders = OxmlElement("w:tcBorders")
            properties.append(borders)
        line = OxmlElement(f"w:{side}")
        for name, value in (("val", "single"), ("sz", str(eighths)), ("color", "000000")):
            line.set(qn(f"w:{name}"), value)
        borders.append(line)
