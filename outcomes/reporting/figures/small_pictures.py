"""Many small pictures on one sheet: readings, own course and band, each on its own scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure

from outcomes.reporting.style import BAND, BLUE, CLAY, FAINT, INK, QUIET, new_figure
from outcomes.reporting.wording import number

__all__ = ["SmallPicture", "small_pictures"]

_ACROSS = 4
_WIDTH, _HEIGHT = 0.86, 0.62  # of the drawing within a cell of 1 x 1
_LATER = 0.12  # weeks by which a reading after treatment is drawn to the right


@dataclass(frozen=True)
class SmallPicture:
    """One picture: what is drawn, in the measure's own unit.

    Attributes
    ----------
    title : str
    better : str
        "higher" or "lower": up is better in every picture.
    readings : DataFrame
        week, value before treatment.
    line : DataFrame
        week, estimate, ci_low, ci_high of the own course; may be empty.
    rule : float or None
        Level of an important change from the start.
    after : DataFrame
        week, start (before) and value (after treatment), for the saw-tooth; may be empty.
    ahead : dict
        week, ci_low, ci_high of the next reading; may be empty.
    worse : bool
        Draw the readings of a decline: another shape, another colour.
    """

    title: str
    better: str
    readings: pd.DataFrame
    line: pd.DataFrame
    rule: float | None = None
    after: pd.DataFrame = field(default_factory=pd.DataFrame)
    ahead: dict[str, float] = field(default_factory=dict)
    worse: bool = False

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest number drawn."""
        seen = [self.readings["value"].to_numpy(float)]
        seen += [self.line[c].to_numpy(float) for c in ("ci_low", "ci_high") if len(self.line)]
        seen += [self.after["value"].to_numpy(float)] if len(self.after) else []
        seen += [np.array([self.ahead["ci_low"], self.ahead["ci_high"]])] if self.ahead else []
        return float(np.min(np.concatenate(seen))), float(np.max(np.concatenate(seen)))

    @property
    def weeks(self) -> float:
        """Time that the picture spans."""
        last = [self.readings["week"].max(), self.line["week"].max() if len(self.line) else 0.0]
        return float(max(last)) or 1.0


def small_pictures(pictures: Sequence[SmallPicture], *, title: str = "") -> Figure:
    """Draw the pictures four in a row; all lines of a kind at once, for speed."""
    down = max(-(-len(pictures) // _ACROSS), 1)
    figure, (ax,) = new_figure(7.2, (0.5 if title else 0.15) + 1.2 * down)
    bands, courses, rules, strokes, ahead = [], [], [], [], []
    for i, picture in enumerate(pictures):
        place = _Place(picture, i % _ACROSS, -(i // _ACROSS))
        week = picture.line["week"].to_numpy(float) if len(picture.line) else np.array([])
        if week.size:
            low, high = (place(week, picture.line[c]) for c in ("ci_low", "ci_high"))
            bands.append(np.vstack([low, high[::-1]]))
            courses.append(place(week, picture.line["estimate"]))
        if picture.rule is not None and place.low <= picture.rule <= place.high:
            rules.append(place([0, picture.weeks], [picture.rule] * 2))
        for row in picture.after.itertuples():
            strokes.append(place([row.week, row.week + _LATER], [row.start, row.value]))
        if picture.ahead:
            reach = [picture.ahead["ci_low"], picture.ahead["ci_high"]]
            ahead.append(place([picture.weeks * 1.03] * 2, reach))
        _write(ax, picture, place)
    ax.add_collection(PolyCollection(bands, facecolor=BAND, lw=0, zorder=1))
    for lines, look in (
        (rules, {"colors": INK, "lw": 0.9, "ls": (0, (4, 3))}),
        (courses, {"colors": BLUE, "lw": 1.6}),
        (strokes, {"colors": QUIET, "lw": 0.8}),
        (ahead, {"colors": BLUE, "lw": 2.5, "alpha": 0.5}),
    ):
        ax.add_collection(LineCollection(lines, zorder=2, **look))
    ax.set(xlim=(-0.12, _ACROSS), ylim=(1 - down - 0.16, 0.84))
    ax.set_axis_off()
    ax.set_title(title)
    return figure


class _Place:
    """From week and value to the place on the sheet, up being better."""

    def __init__(self, picture: SmallPicture, x: int, y: int) -> None:
        self.low, self.high = picture.ends
        self.weeks, self.turned = picture.weeks, picture.better == "lower"
        self.x, self.y = x, y

    def __call__(self, week: Any, value: Any) -> np.ndarray:
        share = (np.asarray(value, float) - self.low) / ((self.high - self.low) or 1.0)
        share = 1 - share if self.turned else share
        across = self.x + _WIDTH * np.asarray(week, float) / self.weeks
        return np.column_stack([across, self.y + _HEIGHT * share])


def _write(ax: Axes, picture: SmallPicture, place: _Place) -> None:
    points = place(picture.readings["week"], picture.readings["value"])
    marker, colour = ("v", CLAY) if picture.worse else ("o", INK)
    ax.plot(*points.T, marker, color=colour, ms=3.6, zorder=3)
    x, y = place.x, place.y
    ax.plot([x, x + _WIDTH], [y - 0.03] * 2, color=FAINT, lw=0.8)
    bottom, top = (place.high, place.low) if place.turned else (place.low, place.high)
    digits = 0 if place.high - place.low >= 3 else 1
    small: dict[str, Any] = {"fontsize": 7, "color": QUIET}
    for at, value in ((y, bottom), (y + _HEIGHT, top)):
        ax.text(x - 0.02, at, number(value, digits), ha="right", va="center", **small)
    weeks = f"{number(picture.weeks, 0)} weeks"
    ax.text(x + _WIDTH, y - 0.06, weeks, ha="right", va="top", **small)
    ax.text(x, y + _HEIGHT + 0.09, picture.title, fontsize=7.2, fontweight="bold")
