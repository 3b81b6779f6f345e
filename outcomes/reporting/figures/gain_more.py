"""More of the time to a gain: the chance at each visit, two groups, and what ends a course."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import (
    BAND,
    BLUE,
    CLAY,
    FAINT,
    INK,
    PAPER,
    QUIET,
    house_style,
    new_figure,
)
from outcomes.reporting.wording import number, percent, plural
from outcomes.statistics.time_to_gain import numbers_at_risk

__all__ = ["chance_by_visit_figure", "endings_figure", "group_curves_figure"]

_COLOURS = (BLUE, CLAY)
_STYLES = ("-", (0, (4, 2)))


def chance_by_visit_figure(hazards: pd.DataFrame, *, title: str) -> Picture:
    """Draw the chance to reach a gain at each visit, with its interval and the clients at risk.

    Parameters
    ----------
    hazards : DataFrame
        From `hazard_by_visit`.
    title : str
        Names the measure and the gain.

    Returns
    -------
    Picture
    """
    visit = hazards["visit"].to_numpy(int)
    share, low, high = (hazards[c].to_numpy(float) * 100 for c in ("share", "ci_low", "ci_high"))
    with house_style():
        figure, (ax, risk) = new_figure(7.2, 3.6, rows=2, sharex=True, height_ratios=[8, 1.1])
        ax.vlines(visit, low, high, color=BLUE, lw=2.2, alpha=0.45)
        ax.plot(visit, share, "o", color=BLUE, ms=5, clip_on=False)
        ax.set(ylim=(0, max(10.0, float(high.max()) * 1.05)), xlim=(0.5, visit.max() + 0.5))
        ax.set_ylabel("chance to reach it (%)")
        ax.set_title(title)
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
        _counts(risk, visit, {"at risk": hazards["at_risk"].to_numpy(int)})
        risk.set(xticks=visit, xlabel="visits since the first reading")
    words = "; ".join(
        f"visit {r['visit']}: {percent(r['share'])} of {r['at_risk']:,}"
        for r in hazards.to_dict("records")
    )
    return Picture.of(
        figure,
        alt=f"{title}: chance to reach it among those not there yet. {words}.",
        caption="Points: share of the clients not there yet who reach it at that visit; lines: 95% "
        "intervals. Below: clients still coming who have not reached it.",
    )


def group_curves_figure(
    curves: Mapping[str, pd.DataFrame], times: Mapping[str, pd.Series], *, title: str
) -> Picture:
    """Draw the share who have reached a gain in two groups, with numbers at risk of each.

    Parameters
    ----------
    curves : mapping of str to DataFrame
        From `kaplan_meier`, by group; two.
    times : mapping of str to Series
        Times of the clients of each group, for the numbers at risk.
    title : str
        Names the measure and the gain.

    Returns
    -------
    Picture
    """
    until = float(np.quantile(np.concatenate([t.to_numpy(float) for t in times.values()]), 0.95))
    until = until or 1.0
    at = np.arange(0, until + 1e-9, max(1, np.ceil(until / 8)))
    with house_style():
        figure, (ax, risk) = new_figure(7.2, 4.0, rows=2, sharex=True, height_ratios=[8, 1.7])
        for (name, curve), colour, style in zip(curves.items(), _COLOURS, _STYLES, strict=True):
            shown = curve[curve["time"] <= until]
            ax.fill_between(shown["time"], (1 - shown["ci_high"]) * 100,
                            (1 - shown["ci_low"]) * 100, color=colour, alpha=0.15, lw=0,
                            step="post")  # fmt: skip
            ax.step(shown["time"], (1 - shown["survival"]) * 100, where="post", color=colour,
                    ls=style, lw=1.5, label=name)  # fmt: skip
        ax.set(ylim=(0, 100), xlim=(0, until), ylabel="clients who reached it (%)")
        ax.set_title(title)
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
        figure.legend(loc="outside upper left", ncols=2)
        _counts(risk, at, {n: numbers_at_risk(t, at=at)["at_risk"] for n, t in times.items()})
        risk.set(xticks=at, xlabel="weeks since the first reading")
    words = []
    for name, curve in curves.items():
        half = curve[curve["time"] <= until / 2].iloc[-1]
        words.append(
            f"{name}, {plural(len(times[name]), 'client')}: {percent(1 - half['survival'])} after "
            f"{number(until / 2)} weeks"
        )
    return Picture.of(
        figure,
        alt=f"{title}, by group (Kaplan-Meier). {'; '.join(words)}.",
        caption="Each gain is dated at the visit that shows it (Kaplan-Meier); shaded: 95% "
        "intervals. Below: clients of each group still coming who have not reached it.",
    )


def endings_figure(curves: pd.DataFrame, *, title: str) -> Picture:
    """Draw what comes first for the clients: the gain, or another ending, with numbers at risk.

    Parameters
    ----------
    curves : DataFrame
        From `aalen_johansen`.
    title : str
        Names the measure and the gain.

    Returns
    -------
    Picture
    """
    names = sorted(curves["ending"].unique(), key=lambda name: name != "gain")
    wide = curves.pivot(index="time", columns="ending", values="share")[names]
    risk_of = curves.drop_duplicates("time").set_index("time")["at_risk"]
    seen = risk_of.index[risk_of >= max(3, 0.03 * risk_of.iloc[0])]
    until = float(seen.max()) or 1.0
    wide = wide[wide.index <= until]
    at = np.arange(0, until + 1e-9, max(1, np.ceil(until / 8)))
    fills = [BLUE, BAND, FAINT, PAPER]
    hatches = ["", "", "////", "...."]
    with house_style():
        figure, (ax, risk) = new_figure(7.2, 4.0, rows=2, sharex=True, height_ratios=[9, 1.1])
        base = np.zeros(len(wide))
        for place, name in enumerate(names):
            top = base + wide[name].to_numpy(float) * 100
            label = "the gain" if name == "gain" else f"{name}, before it"
            ax.fill_between(wide.index, base, top, step="post", label=label, edgecolor=QUIET,
                            lw=0.5, facecolor=fills[min(place, 3)],
                            hatch=hatches[min(place, 3)])  # fmt: skip
            base = top
        ax.set(ylim=(0, 100), xlim=(0, until), ylabel="of all who start (%)")
        ax.set_title(title)
        figure.legend(loc="outside upper left", ncols=2)
        places = np.searchsorted(risk_of.index.to_numpy(float), at)
        _counts(risk, at, {"at risk": risk_of.to_numpy(int)[np.minimum(places, len(risk_of) - 1)]})
        risk.set(xticks=at, xlabel="weeks since the first reading")
    last = wide.iloc[-1]
    words = "; ".join(
        f"{'the gain' if n == 'gain' else n + ' before it'} {percent(last[n])}" for n in names
    )
    return Picture.of(
        figure,
        alt=f"{title}: what comes first, by week {number(until)}: {words}.",
        caption="What comes first for a client (Aalen-Johansen): an ending takes away the chance "
        "of the gain in this episode. White above: still coming, without it. Below: clients still "
        "coming who have not reached it.",
    )


def _counts(ax, at: np.ndarray, rows: Mapping[str, np.ndarray | pd.Series]) -> None:  # noqa: ANN001
    """Write rows of numbers at risk below a figure."""
    for place, (name, counts) in enumerate(rows.items()):
        y = 1 - (place + 0.5) / len(rows)
        for t, n in zip(at, counts, strict=True):
            ax.text(t, y, f"{int(n):,}", ha="center", va="center", fontsize=8.5, color=INK)
        ax.text(-0.035, y, name, ha="right", va="center", fontsize=8.5, color=QUIET,
                transform=ax.get_yaxis_transform())  # fmt: skip
    ax.set(ylim=(0, 1), yticks=[])
    ax.spines["left"].set_visible(False)
