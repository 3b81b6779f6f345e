"""Funnels: each group's result against its size, with what chance allows for that size."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import percent, plural
from outcomes.statistics.service import funnel_lines

__all__ = ["share_funnel_figure"]


def share_funnel_figure(funnel: pd.DataFrame, *, title: str, label: str, named: bool) -> Picture:
    """Draw the shares of groups inside exact binomial limits.

    Parameters
    ----------
    funnel : DataFrame
        As `outcomes.statistics.service.share_funnel` gives it.
    title, label : str
        Of the figure and of its vertical axis.
    named : bool
        Write the groups' codes beside their points; without, points stay anonymous.

    Returns
    -------
    Picture
    """
    theta = float(funnel["target"].iloc[0])
    phi = float(funnel["dispersion"].iloc[0])
    most = float(funnel["n"].max()) * 1.15
    sizes = np.unique(np.round(np.geomspace(max(4, most / 200), most, 160)))
    limits = funnel_lines(sizes, theta=theta, dispersion=phi)
    outside = funnel["position"].eq("beyond 99.8%").to_numpy()
    with house_style():
        figure, (ax,) = new_figure(6.4, 3.6)
        for low, high, shade in (
            ("lower_998", "upper_998", BAND),
            ("lower_95", "upper_95", "#cfd7dd"),
        ):
            ax.fill_between(
                sizes, limits[low] * 100, limits[high] * 100, color=shade, lw=0, zorder=0
            )
        ax.axhline(theta * 100, color=QUIET, lw=1, zorder=1)
        share, n = funnel["share"].to_numpy() * 100, funnel["n"].to_numpy()
        ax.plot(n[~outside], share[~outside], "o", color=INK, ms=6, zorder=3)
        ax.plot(n[outside], share[outside], "D", color=CLAY, ms=7, zorder=3)
        if named:
            for x, y, name in zip(n, share, funnel["group"], strict=True):
                ax.annotate(
                    str(name), (x, y), xytext=(6, 4), textcoords="offset points", fontsize=8.5
                )
        ax.set(xlim=(0, most), ylim=(0, 100), xlabel="clients", ylabel=f"{label} (%)")
        ax.set_title(title)
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
    beyond = int(outside.sum())
    alt = (
        f"{title}: {plural(len(funnel), 'group')} around a common share of {percent(theta)}. "
        + ("No group lies" if not beyond else f"{beyond} {'lies' if beyond == 1 else 'lie'}")
        + " outside the 99.8% limits."
    )
    caption = (
        "Dark grey: 95% limits, light grey: 99.8% limits of chance for a group of that size. Of "
        "twenty groups that are all alike, one is expected outside the dark band; a diamond lies "
        "outside both."
    )
    return Picture.of(figure, alt=alt, caption=caption)
