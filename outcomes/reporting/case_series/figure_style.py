"""Figures at the size in which they are printed, in greys, with letters that stay readable.

Widths follow the usual columns of medical journals (common practice, no source): 85 mm for one
column, 175 mm for two. Letters are 7 to 8 points at that size. No meaning rests on colour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure

__all__ = ["BLACK", "DARK", "LIGHT", "MIDDLE", "WIDTHS", "PaperFigure", "inches", "paper_style"]

BLACK, DARK, MIDDLE, LIGHT = "#000000", "#4d4d4d", "#8c8c8c", "#e0e0e0"
#: Name of the width, and millimetres.
WIDTHS = {"single": 85.0, "double": 175.0}

_STYLE: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 7.5,
    "axes.titlesize": 7.5,
    "axes.titlelocation": "left",
    "axes.titlepad": 3,
    "axes.labelsize": 7.5,
    "axes.linewidth": 0.6,
    "axes.edgecolor": DARK,
    "axes.labelcolor": BLACK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "xtick.color": DARK,
    "ytick.color": DARK,
    "xtick.major.size": 2.2,
    "ytick.major.size": 2.2,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 7,
    "lines.linewidth": 0.9,
    "patch.linewidth": 0.6,
    "figure.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "outcomes",
    "pdf.fonttype": 42,
    "ps.fonttype": 42,
}


@dataclass(frozen=True)
class PaperFigure:
    """A figure that can be drawn at any width.

    Attributes
    ----------
    number, name : str
        "1" or "1A", and the stem of its files.
    caption : str
        How to read it.
    alt : str
        What it shows, in words and numbers.
    draw : callable
        Width in millimetres -> matplotlib Figure.
    """

    number: str
    name: str
    caption: str
    alt: str
    draw: Callable[[float], Figure]


@contextmanager
def paper_style() -> Iterator[None]:
    """Draw inside this block in the style for print."""
    with mpl.rc_context(_STYLE):
        yield


def inches(millimetres: float) -> float:
    """Convert millimetres to inches."""
    return millimetres / 25.4
