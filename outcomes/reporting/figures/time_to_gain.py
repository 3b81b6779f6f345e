"""Time to a gain: the share of clients who have reached it, two ways, with numbers at risk."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import number, percent, plural
from outcomes.statistics.time_to_gain import IntervalCurve, numbers_at_risk

__all__ = ["time_to_gain_figure"]


def time_to_gain_figure(
    times: pd.DataFrame,
    *,
    kaplan_meier: pd.DataFrame,
    turnbull: IntervalCurve,
    title: str,
    unit: str = "weeks",
) -> Picture:
    """Draw the share who have reached a gain, by Kaplan-Meier and from the visits around it.

    Parameters
    ----------
    times : DataFrame
        From `gain_intervals`: for the numbers at risk.
    kaplan_meier : DataFrame
        Curve of the same times, from `kaplan_meier`.
    turnbull : IntervalCurve
        Curve of the same intervals, from `turnbull`.
    title : str
        Names the measure and the gain.
    unit : str
        ``"weeks"`` or ``"visits"``.

    Returns
    -------
    Picture
    """
    until = float(np.quantile(times["time"], 0.95)) or 1.0
    grid = np.linspace(0, until, 400)
    most, least = turnbull.survival(grid)
    with house_style():
        figure, (ax, risk) = new_figure(7.2, 4.2, rows=2, sharex=True, height_ratios=[10, 1.1])
        ax.fill_between(grid, (1 - most) * 100, (1 - least) * 100, color=BLUE, alpha=0.35, lw=0,
                        step="post", label="between visits (Turnbull): the edge is not known "
                        "inside the band")  # fmt: skip
        ax.plot(grid, (1 - most) * 100, color=BLUE, lw=1.2, drawstyle="steps-post")
        ax.plot(grid, (1 - least) * 100, color=BLUE, lw=1.2, drawstyle="steps-post")
        shown = kaplan_meier[kaplan_meier["time"] <= until]
        ax.fill_between(shown["time"], (1 - shown["ci_high"]) * 100, (1 - shown["ci_low"]) * 100,
                        color=BAND, lw=0, step="post", zorder=0)  # fmt: skip
        ax.step(shown["time"], (1 - shown["survival"]) * 100, where="post", color=INK, lw=1.4,
                ls=(0, (4, 2)), label="dated at its visit (Kaplan-Meier)")  # fmt: skip
        ax.axhline(50, color=QUIET, lw=0.7)
        ax.set(ylim=(0, 100), xlim=(0, until), ylabel="clients who reached it (%)")
        ax.set_title(title)
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
        figure.legend(loc="outside upper left", ncols=1)
        _at_risk(risk, times, until, unit)
    caption = (
        "Grey: 95% interval of Kaplan-Meier. Clients who left before reaching it count as long as "
        "they came. Below: clients still coming who have not reached it."
    )
    return Picture.of(figure, alt=_alt(times, kaplan_meier, turnbull, title, until, unit),
                      caption=caption)  # fmt: skip


def _at_risk(ax, times: pd.DataFrame, until: float, unit: str) -> None:  # noqa: ANN001
    at = np.arange(0, until + 1e-9, max(1, np.ceil(until / 8)))
    counts = numbers_at_risk(times["time"], at=at)
    for t, n in zip(counts["time"], counts["at_risk"], strict=True):
        ax.text(t, 0.5, f"{n:,}", ha="center", va="center", fontsize=8.5, color=INK)
    ax.set(ylim=(0, 1), yticks=[], xlabel=f"{unit} since the first reading", xticks=at)
    ax.set_ylabel("at risk", rotation=0, ha="right", va="center", fontsize=8.5, labelpad=18)
    ax.spines["left"].set_visible(False)


def _alt(
    times: pd.DataFrame,
    curve: pd.DataFrame,
    intervals: IntervalCurve,
    title: str,
    until: float,
    unit: str,
) -> str:
    half = until / 2
    before = curve[curve["time"] <= half].iloc[-1]
    most, least = intervals.survival(np.array([half]))
    return (
        f"{title}: {int(times['reached'].sum())} of {plural(len(times), 'client')} were seen to "
        f"reach it. After {number(half)} {unit} Kaplan-Meier puts the share at "
        f"{percent(1 - before['survival'])}, Turnbull's estimate between "
        f"{percent(1 - float(most[0]))} and {percent(1 - float(least[0]))}."
    )
