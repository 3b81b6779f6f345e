"""Figures as files: vector with letters embedded, and 600 dots an inch in greys."""

from __future__ import annotations

import io
from collections.abc import Iterable
from html import escape
from pathlib import Path

from matplotlib.figure import Figure

from outcomes.records.write import write_atomically
from outcomes.reporting.case_series.figure_style import WIDTHS, PaperFigure, paper_style

__all__ = ["DPI", "export_figure", "raster", "to_pdf", "to_svg"]

DPI = 600


def export_figure(
    figure: PaperFigure, folder: Path, *, widths: Iterable[str] = tuple(WIDTHS)
) -> list[Path]:
    """Write a figure at the widths of one and two columns as PDF, SVG, PNG and TIFF.

    Returns
    -------
    list of Path
        ``NAME_WIDTH.ending`` for each width and format.
    """
    written = []
    for width in widths:
        with paper_style():
            drawn = figure.draw(WIDTHS[width])
            parts = {
                ".pdf": to_pdf(drawn, title=figure.caption, alt=figure.alt),
                ".svg": to_svg(drawn, title=figure.caption, alt=figure.alt),
            }
            png, tiff = raster(drawn)
        for ending, data in {**parts, ".png": png, ".tiff": tiff}.items():
            written.append(write_atomically(folder / f"{figure.name}_{width}{ending}", data))
    return written


def to_pdf(figure: Figure, *, title: str, alt: str) -> bytes:
    """Write a PDF with embedded TrueType letters; the alternative text is its subject."""
    store = io.BytesIO()
    figure.savefig(
        store,
        format="pdf",
        metadata={"Title": title, "Subject": alt, "Creator": None, "CreationDate": None},
    )
    return store.getvalue()


def to_svg(figure: Figure, *, title: str, alt: str) -> bytes:
    """Write an SVG with letters as outlines, its title and description for screen readers."""
    store = io.StringIO()
    figure.savefig(store, format="svg", metadata={"Date": None, "Creator": None})
    text = store.getvalue()
    start = text.index("<svg")
    end = text.index(">", start)
    words = f"<title>{escape(title)}</title><desc>{escape(alt)}</desc>"
    return (text[:end] + ' role="img">' + words + text[end + 1 :]).encode()


def raster(figure: Figure, *, dpi: int = DPI) -> tuple[bytes, bytes]:
    """Write PNG and TIFF (LZW) in 8-bit greys from one drawing."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    picture = Image.fromarray(_grey(canvas))
    out = []
    for kind, extra in (("PNG", {"compress_level": 3}), ("TIFF", {"compression": "tiff_lzw"})):
        store = io.BytesIO()
        picture.save(store, format=kind, dpi=(dpi, dpi), **extra)
        out.append(store.getvalue())
    return out[0], out[1]


def _grey(canvas):  # noqa: ANN001, ANN202
    """Luminance of what was drawn; the figures hold greys only, so one channel is enough."""
    import numpy as np

    return np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[:, :, 0])
