"""A drawn figure together with the words for those who cannot see it."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from outcomes.errors import ArgumentError

if TYPE_CHECKING:  # commands write pages without drawing: do not load the drawing for them
    from matplotlib.figure import Figure

__all__ = ["Gallery", "Html", "Picture"]

#: Marks in one picture beyond which they are drawn as dots, and dots an inch.
_CROWD, _DOTS = 400, 120


@dataclass(frozen=True)
class Html:
    """A piece of page that shows itself in a notebook."""

    text: str

    def _repr_html_(self) -> str:
        return self.text

    def __add__(self, other: Html) -> Html:
        return Html(self.text + other.text)


@dataclass(frozen=True)
class Picture:
    """A figure as scalable vector graphics, with alternative text and a caption.

    Attributes
    ----------
    svg : str
        The drawing, without scripts or outside references.
    alt : str
        What the figure shows, in words and numbers.
    caption : str
        How to read it.
    """

    svg: str
    alt: str
    caption: str = ""

    @classmethod
    def of(cls, figure: Figure, *, alt: str, caption: str = "") -> Picture:
        """Render a matplotlib figure.

        Raises
        ------
        ArgumentError
            If `alt` is empty: a figure without words is not finished.
        """
        if not alt.strip():
            raise ArgumentError("alt must say what the figure shows, got ''. Give a sentence.")
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        from outcomes.reporting.style import house_style

        store = io.StringIO()
        _dots_for_crowds(figure)
        with house_style():
            # savefig draws twice, first to lay out; the canvas lays out as it draws
            FigureCanvasSVG(figure).print_svg(store, metadata={"Date": None, "Creator": None})
        return cls(svg=_compact(store.getvalue()), alt=alt, caption=caption)

    def _repr_html_(self) -> str:
        code = base64.b64encode(self.svg.encode()).decode()
        words = f"<figcaption>{escape(self.caption)}</figcaption>" if self.caption else ""
        return (
            f'<figure><img alt="{escape(self.alt, quote=True)}" '
            f'src="data:image/svg+xml;base64,{code}">{words}</figure>'
        )


@dataclass(frozen=True)
class Gallery:
    """Several pictures in one row that wraps on narrow screens."""

    pictures: tuple[Picture, ...]

    def _repr_html_(self) -> str:
        return '<div class="gallery">' + "".join(p._repr_html_() for p in self.pictures) + "</div>"


def _dots_for_crowds(figure: Figure) -> None:
    """Draw marks in their hundreds as dots of a picture; text, axes and lines stay sharp."""
    for axes in figure.axes:
        sizes = [np.shape(marks.get_offsets())[0] for marks in axes.collections]
        if sum(sizes) > _CROWD:
            figure.set_dpi(_DOTS)
            for marks, size in zip(axes.collections, sizes, strict=True):
                marks.set_rasterized(size > 1)


def _compact(svg: str) -> str:
    """Drop the preamble and blanks that only make the file longer."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    return re.sub(r">\s+<", "><", svg)
