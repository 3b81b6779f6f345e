"""Clients side by side: the readings of each with the own course and its band."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import join_words, number, with_unit
from outcomes.statistics.review.own_course import own_courses

__all__ = ["clients_courses_figure"]

_ACROSS = 4
_PANEL = (0.86, 0.62)  # width and height of the drawing within a cell of 1 x 1


def clients_courses_figure(
    rows: pd.DataFrame, measures: Iterable[Any], *, title: str, most: int = 12
) -> Picture:
    """Draw small pictures of clients' courses, one client each, all on one sheet.

    Each picture has its own scale: the lowest and highest number stand at its left. They are turned
    so that up is better.

    Parameters
    ----------
    rows : DataFrame
        One row per client: client, episode, measure, state, in the order of drawing
        (`most_pressing`).
    measures : iterable of MeasureReview
        For values, courses and importance lines.
    title : str
        Of the figure.
    most : int
        Clients drawn.

    Returns
    -------
    Picture
    """
    about = {m.measure.code: m for m in measures}
    shown = rows[rows["measure"].isin(list(about))].head(most).reset_index(drop=True)
    lines = _lines(shown, about)
    down = -(-len(shown) // _ACROSS)
    with house_style():
        figure, (ax,) = new_figure(7.2, 0.5 + 1.25 * down)
        told = []
        bands, courses, rules = [], [], []
        for i, row in shown.iterrows():
            m = about[row["measure"]]
            panel = _Panel(row, m, lines[i], i % _ACROSS, -(i // _ACROSS))
            bands.append(panel.band())
            courses.append(panel.course())
            rules += panel.rule()
            panel.draw(ax)
            told.append(panel.words())
        ax.add_collection(PolyCollection(bands, facecolor=BAND, lw=0, zorder=1))
        ax.add_collection(LineCollection(rules, colors=INK, lw=0.9, ls=(0, (4, 3)), zorder=2))
        ax.add_collection(LineCollection(courses, colors=BLUE, lw=1.6, zorder=2))
        ax.set(xlim=(-0.1, _ACROSS), ylim=(1 - down - 0.16, 1.0))
        ax.set_axis_off()
        ax.set_title(title)
    return Picture.of(
        figure,
        alt=f"{title}. {join_words(told)}.",
        caption="Dots: readings before treatment. Line and band: the client's own course with its "
        "95% interval, up to the next visit. Dashed: an important change from the start, where one "
        "is known. Up is better in every picture; each has its own scale.",
    )


def _lines(shown: pd.DataFrame, about: dict[str, Any]) -> dict[Any, pd.DataFrame]:
    """Give the drawn course of every row, one measure at a time."""
    found = {}
    for code, mine in shown.groupby("measure", sort=False):
        courses = about[code].courses
        place = pd.MultiIndex.from_frame(courses.series[["client", "episode"]])
        at = place.get_indexer(pd.MultiIndex.from_frame(mine[["client", "episode"]]))
        drawn = own_courses(courses.only(at), points=13)
        for i, part in zip(mine.index, np.split(np.arange(len(drawn)), len(mine)), strict=True):
            found[i] = drawn.iloc[part]
    return found


class _Panel:
    """One client's picture, in the cell at (column, row) of the sheet."""

    def __init__(self, row: pd.Series, m: Any, line: pd.DataFrame, x: int, y: int) -> None:
        values = m.values
        mine = (values["client"] == row["client"]) & (values["episode"] == row["episode"])
        self.readings = values.loc[mine, ["week", "value"]]
        self.row, self.line, self.x0, self.y0 = row, line, x, y
        self.measure: Measure = m.measure
        start = float(line["estimate"].iloc[0])
        self.rule_at = None if m.importance is None else start + m.measure.sign * m.importance.value
        seen = [self.readings["value"], line["estimate"], line["ci_low"], line["ci_high"]]
        self.low = min(float(x.min()) for x in seen)
        self.high = max(float(x.max()) for x in seen)
        self.weeks = float(line["week"].max()) or 1.0

    def place(self, week: Any, value: Any) -> np.ndarray:
        share = (np.asarray(value, float) - self.low) / ((self.high - self.low) or 1.0)
        if self.measure.better == "lower":
            share = 1 - share
        across = self.x0 + _PANEL[0] * np.asarray(week, float) / self.weeks
        return np.column_stack([across, self.y0 + _PANEL[1] * share])

    def band(self) -> np.ndarray:
        week = self.line["week"].to_numpy()
        return np.vstack(
            [self.place(week, self.line["ci_low"]),
             self.place(week, self.line["ci_high"])[::-1]]
        )  # fmt: skip

    def course(self) -> np.ndarray:
        return self.place(self.line["week"], self.line["estimate"])

    def rule(self) -> list[np.ndarray]:
        if self.rule_at is None or not self.low <= self.rule_at <= self.high:
            return []
        return [self.place([0, self.weeks], [self.rule_at, self.rule_at])]

    def draw(self, ax: Axes) -> None:
        worse = self.row["state"] == "getting worse"
        points = self.place(self.readings["week"], self.readings["value"])
        ax.plot(*points.T, "v" if worse else "o", color=CLAY if worse else INK, ms=3.6, zorder=3)
        corner = self.place([0, self.weeks], [self.low, self.low])[:, 0]
        ax.plot(corner, [self.y0 - 0.03] * 2, color=FAINT, lw=0.8)
        up, down = (self.high, self.low) if self.measure.better == "higher" else (
            self.low, self.high)  # fmt: skip
        small = {"fontsize": 7, "color": QUIET}
        ax.text(self.x0 - 0.02, self.y0, number(down, 0), ha="right", va="center", **small)
        ax.text(
            self.x0 - 0.02, self.y0 + _PANEL[1], number(up, 0), ha="right", va="center", **small
        )
        weeks = f"{number(self.weeks, 0)} weeks"
        ax.text(self.x0 + _PANEL[0], self.y0 - 0.06, weeks, ha="right", va="top", **small)
        name = self.measure.name
        ax.text(
            self.x0,
            self.y0 + _PANEL[1] + 0.09,
            f"{self.row['client']} {name if len(name) <= 18 else self.measure.short}",
            fontsize=7.5,
            fontweight="bold",
        )

    def words(self) -> str:
        first, last = self.readings["value"].iloc[[0, -1]]
        unit = self.measure.unit
        return (
            f"{self.row['client']}, {self.measure.name}, {self.row['state']}: "
            f"{with_unit(first, unit)} to {with_unit(last, unit)} in {len(self.readings)} visits"
        )
