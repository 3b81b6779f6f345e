"""Charts over time: points by period, their centre, and the limits that chance keeps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import join_words, number, percent

__all__ = ["control_chart"]


def control_chart(
    chart: pd.DataFrame,
    *,
    title: str,
    label: str,
    shares: bool = False,
    changes: Sequence[tuple[str, str]] = (),
) -> Picture:
    """Draw a control chart.

    Parameters
    ----------
    chart : DataFrame
        period, value, centre, lower_limit, upper_limit, beyond_limits, and `signal` where run
        rules were applied.
    title, label : str
        Of the figure and of its vertical axis.
    shares : bool
        Values are shares and shown as percentages.
    changes : sequence of (period, words)
        Dated changes of the clinic, marked where they fall.

    Returns
    -------
    Picture
    """
    factor = 100 if shares else 1
    x = np.arange(len(chart))
    out = chart["beyond_limits"].to_numpy(bool)
    run = chart["signal"].to_numpy(bool) & ~out if "signal" in chart else np.zeros(len(x), bool)
    value = chart["value"].to_numpy(float) * factor
    with house_style():
        figure, (ax,) = new_figure(7.2, 2.9)
        low, high = (chart[c].to_numpy(float) * factor for c in ("lower_limit", "upper_limit"))
        ax.fill_between(x, low, high, color=BAND, lw=0, step="mid", zorder=0)
        ax.plot(x, chart["centre"].to_numpy(float) * factor, color=QUIET, lw=1, zorder=1)
        ax.plot(x, value, color=INK, lw=1.2, zorder=2)
        ax.plot(x[~out & ~run], value[~out & ~run], "o", color=INK, ms=5, zorder=3)
        ax.plot(x[run], value[run], "s", color=CLAY, mfc="white", ms=7, mew=1.4, zorder=3)
        ax.plot(x[out], value[out], "D", color=CLAY, ms=7.5, zorder=3)
        for period, words in changes:
            _mark_change(ax, chart, period, words)
        ax.set_xticks(x, chart["period"].astype(str))
        if len(x) > 14:
            for i, tick in enumerate(ax.get_xticklabels()):
                tick.set_visible(i % 2 == 0)
        ax.set_ylabel(label + (" (%)" if shares else ""))
        ax.set_title(title)
        ax.set_xlim(-0.4, len(x) - 0.6)
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
    return Picture.of(figure, alt=_alt(chart, title, shares, out, run), caption=_CAPTION)


_CAPTION = (
    "Line: the centre. Grey: limits that chance alone keeps in 99.7 of 100 periods. A filled "
    "diamond lies outside them; an open square belongs to a run that chance rarely makes."
)


def _mark_change(ax, chart: pd.DataFrame, period: str, words: str) -> None:  # noqa: ANN001
    at = chart["period"].astype(str).tolist()
    if period in at:
        ax.axvline(at.index(period) - 0.5, color=QUIET, lw=1, ls=(0, (2, 2)))
        ax.annotate(
            words,
            (at.index(period) - 0.5, 1),
            xycoords=("data", "axes fraction"),
            xytext=(3, -2),
            textcoords="offset points",
            va="top",
            fontsize=8,
            color=QUIET,
        )


def _alt(chart: pd.DataFrame, title: str, shares: bool, out: np.ndarray, run: np.ndarray) -> str:
    write = percent if shares else number
    last = chart.iloc[-1]
    text = (
        f"{title} over {len(chart)} periods, from {chart['period'].iloc[0]} to {last['period']}. "
        f"Centre {write(last['centre'])}, latest {write(last['value'])}."
    )
    if out.any():
        text += f" Outside the limits: {join_words(chart['period'].astype(str)[out].tolist())}."
    else:
        text += " No period lies outside the limits."
    if run.any():
        text += f" In an unusual run: {join_words(chart['period'].astype(str)[run].tolist())}."
    return text
