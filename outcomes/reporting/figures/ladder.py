"""The ladder: from the raw mean change down to what is left, each rung with its interval."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import interval, with_unit
from outcomes.statistics.effect_size import Ladder

__all__ = ["ladder_figure", "remaining_rungs"]


def remaining_rungs(ladder: Ladder) -> pd.DataFrame:
    """Give the rungs that say what remains; what it is held against is a line, not a rung."""
    rungs = ladder.rungs.dropna(subset=["estimate"])
    return rungs[~rungs["rung"].str.contains("importance line")].reset_index(drop=True)


def ladder_figure(ladder: Ladder, measure: Measure, *, line: float | None = None) -> Picture:
    """Draw what remains of the mean improvement after each rung.

    Parameters
    ----------
    ladder : Ladder
        From `change_ladder`.
    measure : Measure
        Name and unit.
    line : float, optional
        The smallest important change, drawn as a dashed line.

    Returns
    -------
    Picture
    """
    rungs = remaining_rungs(ladder)
    y = np.arange(len(rungs))
    value = rungs["estimate"].to_numpy(float)
    unit = "\N{DEGREE SIGN}" if measure.unit == "deg" else measure.unit
    with house_style():
        figure, (ax,) = new_figure(7.2, 0.9 + 0.42 * len(rungs))
        ax.axvline(0, color=QUIET, lw=0.8)
        if line is not None:
            ax.axvline(line, color=INK, lw=1, ls=(0, (5, 3)))
        for i in y[1:]:
            ax.plot([value[i - 1], value[i - 1]], [i - 1, i], color=FAINT, lw=1)
            ax.plot([value[i - 1], value[i]], [i, i], color=FAINT, lw=5, solid_capstyle="butt")
        ax.hlines(y, rungs["ci_low"], rungs["ci_high"], color=BLUE, lw=1.4)
        ax.plot(value, y, "o", color=BLUE, ms=6)
        ax.set_yticks(y, [str(r).capitalize() for r in rungs["rung"]], color=INK)
        ax.set_ylim(len(rungs) - 0.4, -0.6)
        ax.tick_params(axis="y", length=0)
        ax.set_xlabel(f"mean improvement ({unit})")
        ax.set_title(measure.name)
    told = "; ".join(
        f"{row.rung}: {with_unit(row.estimate, measure.unit)} "
        f"({interval(row.ci_low, row.ci_high, measure.unit)})"
        for row in rungs.itertuples()
    )
    caption = "Dots: what remains after each step down, lines: its 95% interval."
    if line is not None:
        told += f". The importance line lies at {with_unit(line, measure.unit)}"
        caption += " Dashed: the smallest change that clients call important."
    return Picture.of(
        figure, alt=f"{measure.name}, from the raw mean change down. {told}.", caption=caption
    )
