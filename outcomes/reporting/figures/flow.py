"""The flow of clients from the door to the analysis, drawn from the counts."""

from __future__ import annotations

from collections.abc import Mapping

from matplotlib.patches import FancyArrowPatch, Rectangle

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import count_of

__all__ = ["flow_diagram"]

_STAGES = {
    "eligible": "seen in the quarter",
    "measured_at_start": "measured at the start",
    "measured_again": "measured again",
    "analysed": "analysed",
}
_LOST = (
    "not measured at the start",
    "no second measurement yet",
    "other instrument, side or mode",
)


def flow_diagram(flow: Mapping[str, int], *, title: str) -> Picture:
    """Draw the flow diagram that the STROBE statement asks for.

    Parameters
    ----------
    flow : mapping of str to int
        eligible, measured_at_start, measured_again, analysed.
    title : str
        What is counted.

    Returns
    -------
    Picture

    References
    ----------
    von Elm et al. 2007, PLoS Med 4:e296, item 13c.
    """
    counts = [int(flow[stage]) for stage in _STAGES]
    with house_style():
        figure, (ax,) = new_figure(7.2, 3.5)
        ax.set_axis_off()
        ax.set(xlim=(0, 10), ylim=(-0.2, 8))
        ax.set_title(title)
        for i, (words, count) in enumerate(zip(_STAGES.values(), counts, strict=True)):
            y = 6.7 - 2.05 * i
            _box(ax, 0.2, y, 4.4, f"{count:,} {words}", strong=True)
            if i:
                _arrow(ax, (2.4, y + 2.05), (2.4, y + 1.0))
                lost = counts[i - 1] - count
                _arrow(ax, (2.4, y + 1.52), (5.3, y + 1.52))
                _box(ax, 5.3, y + 1.1, 4.5, f"{lost:,} {_LOST[i - 1]}", strong=False)
    alt = (
        f"{title}: of {counts[0]} seen, {count_of(counts[1], counts[0])} were measured at the "
        f"start, {count_of(counts[2], counts[0])} measured again, "
        f"{count_of(counts[3], counts[0])} analysed."
    )
    return Picture.of(figure, alt=alt)


def _box(ax, x: float, y: float, width: float, text: str, *, strong: bool) -> None:  # noqa: ANN001
    height = 1.0 if strong else 0.84
    edge = INK if strong else FAINT
    ax.add_patch(Rectangle((x, y), width, height, facecolor="white", edgecolor=edge, lw=1.1))
    ax.text(
        x + 0.2, y + height / 2, text, va="center", color=INK if strong else QUIET, fontsize=9.5
    )


def _arrow(ax, start: tuple[float, float], end: tuple[float, float]) -> None:  # noqa: ANN001
    ax.add_patch(FancyArrowPatch(start, end, arrowstyle="-|>", mutation_scale=9, color=QUIET, lw=1))
