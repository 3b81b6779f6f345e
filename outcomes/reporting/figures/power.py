"""Power over the number of clients: what a study of each size would show."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import percent, plural

__all__ = ["power_figure"]

_LINES = ((BLUE, "-"), (INK, (0, (6, 2))), (CLAY, (0, (2, 1.5))), (QUIET, (0, (8, 2, 1, 2))))


def power_figure(
    curves: Mapping[str, pd.DataFrame],
    *,
    title: str,
    label: str = "clients analysed",
    here: int | None = None,
    wanted: float = 0.8,
) -> Picture:
    """Draw power against size, one line for each difference that might be true.

    Parameters
    ----------
    curves : mapping of str to DataFrame
        From `power_curve`, by what is to be seen; at most four.
    title, label : str
        Of the figure and of its horizontal axis.
    here : int, optional
        The clinic's own number of clients, marked on the axis.
    wanted : float
        Power that is asked for, in (0, 1).

    Returns
    -------
    Picture
    """
    most = max(float(curve["n"].max()) for curve in curves.values())
    with house_style():
        figure, (ax,) = new_figure(7.2, 3.7)
        ax.axhline(wanted * 100, color=QUIET, lw=0.8)
        for (name, curve), (colour, style) in zip(curves.items(), _LINES, strict=False):
            ax.plot(curve["n"], curve["power"] * 100, color=colour, ls=style, lw=1.8, label=name)
        if here is not None:
            ax.axvline(here, color=CLAY, lw=1)
            ax.annotate(f"here: {here}", (here, 2), xytext=(4, 0), textcoords="offset points",
                        color=CLAY, fontsize=8.5)  # fmt: skip
        ax.annotate(f"{percent(wanted)} wanted", (most, wanted * 100), xytext=(0, 3),
                    textcoords="offset points", ha="right", color=QUIET, fontsize=8,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1})  # fmt: skip
        ax.set(ylim=(0, 101), xlim=(0, most), xlabel=label, ylabel="chance to show it (%)")
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
        ax.set_title(title)
        figure.legend(loc="outside right center")
    return Picture.of(figure, alt=_alt(curves, title, here, wanted))


def _alt(curves: Mapping[str, pd.DataFrame], title: str, here: int | None, wanted: float) -> str:
    parts = []
    for name, curve in curves.items():
        enough = curve.loc[curve["power"] >= wanted, "n"]
        need = (
            f"{percent(wanted)} from {plural(int(enough.min()), 'client')}"
            if len(enough)
            else f"under {percent(wanted)} up to {int(curve['n'].max())} clients"
        )
        now = ""
        if here is not None:
            at = float(np.interp(here, curve["n"], curve["power"]))
            now = f", {percent(at)} with {here}"
        parts.append(f"{name}: {need}{now}")
    return f"{title}. Chance to show it: {'; '.join(parts)}."
