"""The course of every client: readings, phases, means, and the band of measurement error."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.reporting.case_series.figure_style import (
    BLACK,
    DARK,
    LIGHT,
    MIDDLE,
    PaperFigure,
    inches,
)
from outcomes.reporting.case_series.formats import axis_name, digits_of, with_unit_words
from outcomes.reporting.wording import number, plural
from outcomes.statistics.single_case.summary import MeasureSeries

__all__ = ["course_figure", "draw_panels"]

#: Height of a panel, and of the tallest figure that a page holds, in millimetres.
_PANEL, _TALLEST = 30.0, 225.0


def course_figure(one: MeasureSeries, *, figure_number: str) -> PaperFigure:
    """Make the small multiples of one measure."""
    measure = one.measure
    band = one.error is not None
    better = "upwards" if measure.better == "higher" else "downwards"
    level = _level(one)
    caption = (
        f"Figure {figure_number}. {measure.name} of each client, before treatment at each visit. "
        f"Improvement is {better}. Dashed line: change of phase. Horizontal lines: phase means."
    )
    if band:
        caption += f" Grey band: first reading with the minimal detectable change ({level})."
    return PaperFigure(
        figure_number,
        f"figure_{figure_number.lower()}_course_{measure.code}",
        caption,
        _alt(one),
        lambda width: draw_panels(one, width),
    )


def draw_panels(
    one: MeasureSeries,
    width: float,
    *,
    masked: dict[str, str] | None = None,
) -> Figure:
    """Draw one panel per client; masked: without phases, means and band, under other labels.

    Parameters
    ----------
    one : MeasureSeries
    width : float
        Millimetres.
    masked : dict of str to str, optional
        Client to label; panels in the order of this mapping.
    """
    values = one.values.dropna(subset=["value"])
    clients = list(masked) if masked else sorted(values["client"].unique())
    columns = max(1, min(len(clients), round(width / 43)))
    if math.ceil(len(clients) / columns) * _PANEL > _TALLEST:
        columns += 1
    rows = math.ceil(len(clients) / columns)
    top, bottom = 6.0, 11.0
    panel = min(_PANEL, (_TALLEST - top - bottom) / rows)
    height = rows * panel + top + bottom
    figure = Figure(figsize=(inches(width), inches(height)))
    left, right = 13.0 / width, 1 - 2.0 / width
    grid = figure.add_gridspec(
        rows,
        columns,
        left=left,
        right=right,
        bottom=bottom / height,
        top=1 - top / height,
        hspace=0.42,
        wspace=0.12,
    )
    across, along = _limits(one, values, plain=masked is not None)
    x_ticks, y_ticks = _ticks(across), _ticks(along)
    for place, client in enumerate(clients):
        r, c = divmod(place, columns)
        ax = figure.add_subplot(grid[r, c])
        _panel(ax, one, values[values["client"] == client], plain=masked is not None)
        ax.set_title(masked[client] if masked else client)
        last = place + columns >= len(clients)
        ax.set(xlim=across, ylim=along)
        ax.set_xticks(x_ticks, [f"{t:g}" for t in x_ticks] if last else [])
        ax.set_yticks(y_ticks, [_tick_label(t) for t in y_ticks] if c == 0 else [])
    label = with_unit_words(axis_name(one.measure), one.measure)
    figure.supylabel(label[:1].upper() + label[1:], fontsize=7.5, x=1.5 / width, ha="left")
    figure.supxlabel("Weeks from the first visit", fontsize=7.5, y=1.5 / height, va="bottom")
    return figure


def _panel(ax: Axes, one: MeasureSeries, series: pd.DataFrame, *, plain: bool) -> None:
    week = series["week"].to_numpy(dtype=float)
    value = series["value"].to_numpy(dtype=float)
    if plain:
        ax.plot(week, value, "-o", color=BLACK, markersize=2.6, lw=0.8)
        return
    phase = series["phase"].astype(str).to_numpy()
    run = np.concatenate([[0], np.cumsum(phase[1:] != phase[:-1])])
    half = _half_band(one)
    if half:
        ax.axhspan(value[0] - half, value[0] + half, color=LIGHT, lw=0, zorder=0)
    for r in range(run[-1] + 1):
        here = run == r
        filled = phase[here][0] != "baseline"
        ax.plot(
            week[here],
            value[here],
            "-o",
            color=BLACK,
            markersize=2.8 if value.size <= 18 else 2.0,
            markerfacecolor=BLACK if filled else "white",
            markeredgewidth=0.7,
            lw=0.8,
            zorder=3,
        )
        if here.sum() > 1:
            ax.hlines(
                value[here].mean(), week[here][0], week[here][-1], color=MIDDLE, lw=1.4, zorder=2
            )
        if r:
            between = (week[here][0] + week[run == r - 1][-1]) / 2
            ax.axvline(between, color=DARK, lw=0.7, ls=(0, (3, 2)), zorder=1)


def _ticks(ends: tuple[float, float]) -> list[float]:
    """Choose round numbers inside the ends; found once, as each panel has the same."""
    found = MaxNLocator(4, steps=[1, 2, 5, 10]).tick_values(*ends)
    return [float(t) for t in found if ends[0] <= t <= ends[1]]


def _tick_label(tick: float) -> str:
    return f"{tick:g}".replace("-", "\N{MINUS SIGN}")


def _limits(
    one: MeasureSeries, values: pd.DataFrame, *, plain: bool
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Find the ends of both axes, shared by all panels."""
    low, high = float(values["value"].min()), float(values["value"].max())
    half = 0.0 if plain else _half_band(one)
    if half:
        first = values.groupby("client")["value"].first()
        low, high = min(low, float(first.min()) - half), max(high, float(first.max()) + half)
        low = max(low, one.measure.hard_min)
        high = min(high, one.measure.hard_max)
    pad = 0.06 * max(high - low, 1e-9)
    weeks = max(float(values["week"].max()), 1.0)
    return (-0.04 * weeks, 1.04 * weeks), (low - pad, high + pad)


def _half_band(one: MeasureSeries) -> float:
    if one.error is None or not len(one.judged):
        return 0.0
    return float(one.judged["minimal_detectable_change"].iloc[0])


def _level(one: MeasureSeries) -> str:
    return f"{float(one.judged['confidence'].iloc[0]) * 100:g}% confidence" if len(
        one.judged
    ) else ""  # fmt: skip


def _alt(one: MeasureSeries) -> str:
    digits = digits_of(one.measure)
    words = [
        f"Small line charts of {one.measure.name}, one for each of "
        f"{plural(one.n_clients, 'client')}."
    ]
    for row in one.judged.sort_values("client").to_dict("records"):
        words.append(
            f"{row['client']}: {number(row['start_value'], digits)} at the start, "
            f"{number(row['latest_value'], digits)} at the end, {int(row['n_visits'])} visits."
        )
    return " ".join(words)
