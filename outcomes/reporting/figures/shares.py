"""Shares of clients per measure, with their intervals: gains to the right, declines to the left."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, CLAY, FAINT, INK, house_style, new_figure
from outcomes.reporting.wording import join_words, percent

__all__ = ["shares_by_measure"]

#: Which shares are drawn: label, marker, colour, filled, height within the row.
_ROWS = {
    "surely improved": ("surely improved", "o", BLUE, False, -0.2),
    "expected to have improved importantly": ("expected gain that matters", "D", INK, True, 0.05),
    "worsened detectably": ("declined beyond error", "v", CLAY, True, 0.3),
}


def shares_by_measure(shares: pd.DataFrame, names: Mapping[str, str]) -> Picture:
    """Draw, per measure, the shares of clients who gained and who declined.

    Parameters
    ----------
    shares : DataFrame
        measure, quantity, count, n, share, ci_low, ci_high, as `verdict_shares` gives them.
    names : mapping of str to str
        Names of the measures, in the order of drawing.

    Returns
    -------
    Picture
    """
    order = [code for code in names if code in set(shares["measure"])]
    with house_style():
        figure, (ax,) = new_figure(7.2, 0.9 + 0.5 * len(order))
        for y in range(1, len(order)):
            ax.axhline(y - 0.46, color=FAINT, lw=0.6)
        for quantity, (label, marker, colour, filled, shift) in _ROWS.items():
            rows = shares[shares["quantity"] == quantity]
            y = np.array([order.index(code) for code in rows["measure"]]) + shift
            ax.hlines(y, rows["ci_low"] * 100, rows["ci_high"] * 100, color=colour, lw=1.3)
            ax.plot(
                rows["share"] * 100,
                y,
                marker,
                color=colour,
                markerfacecolor=colour if filled else "white",
                markersize=6,
                clip_on=False,
                label=label,
            )
        ax.set_yticks(range(len(order)), [names[code] for code in order], color=INK)
        ax.tick_params(axis="y", length=0)
        ax.set(ylim=(len(order) - 0.4, -0.6), xlim=(0, 100), xlabel="clients analysed (%)")
        ax.xaxis.grid(True, color=FAINT, lw=0.5)
        figure.legend(loc="outside upper left", ncols=3, columnspacing=1.4, handletextpad=0.3)
    return Picture.of(
        figure,
        alt=_alt(shares, names, order),
        caption="Points are shares of the clients analysed, lines their 95% intervals. Measures "
        "without a defensible line of importance have no diamond.",
    )


def _alt(shares: pd.DataFrame, names: Mapping[str, str], order: list[str]) -> str:
    parts = []
    for code in order:
        rows = shares[shares["measure"] == code].set_index("quantity")
        words = [
            f"{percent(rows.loc[q, 'share'])} of {int(rows.loc[q, 'n'])} {q}"
            for q in _ROWS
            if q in rows.index
        ]
        parts.append(f"{names[code]}: {join_words(words)}")
    return "Shares of clients by measure. " + "; ".join(parts) + "."
