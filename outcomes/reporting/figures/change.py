"""Start against latest: every client a point, measurement error a band, importance a line."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, CLAY, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import count_of, with_unit

__all__ = ["start_against_latest"]

#: Kinds of point: label, marker, face, edge (None: the marker has no inside), size. Told apart by
#: shape and filling, so that they stay apart in grey.
_POINTS = {
    "better": ("surely better", "o", BLUE, BLUE, 24),
    "likely": ("probably", "o", "white", BLUE, 22),
    "within": ("unclear", "x", QUIET, None, 16),
    "worse": ("worse", "v", CLAY, CLAY, 36),
}
_SURE, _PROBABLE = 0.95, 0.80


def start_against_latest(judged: pd.DataFrame, measure: Measure) -> Picture:
    """Draw each client's start against the latest value of one measure.

    Parameters
    ----------
    judged : DataFrame
        One row per client, as `judge_change` gives it, with one measurement error for all rows
        or one per row (the band is drawn for the median).
    measure : Measure
        From the catalogue: name, unit, direction.

    Returns
    -------
    Picture
    """
    start = judged["start_value"].to_numpy(float)
    latest = judged["latest_value"].to_numpy(float)
    band = float(judged["minimal_detectable_change"].median())
    line = float(judged["minimal_important_change"].median())
    kind = _kinds(judged)
    with house_style():
        figure, (ax,) = new_figure(5.4, 4.9)
        low, high = _limits(start, latest, band)
        ends = np.array([low, high])
        if np.isfinite(band):
            ax.fill_between(ends, ends - band, ends + band, color=BAND, lw=0, zorder=0)
        ax.plot(ends, ends, color=QUIET, lw=0.9, zorder=1)
        if np.isfinite(line):
            ax.plot(ends, ends + measure.sign * line, color=INK, lw=1.1, ls=(0, (5, 3)), zorder=1)
        for name, (label, marker, face, edge, size) in _POINTS.items():
            at = kind == name
            x, y, count = _stacked(start[at], latest[at])
            ax.scatter(
                x,
                y,
                s=size * count,
                marker=marker,
                facecolor=face,
                edgecolor=edge,
                linewidth=0.9,
                alpha=0.9,
                zorder=3,
            )
            _legend_entry(ax, f"{label} ({int(at.sum())})", marker, face, edge, size)
        _frame(ax, measure, low, high, band, line)
        figure.legend(loc="outside lower center", ncols=4, handletextpad=0.2, columnspacing=1.4)
    return Picture.of(figure, alt=_alt(kind, measure, band, line), caption=_caption(line))


def _kinds(judged: pd.DataFrame) -> np.ndarray:
    """Sort clients by how sure one can be: by the model's chances where there are any."""
    if "worse" in judged and judged["chance_improved"].notna().any():
        chance = judged["chance_improved"].to_numpy(float)
        return np.select(
            [judged["worse"].to_numpy(bool), chance >= _SURE, chance >= _PROBABLE],
            ["worse", "better", "likely"],
            default="within",
        )
    detectable = judged["detectable"].fillna(False).to_numpy(bool)
    down = judged["improvement"].to_numpy(float) < 0
    return np.select([detectable & down, detectable], ["worse", "better"], default="within")


def _stacked(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Merge points that lie on top of each other, with their number: coarse scales hide clients."""
    points, count = np.unique(np.column_stack([x, y]), axis=0, return_counts=True)
    return points[:, 0], points[:, 1], count


def _legend_entry(
    ax: Axes, label: str, marker: str, face: str, edge: str | None, size: float
) -> None:
    ax.scatter([], [], s=size, marker=marker, facecolor=face, edgecolor=edge, label=label)


def _limits(start: np.ndarray, latest: np.ndarray, band: float) -> tuple[float, float]:
    everything = np.concatenate([start, latest])
    low, high = float(everything.min()), float(everything.max())
    pad = max(0.06 * (high - low), 0.25 * band if np.isfinite(band) else 0, 1e-9)
    return low - pad, high + pad


def _frame(ax: Axes, measure: Measure, low: float, high: float, band: float, line: float) -> None:
    unit = "°" if measure.unit == "deg" else measure.unit
    ax.set(xlim=(low, high), ylim=(low, high), aspect="equal")
    ax.set_xlabel(f"at the start ({unit})")
    ax.set_ylabel(f"latest ({unit})")
    ax.set_title(measure.name)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MaxNLocator(6))
    if measure.better == "higher":
        corner, place = "better", (0.03, 0.97)
    else:
        corner, place = "better", (0.97, 0.03)
    ax.text(
        *place,
        f"{corner} {'↖' if measure.better == 'higher' else '↘'}",
        transform=ax.transAxes,
        ha="left" if place[0] < 0.5 else "right",
        va="top" if place[1] > 0.5 else "bottom",
        color=QUIET,
        fontsize=8.5,
    )
    _label_lines(ax, measure, low, high, band, line)


def _label_lines(
    ax: Axes, measure: Measure, low: float, high: float, band: float, line: float
) -> None:
    """Write on the lines what they are, where they leave the frame."""
    style = {"fontsize": 8, "color": QUIET, "rotation": 45, "rotation_mode": "anchor"}
    span = high - low
    at = low + 0.93 * span if measure.better == "lower" else low + 0.03 * span
    side = "right" if measure.better == "lower" else "left"
    if np.isfinite(band) and 2 * band > 0.05 * span:
        x = high - 0.03 * span
        ax.text(x, x - 0.012 * span, "no change", ha="right", va="top", **style)
    if np.isfinite(line):
        y = at + measure.sign * line
        if low < y < high:
            ax.text(at, y + 0.012 * span, "important", ha=side, va="bottom", **style)


def _caption(line: float) -> str:
    dashes = (
        " The dashed line is the smallest change that clients call important."
        if np.isfinite(line)
        else " No defensible line of importance is published for this measure."
    )
    return (
        "Each point is one client, a larger one several; its shape and filling say how sure one "
        "can be from all visits. The thin line is no change; the grey band is what measurement "
        "error can do to two readings." + dashes
    )


def _alt(kind: np.ndarray, measure: Measure, band: float, line: float) -> str:
    n = len(kind)
    count = {name: int((kind == name).sum()) for name in _POINTS}
    text = (
        f"{measure.name}, start against latest value of {n} clients. "
        f"{count_of(count['better'], n)} are surely better, {count['likely']} probably, "
        f"{count['worse']} worse, {count['within']} unclear."
    )
    if np.isfinite(band):
        text += f" A change of {with_unit(band, measure.unit)} is detectable from two readings."
    if np.isfinite(line):
        text += f" The importance line lies {with_unit(line, measure.unit)} from no change."
    return text
