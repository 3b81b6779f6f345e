"""Difference against mean: how far two raters, or two trials, lie apart on one client."""

from __future__ import annotations

import numpy as np

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, CLAY, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import interval, with_unit
from outcomes.statistics.repeatability import LimitsOfAgreement

__all__ = ["difference_against_mean"]


def difference_against_mean(found: LimitsOfAgreement, *, title: str, what: str) -> Picture:
    """Draw differences against means with the limits of agreement and their intervals.

    Parameters
    ----------
    found : LimitsOfAgreement
        From `limits_of_agreement`.
    title : str
        Of the figure.
    what : str
        The difference in words, as "rater T1 minus rater T2".

    Returns
    -------
    Picture

    References
    ----------
    Bland & Altman 1986, Lancet i:307.
    """
    unit = "°" if found.unit == "deg" else found.unit
    rows = found.limits.set_index("quantity")
    lines = {
        "mean difference": (found.mean_difference, BLUE, "-"),
        "lower limit": (found.lower_limit, CLAY, (0, (5, 3))),
        "upper limit": (found.upper_limit, CLAY, (0, (5, 3))),
    }
    with house_style():
        figure, (ax,) = new_figure(7.2, 3.9)
        ax.axhline(0, color=QUIET, lw=0.8)
        right = 1.005
        for name, (value, colour, style) in lines.items():
            if name in rows.index:
                low, high = rows.loc[name, ["ci_low", "ci_high"]]
                ax.axhspan(low, high, color=BAND, lw=0, zorder=0)
            ax.axhline(value, color=colour, lw=1.4, ls=style)
            ax.annotate(
                f"{name}\n{with_unit(value, found.unit, sign=True)}",
                (right, value),
                xycoords=("axes fraction", "data"),
                va="center",
                fontsize=8,
                color=colour,
            )
        ax.plot(
            found.points["mean"],
            found.points["difference"],
            "o",
            ms=5,
            color=INK,
            mfc="white",
            mew=1.1,
        )
        reach = np.abs([*ax.get_ylim(), found.lower_limit, found.upper_limit]).max() * 1.05
        ax.set(ylim=(-reach, reach), xlabel=f"mean ({unit})", ylabel=f"{what} ({unit})")
        ax.set_title(title)
    alt = (
        f"{title}: difference against mean of {found.n} clients. {what.capitalize()} is on average "
        f"{with_unit(found.mean_difference, found.unit, sign=True)}; 95% of differences lie "
        f"between {interval(found.lower_limit, found.upper_limit, found.unit)}."
    )
    caption = "Lines: mean difference and limits of agreement. Grey: their 95% intervals."
    return Picture.of(figure, alt=alt, caption=caption)
