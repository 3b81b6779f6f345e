"""Home exercise done, week by week."""

from __future__ import annotations

import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, FAINT, QUIET, house_style, new_figure
from outcomes.reporting.wording import percent

__all__ = ["adherence_by_week_figure"]


def adherence_by_week_figure(adherence: pd.DataFrame, *, least: int = 10) -> Picture:
    """Draw the mean share of prescribed exercise done, and how many still kept a diary.

    Parameters
    ----------
    adherence : DataFrame
        week, n, mean, ci_low, ci_high, as `adherence_by_week` gives it.
    least : int
        Weeks with fewer diaries are left out.

    Returns
    -------
    Picture
    """
    rows = adherence[(adherence["n"] >= least) & adherence["mean"].notna()]
    rows = adherence.head(1) if rows.empty else rows
    week = rows["week"].to_numpy(float) + 1
    with house_style():
        figure, (ax,) = new_figure(7.2, 2.7)
        low, high = rows["ci_low"].to_numpy(float), rows["ci_high"].to_numpy(float)
        ax.fill_between(week, low * 100, high * 100, color=BLUE, alpha=0.22, lw=0)
        ax.plot(week, rows["mean"].to_numpy(float) * 100, "o-", color=BLUE, ms=4.5)
        for x, n in zip(week, rows["n"], strict=True):
            ax.annotate(f"{int(n)}", (x, 3), ha="center", fontsize=8, color=QUIET)
        ax.set(ylim=(0, 100), xlabel="week of care (below: diaries kept)", ylabel="done (%)")
        ax.set_xticks(week)
        ax.set_title("Home exercise done, of what was asked for")
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
    first, last = rows.iloc[0], rows.iloc[-1]
    alt = (
        f"Home exercise: {percent(first['mean'])} of what was asked for was done in week 1 "
        f"({int(first['n'])} diaries) and {percent(last['mean'])} in week {int(last['week']) + 1} "
        f"({int(last['n'])} diaries)."
    )
    caption = "Mean of the clients who still kept a diary, with its 95% interval."
    return Picture.of(figure, alt=alt, caption=caption)
