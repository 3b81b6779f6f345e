"""The look of every figure and page: colours, type, sizes.

The colours are told apart by people with any common colour blindness and stay apart in grey, and
no meaning rests on colour alone: figures add markers, line styles and words. There is no red, amber
and green: a decline is marked by shape and position.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

__all__ = ["BAND", "BLUE", "CLAY", "FAINT", "INK", "PAPER", "QUIET", "house_style", "new_figure"]

INK = "#1d2a35"  # text and the main line
QUIET = "#5b6975"  # labels, secondary text: 5.7:1 on white
FAINT = "#c9d0d6"  # rules
BAND = "#e4e9ed"  # the zone of measurement error
PAPER = "#ffffff"
BLUE = "#1464a0"  # gain
CLAY = "#a8480c"  # decline, and what asks for attention

_STYLE: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.5,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 10,
    "axes.labelsize": 9.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "figure.facecolor": PAPER,
    "figure.dpi": 110,
    "savefig.dpi": 200,
    "svg.fonttype": "path",
    "svg.hashsalt": "outcomes",
    "pdf.fonttype": 42,
    "lines.linewidth": 1.6,
    "patch.linewidth": 0.8,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw inside this block in the house style, and leave the user's settings as they were.

    A figure is thousands of small objects; searching them for garbage while they are made takes a
    tenth of the time of drawing, so the search waits until the block ends.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        with mpl.rc_context(_STYLE):
            yield
    finally:
        if collecting:
            gc.enable()


def new_figure(
    width: float = 7.2, height: float = 3.6, *, rows: int = 1, columns: int = 1, **grid: Any
) -> tuple[Figure, list[Axes]]:
    """Make a figure (inches) without touching the global plotting state; axes row by row."""
    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False, **grid)
    return figure, list(axes.ravel())
