"""The figures of the page of evidence."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import percent, plural

__all__ = ["calibration", "coverage_strip", "recovery"]

_MARKS = (("o", BLUE, "-"), ("s", CLAY, "--"), ("D", INK, ":"))


def coverage_strip(coverages: pd.DataFrame, *, short: str = "short") -> Picture:
    """Draw every coverage as a mark, a row per simulation; those that fall short stand out.

    `coverages` has about (the row's label), share, nominal, and the truth column `short`.
    """
    rows = list(dict.fromkeys(coverages["about"]))
    with house_style():
        figure, (ax,) = new_figure(7.2, 0.9 + 0.34 * len(rows))
        ax.axvline(95, color=INK, lw=1)
        spread = np.random.default_rng(1)
        for missed, (marker, colour, label) in {
            False: ("o", BLUE, "held as often as promised, within 2 points"),
            True: ("v", CLAY, "fell short by more than 2 points"),
        }.items():
            part = coverages[coverages[short] == missed]
            y = np.array([rows.index(about) for about in part["about"]], dtype=float)
            y += spread.uniform(-0.22, 0.22, len(part))
            ax.plot(
                part["share"] * 100,
                y,
                marker,
                color=colour,
                markersize=4.5,
                alpha=0.75,
                markeredgewidth=0,
                label=label,
            )
        counts = coverages.groupby("about").size()
        ax.set_yticks(range(len(rows)), [f"{row} ({counts[row]})" for row in rows], color=INK)
        ax.tick_params(axis="y", length=0)
        ax.set(ylim=(len(rows) - 0.4, -0.6), xlabel="intervals that held the truth (%)")
        ax.set_xlim(min(85.0, coverages["share"].min() * 100 - 2), 101)
        ax.xaxis.grid(True, color=FAINT, lw=0.5)
        figure.legend(loc="outside upper left", ncols=2, handletextpad=0.2)
    parts = [
        f"{row}: {plural(len(part), 'figure')}, {percent(part['share'].min(), 1)} to "
        f"{percent(part['share'].max(), 1)}"
        for row, part in coverages.groupby("about", sort=False)
    ]
    return Picture.of(
        figure,
        alt="Coverage of nominal 95% intervals, by simulation. " + "; ".join(parts) + ".",
        caption="Each mark is one simulated situation; the line is what was promised. Marks within "
        "a row are spread up and down only to be seen.",
    )


def calibration(panels: Mapping[str, Mapping[str, pd.DataFrame]]) -> Picture:
    """Draw reliability curves, a panel per setting: chance given against share come true.

    Each curve has given, true and count; bars are 95% intervals of the share.
    """
    words = []
    with house_style():
        figure, axes = new_figure(7.2, 4.1, columns=len(panels), sharey=True)
        for ax, (panel, curves) in zip(axes, panels.items(), strict=True):
            ax.plot([0, 100], [0, 100], color=QUIET, lw=0.9, ls=(0, (1, 2)))
            for (name, curve), (marker, colour, style) in zip(curves.items(), _MARKS, strict=False):
                given, true = curve["given"] * 100, curve["true"] * 100
                reach = 196 * np.sqrt(curve["true"] * (1 - curve["true"]) / curve["count"])
                ax.errorbar(
                    given,
                    true,
                    yerr=reach,
                    color=colour,
                    marker=marker,
                    ls=style,
                    ms=4.5,
                    lw=1.2,
                    elinewidth=0.8,
                    label=name,
                )
                gap = (curve["true"] - curve["given"]).abs().max()
                words.append(f"{panel}, {name}: farthest from the line by {percent(gap)}")
            ax.set(title=panel, xlabel="chance given (%)", xlim=(-2, 102), ylim=(-4, 104))
            ax.set_box_aspect(1)
            ax.legend(loc="lower right", handlelength=2.6)
            ax.grid(True, color=FAINT, lw=0.5)
        axes[0].set_ylabel("share come true (%)")
    return Picture.of(
        figure,
        alt="Chance of an important improvement as the model gave it, against the share of "
        "clients who truly had one. " + "; ".join(words) + ".",
        caption="On the dotted line a chance of 80% comes true 80 times in 100. Bars: 95% "
        "intervals of the share; clients of one caseload are counted as if apart, so the bars are "
        "a little short.",
    )


def recovery(numbers: pd.DataFrame, names: Mapping[str, str]) -> Picture:
    """Draw how far the mean improvement is from the planted one, per measure and world.

    `numbers` has measure, world, planted, bias, bias_error, half_width.
    """
    order = [code for code in names if code in set(numbers["measure"])]
    looks = {
        "drift": ("v", CLAY, "one instrument reads more and more", -0.14),
        "steady": ("o", BLUE, "all instruments steady", 0.14),
        "none": ("D", INK, "no instrument", 0.0),
    }
    with house_style():
        figure, (ax,) = new_figure(7.2, 0.9 + 0.34 * len(order))
        ax.axvline(0, color=INK, lw=1)
        for world, (marker, colour, label, shift) in looks.items():
            part = numbers[numbers["world"] == world]
            y = np.array([order.index(code) for code in part["measure"]]) + shift
            x, reach = 100 * part["bias"] / part["planted"], 196 * part["bias_error"]
            ax.hlines(y, x - reach / part["planted"], x + reach / part["planted"], color=colour)
            ax.plot(x, y, marker, color=colour, markersize=5.5, label=label)
        ax.set_yticks(range(len(order)), [names[code] for code in order], color=INK)
        ax.tick_params(axis="y", length=0)
        ax.set(ylim=(len(order) - 0.4, -0.6), xlabel="reported less planted (% of the planted)")
        ax.xaxis.grid(True, color=FAINT, lw=0.5)
        figure.legend(loc="outside upper left", ncols=3, handletextpad=0.2)
    parts = [
        f"{names[row.measure]}, {looks[row.world][2]}: {100 * row.bias / row.planted:+.1f}%"
        for row in numbers.itertuples()
        if row.measure in names
    ]
    return Picture.of(
        figure,
        alt="Mean error of the mean improvement, in percent of the planted improvement. "
        + "; ".join(parts)
        + ".",
        caption="Average over all seeds, with its 95% interval. A mark on the line means no bias.",
    )
