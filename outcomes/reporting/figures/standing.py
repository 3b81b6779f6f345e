"""Where clients stand: what is still to come for each, group by group, for a caseload meeting."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, CLAY, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import join_words, number, plural, signed, with_unit
from outcomes.statistics.review.pressing import PRESSING

__all__ = ["standing_figure"]

#: State: marker, colour, filled. Shape and heading tell the groups apart, not the colour.
_LOOK = {
    "getting worse": ("v", CLAY, True),
    "levelled off short of the line": ("s", INK, True),
    "still gaining": ("o", BLUE, True),
    "levelled off past the line": ("D", INK, False),
    "levelled off": ("o", QUIET, False),
}
_REACH = (-5.0, 9.0)  # of the drawing at most, in gains worth going on for
#: Clients drawn of each group at most, so that all fit on one page.
_MOST = {
    "getting worse": 12,
    "levelled off short of the line": 8,
    "still gaining": 7,
    "levelled off past the line": 7,
    "levelled off": 4,
}
_LONGEST_NAME = 26


@dataclass(frozen=True)
class _Group:
    state: str
    n: int
    rows: pd.DataFrame

    @property
    def heading(self) -> str:
        some = f"{len(self.rows)} of " if len(self.rows) < self.n else ""
        return f"{self.state.capitalize()}: {some}{plural(self.n, 'client')}"


def standing_figure(rows: pd.DataFrame, measures: Iterable[Any]) -> Picture:
    """Draw for each client what is expected of the visits ahead, grouped by where they stand.

    A large caseload still fits on a page: of each group the surest are drawn, and how many.

    Parameters
    ----------
    rows : DataFrame
        One row per client, as `most_pressing` gives them.
    measures : iterable of MeasureReview
        For names, units and importance lines.

    Returns
    -------
    Picture
    """
    about = {m.measure.code: m for m in measures}
    groups = [
        _Group(state, len(mine), _shown(mine, state))
        for state in PRESSING
        if state in _LOOK and len(mine := rows[rows["state"] == state])
    ]
    unsure = int((~rows["state"].isin(list(_LOOK))).sum())
    lines = sum(len(g.rows) for g in groups) + 1.4 * len(groups)
    edges = _edges(groups)
    with house_style():
        figure, (ax,) = new_figure(7.2, 0.95 + 0.2 * max(lines, 2))
        ax.axvline(0, color=QUIET, lw=0.8)
        ax.axvline(1, color=INK, lw=1, ls=(0, (5, 3)))
        y = 0.0
        ticks: list[tuple[float, str]] = []
        for group in groups:
            ax.annotate(
                group.heading,
                (0, y),
                xycoords=("axes fraction", "data"),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                fontsize=8.5,
                fontweight="bold",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
                zorder=4,
            )
            at = y + 1 + np.arange(len(group.rows))
            _draw(ax, group, at, about, edges)
            ticks += zip(at, _names(group.rows, about), strict=True)
            y = at[-1] + 1.4
        ax.set_yticks([t for t, _ in ticks], [name for _, name in ticks], color=INK, fontsize=8)
        ax.tick_params(axis="y", length=0)
        ax.set(xlim=edges, ylim=(y - 0.3, -1.1))
        ax.set_xlabel("expected from the visits ahead, 1 = a gain worth going on for")
        ax.text(1, -0.75, " worth going on for", fontsize=8, color=QUIET, va="center")
        _heading_of_column(ax)
    return Picture.of(figure, alt=_alt(groups, unsure, about), caption=_caption(unsure))


def _shown(rows: pd.DataFrame, state: str) -> pd.DataFrame:
    """Keep the surest of a group, in the order of the rows."""
    surest = rows["chance_of_state"].rank(method="first", ascending=False) <= _MOST[state]
    return rows[surest]


def _edges(groups: list[_Group]) -> tuple[float, float]:
    """Take the room that the intervals need, within reason; what lies beyond gets an arrow."""
    ends = [
        (g.rows[c] / g.rows["worthwhile"]).to_numpy(float)
        for g in groups
        for c in ("ci_low", "ci_high")
    ]
    low, high = np.min(np.concatenate([[-1.0], *ends])), np.max(np.concatenate([[2.0], *ends]))
    return max(float(low), _REACH[0]) - 0.25, min(float(high), _REACH[1]) + 0.25


def _draw(
    ax: Axes,
    group: _Group,
    y: np.ndarray,
    about: Mapping[str, Any],
    edges: tuple[float, float],
) -> None:
    rows = group.rows
    unit = rows["worthwhile"].to_numpy(float)
    low, middle, high = (
        rows[c].to_numpy(float) / unit for c in ("ci_low", "further_gain", "ci_high")
    )
    marker, colour, filled = _LOOK[group.state]
    left, right = edges
    ax.hlines(y, np.clip(low, left, right), np.clip(high, left, right), color=colour, lw=1.2)
    ax.plot(
        np.clip(middle, left, right),
        y,
        marker,
        color=colour,
        markerfacecolor=colour if filled else "white",
        markersize=5.5,
        zorder=3,
    )
    for beyond, edge, arrow in ((low < left, left, "<"), (high > right, right, ">")):
        ax.plot(np.full(beyond.sum(), edge), y[beyond], arrow, color=colour, ms=4, clip_on=False)
    for at, row in zip(y, rows.itertuples(), strict=True):
        ax.annotate(
            _so_far(row, about[row.measure]),
            (1.02, at),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8,
            color=QUIET,
            annotation_clip=False,
        )


def _so_far(row: Any, m: Any) -> str:
    if m.importance is None:
        return with_unit(row.gain_so_far, m.measure.unit, sign=True)
    return f"{signed(row.gain_so_far)} of {with_unit(m.importance.value, m.measure.unit)}"


def _heading_of_column(ax: Axes) -> None:
    ax.annotate(
        "gain so far",
        (1.02, 1.0),
        xycoords="axes fraction",
        va="top",
        fontsize=8,
        color=INK,
        annotation_clip=False,
    )


def _names(rows: pd.DataFrame, about: Mapping[str, Any]) -> list[str]:
    names = [about[code].measure for code in rows["measure"]]
    return [
        f"{client}  {m.name if len(m.name) <= _LONGEST_NAME else m.short}"
        for client, m in zip(rows["client"], names, strict=True)
    ]


def _caption(unsure: int) -> str:
    left_out = f" Not drawn: {plural(unsure, 'client')} with too little data to say."
    return (
        "Each client once, by the measure that presses most; every measure is in the tables below. "
        "Where a group does not fit, its surest are drawn. Points: gain expected over the next 3 "
        "visits, lines: its 95% interval. The dashed line is a gain worth going on for: a third of "
        "an important change, or half the scatter of a reading where no line of importance is "
        "known. Right: gain so far, of the line where there is one."
    ) + (left_out if unsure else "")


def _alt(groups: list[_Group], unsure: int, about: Mapping[str, Any]) -> str:
    counts = [f"{g.n} {g.state}" for g in groups]
    if unsure:
        counts.append(f"{unsure} with too little data to say")
    text = f"Where clients stand, each once: {join_words(counts) or 'nobody to show'}."
    for g in groups:
        if g.state in ("getting worse", "levelled off short of the line"):
            told = [
                f"{r.client} in {about[r.measure].measure.name} "
                f"({signed(r.further_gain)} expected, {number(r.ci_low)} to "
                f"{with_unit(r.ci_high, about[r.measure].measure.unit)})"
                for r in g.rows.itertuples()
            ]
            text += f" {g.state.capitalize()}: {join_words(told)}."
    return text
