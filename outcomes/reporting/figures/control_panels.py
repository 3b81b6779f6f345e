"""Many charts over time at once: a small panel each, on one scale, so that an odd one shows."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import join_words, percent

__all__ = ["control_panels"]

_ACROSS = 3


def control_panels(charts: Mapping[str, pd.DataFrame], *, title: str, changed: str = "") -> Picture:
    """Draw charts of shares side by side.

    Parameters
    ----------
    charts : mapping of str to DataFrame
        By name: period, value, centre, lower_limit, upper_limit, beyond_limits.
    title : str
        What all of them show; begins the alternative text.
    changed : str
        Quarter in which the clinic changed something, marked in every panel.

    Returns
    -------
    Picture
    """
    rows = -(-len(charts) // _ACROSS)
    periods = sorted({p for chart in charts.values() for p in chart["period"].astype(str)})
    place = {period: i for i, period in enumerate(periods)}
    with house_style():
        figure, axes = new_figure(
            7.2, 0.5 + 1.15 * rows, rows=rows, columns=min(_ACROSS, len(charts)),
            sharex=True, sharey=True,
        )  # fmt: skip
        for ax, (name, chart) in zip(axes, charts.items(), strict=False):
            _panel(ax, chart, place)
            ax.set_title(name, fontsize=8.5, fontweight="normal", pad=3)
            if changed in place:
                ax.axvline(place[changed] - 0.5, color=QUIET, lw=0.9, ls=(0, (2, 2)))
        for ax in axes[len(charts) :]:
            ax.set_axis_off()
        ends = [0, len(periods) - 1]
        axes[0].set(xlim=(-0.5, len(periods) - 0.5), ylim=(0, 100), yticks=[0, 50, 100])
        axes[0].set_xticks(ends, [periods[i] for i in ends])
        for ax in axes[:: min(_ACROSS, len(charts))]:
            ax.set_ylabel("%", rotation=0, labelpad=6)
    return Picture.of(figure, alt=_alt(charts, title), caption=_caption(changed))


def _panel(ax: Axes, chart: pd.DataFrame, place: Mapping[str, int]) -> None:
    x = chart["period"].astype(str).map(place).to_numpy(float)
    value, centre, low, high = (
        100 * chart[c].to_numpy(float) for c in ("value", "centre", "lower_limit", "upper_limit")
    )
    out = chart["beyond_limits"].to_numpy(bool)
    ax.fill_between(x, low, high, color=BAND, lw=0, step="mid", zorder=0)
    ax.plot(x, centre, color=QUIET, lw=0.8, zorder=1)
    ax.plot(x, value, "o-", color=INK, lw=1, ms=3.2, zorder=2)
    ax.plot(x[out], value[out], "D", color=CLAY, ms=6, zorder=3)
    ax.yaxis.grid(True, color=FAINT, lw=0.4)


def _caption(changed: str) -> str:
    text = (
        "One panel a measure, on one scale, quarter by quarter. Grey: limits that chance alone "
        "keeps in 99.7 of 100 quarters; a filled diamond lies outside them."
    )
    return text + (" Dashed: the clinic changed something." if changed else "")


def _alt(charts: Mapping[str, pd.DataFrame], title: str) -> str:
    parts = []
    for name, chart in charts.items():
        out = chart["period"].astype(str)[chart["beyond_limits"].to_numpy(bool)].tolist()
        said = f"outside the limits in {join_words(out)}" if out else "inside the limits"
        last = percent(float(np.asarray(chart["value"])[-1]))
        parts.append(f"{name}: latest {last}, {said}")
    return f"{title}. " + "; ".join(parts) + "."
