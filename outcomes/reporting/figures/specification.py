"""All reasonable analyses, ranked: the headline of each, and the choices that led to it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import interval, number, percent, plural, with_unit
from outcomes.statistics.sensitivity import CHOICES, VERDICTS, Agreement

__all__ = ["specification_figure"]

#: How each verdict is marked: colour, marker, and whether it is filled.
_MARKS: dict[str, tuple[str, str, bool]] = dict(
    zip(
        VERDICTS,
        [(BLUE, "o", True), (BLUE, "o", False), (INK, "s", False), (QUIET, "x", True),
         (CLAY, "v", True)],
        strict=True,
    )
)  # fmt: skip
#: Choices that move the mean improvement; the line moves its verdict, the error shares of clients.
_SHOWN = tuple(name for name in CHOICES if name not in ("line", "error"))
_TITLES = {
    "version": "readings",
    "window": "weeks of care",
    "outliers": "values that stick out",
    "missing": "those not measured again",
    "course": "improvement worked out by",
}
#: Long names of options, shortened to fit beside the axis.
_SHORT = {
    "changes beyond 3 robust SD left out": "beyond 3 robust SD left out",
    "readings drawn in to the 1st and 99th percentile": "drawn in to 1st and 99th percentile",
    "lost clients got worse by half an SD": "lost clients worse by half an SD",
}


def specification_figure(grid: pd.DataFrame, found: Agreement, measure: Measure) -> Picture:
    """Draw the mean improvement of every analysis in rising order, verdicts and choices below.

    Parameters
    ----------
    grid : DataFrame
        From `run_grid`.
    found : Agreement
        From `agreement`, of the same grid.
    measure : Measure
        Name and unit.

    Returns
    -------
    Picture

    References
    ----------
    Simonsohn, Simmons & Nelson 2020, Nat Hum Behav 4:1208, doi:10.1038/s41562-020-0912-z.
    """
    run, means = _ranked(grid)
    lines = list(run["line"].unique())
    options = [
        (name, str(option))
        for name in _SHOWN
        if means[name].nunique() > 1
        for option in means[name].unique()
    ]
    titles = len({name for name, _ in options})
    heights = [2.9, 0.25 + 0.36 * len(lines), 0.5 + 0.21 * (len(options) + titles)]
    unit = "\N{DEGREE SIGN}" if measure.unit == "deg" else measure.unit
    with house_style():
        figure, (curve, verdicts, choices) = new_figure(
            7.2, 0.6 + sum(heights), rows=3, sharex=True, height_ratios=heights
        )
        _draw_curve(curve, means, run)
        curve.set_ylabel(f"mean improvement ({unit})")
        curve.set_title(f"{measure.name}: all analyses, ranked")
        _draw_verdicts(verdicts, run, lines)
        _draw_choices(choices, means, options)
        for ax in (curve, verdicts):
            ax.tick_params(axis="x", length=0)
        choices.set_xlabel("analyses, from the smallest improvement to the largest")
        figure.legend(loc="outside lower left", ncols=2, handletextpad=0.3, columnspacing=1.4)
    return Picture.of(figure, alt=_alt(run, found, measure), caption=_CAPTION)


_CAPTION = (
    "Above: the mean improvement of each analysis, its 95% interval in grey, the lines of "
    "importance dashed, the main analysis ringed. Middle: the verdict of the same analysis against "
    "each line, the better one higher. Below: a stroke where the analysis above took that choice, "
    "the main one named first. A choice whose strokes gather at one end moves the headline. The "
    "measurement error moves shares of clients, not the mean, and stands in the table."
)


def _ranked(grid: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rank the means; give one row per mean and line, and one row per mean, in declared order."""
    run = grid[grid["estimate"].notna()].drop_duplicates([*_SHOWN, "line"])
    means = run.drop_duplicates(list(_SHOWN))
    order = means.sort_values(["estimate", "analysis"], kind="stable")
    order = order.assign(rank=np.arange(1, len(order) + 1))
    ranks = order[[*_SHOWN, "rank"]]
    return run.merge(ranks, on=list(_SHOWN)), means.merge(ranks, on=list(_SHOWN))


def _draw_curve(ax: Axes, means: pd.DataFrame, run: pd.DataFrame) -> None:
    rows = means.sort_values("rank")
    ax.fill_between(rows["rank"], rows["ci_low"], rows["ci_high"], color=BAND, lw=0, step="mid")
    ax.axhline(0, color=QUIET, lw=0.8)
    for line in run["line_value"].unique():
        ax.axhline(line, color=INK, lw=0.8, ls=(0, (5, 3)))
    ax.plot(rows["rank"], rows["estimate"], "o", color=INK, ms=2.6, mew=0)
    main = rows[rows["main"]].iloc[0]
    ax.plot(main["rank"], main["estimate"], "o", color=CLAY, mfc="none", ms=11, mew=1.6)
    ax.annotate(
        "main analysis",
        (main["rank"], main["estimate"]),
        xytext=(0, 12),
        textcoords="offset points",
        ha="right" if main["rank"] > 0.7 * len(rows) else "center",
        color=CLAY,
        fontsize=8.5,
    )


def _draw_verdicts(ax: Axes, run: pd.DataFrame, lines: list[str]) -> None:
    place = {line: y for y, line in enumerate(lines)}
    present = [verdict for verdict in VERDICTS if (run["verdict"] == verdict).any()]
    steps = np.linspace(-0.26, 0.26, len(present)) if len(present) > 1 else [0.0]
    for verdict, step in zip(present, steps, strict=True):
        colour, marker, filled = _MARKS[verdict]
        some = run[run["verdict"] == verdict]
        face = colour if filled else "white"
        label = f"{verdict} ({percent(len(some) / len(run))})"
        ax.plot(some["rank"], some["line"].map(place) + step, marker, color=colour, mfc=face,
                ms=2.8, mew=0.6, label=label)  # fmt: skip
    for y in range(1, len(lines)):
        ax.axhline(y - 0.5, color=FAINT, lw=0.6)
    ax.set_yticks(range(len(lines)), [f"against {line}" for line in lines], color=INK, fontsize=8)
    ax.set_ylim(len(lines) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)


def _draw_choices(ax: Axes, means: pd.DataFrame, options: list[tuple[str, str]]) -> None:
    y, before, places, labels = 0.0, "", [], []
    for name, option in options:
        if name != before:
            y += 0.25 if before else 0.0
            ax.text(0.0, y + 0.35, _TITLES[name], color=QUIET, fontsize=8, ha="left",
                    transform=ax.get_yaxis_transform())  # fmt: skip
            y, before = y + 1.0, name
        rank = np.sort(means.loc[means[name].astype(str) == option, "rank"].to_numpy(float))
        nothing = np.full(rank.size, np.nan)  # ends each stroke: one path for all of them
        level = np.full(rank.size, y)
        ends = np.column_stack([level - 0.36, level + 0.36, nothing])
        strokes = np.column_stack([rank, rank, nothing])
        ax.plot(strokes.ravel(), ends.ravel(), color=INK, lw=1.0, solid_capstyle="butt")
        places.append(y)
        labels.append(_SHORT.get(option, option))
        y += 1.0
    ax.set_yticks(places, labels, color=INK, fontsize=8)
    ax.set(ylim=(y - 0.3, -0.3), xlim=(-0.01 * len(means), 1.01 * len(means) + 1))
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_color(FAINT)


def _alt(run: pd.DataFrame, found: Agreement, measure: Measure) -> str:
    counts = run["verdict"].value_counts()
    verdicts = "; ".join(f"{v}: {int(counts[v])}" for v in VERDICTS if v in counts.index)
    moves = f" The choice that moves it most is: {found.moves_most}." if found.moves_most else ""
    return (
        f"{measure.name}: mean improvement in "
        f"{plural(found.n_analyses, 'analysis', 'analyses')}, from "
        f"{with_unit(found.lowest, measure.unit)} to {with_unit(found.highest, measure.unit)}, "
        f"median {number(found.median)}. Main analysis "
        f"{with_unit(found.main_estimate, measure.unit)} "
        f"({interval(found.main_low, found.main_high, measure.unit)}). Verdicts: {verdicts}.{moves}"
    )
