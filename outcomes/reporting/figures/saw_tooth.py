"""The saw-tooth of the caseload: gain within each visit, and what is left of it at the next."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import join_words, number, with_unit

__all__ = ["saw_tooth_figure"]

_RISE = 0.3  # of the way to the next visit: where the reading after treatment is drawn


def saw_tooth_figure(teeth: Mapping[str, pd.DataFrame], measures: Mapping[str, Measure]) -> Picture:
    """Draw the mean gain within each visit and the before-treatment level that is left of it.

    Parameters
    ----------
    teeth : mapping of str to DataFrame
        By measure: rows of `saw_tooth`. Two measures side by side read well.
    measures : mapping of str to Measure
        Names and units, by the same codes.

    Returns
    -------
    Picture
    """
    with house_style():
        figure, axes = new_figure(7.2, 3.0, columns=len(teeth))
        for ax, (code, rows) in zip(axes, teeth.items(), strict=True):
            _one(ax, rows, measures[code])
    told = "; ".join(_told(rows, measures[code]) for code, rows in teeth.items())
    return Picture.of(
        figure,
        alt=f"Gain within visits and what is kept. {told}.",
        caption="Dots: before treatment, against the first visit. Each tooth rises to the reading "
        "after treatment (with its 95% interval) and falls to what is there at the next visit. "
        "Every step is a mean over the clients who took it; their number stands below.",
    )


def _one(ax: Axes, rows: pd.DataFrame, measure: Measure) -> None:
    visit, level = rows["visit"].to_numpy(float), rows["before_level"].to_numpy(float)
    tip = level + rows["immediate_gain"].to_numpy(float)
    low, high = (level + rows[c].to_numpy(float) for c in ("ci_low", "ci_high"))
    ends = np.append(level, level[-1] + rows["kept_gain"].iloc[-1])
    steps = np.append(visit, visit[-1] + 1)
    x = np.column_stack([steps[:-1], visit + _RISE, steps[1:]])
    y = np.column_stack([ends[:-1], tip, ends[1:]])
    gap = np.full((len(rows), 1), np.nan)
    up, down = slice(0, 2), slice(1, 3)
    for part, style in ((up, {"color": INK, "lw": 1.4}), (down, {"color": QUIET, "lw": 1})):
        ax.plot(np.hstack([x[:, part], gap]).ravel(), np.hstack([y[:, part], gap]).ravel(),
                ls="-" if part is up else (0, (2, 2)), **style)  # fmt: skip
    ax.vlines(visit + _RISE, low, high, color=QUIET, lw=1)
    ax.plot(visit + _RISE, tip, "^", color=INK, mfc="white", ms=5)
    ax.plot(steps, ends, "o", color=BLUE, ms=5, zorder=3)
    bottom, top = float(min(low.min(), ends.min(), 0)), float(max(high.max(), ends.max()))
    room = 0.16 * (top - bottom)
    for at, n in zip(visit, rows["n"], strict=True):
        ax.text(at, bottom - 0.8 * room, f"{int(n)}", ha="center", fontsize=8, color=QUIET)
    ax.axhline(0, color=FAINT, lw=0.8, zorder=0)
    ax.set(ylim=(bottom - room, top + 0.3 * room), xlabel="visit (small numbers: clients)")
    ax.xaxis.set_major_locator(MaxNLocator(9, integer=True))
    unit = "°" if measure.unit == "deg" else measure.unit
    ax.set_ylabel(f"better by ({unit})")
    ax.set_title(measure.name)


def _told(rows: pd.DataFrame, measure: Measure) -> str:
    gains = join_words([number(x) for x in rows["immediate_gain"]])
    end = rows["before_level"].iloc[-1] + rows["kept_gain"].iloc[-1]
    return (
        f"{measure.name}: mean gain within visits 1 to {len(rows)} {gains}; the level before "
        f"treatment ends {with_unit(end, measure.unit, sign=True)} from the first visit"
    )
