"""Every threshold of a measure beside the others, and the share of clients who reach each."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure, sources
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BLUE, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import percent, plural, with_unit

__all__ = ["short_source", "threshold_figure"]

#: Kinds of threshold by the start of their name: label, marker, colour, filled.
_KINDS = (
    ("minimal detectable", "beyond measurement error", "s", QUIET, False),
    ("minimal important worsening", "important worsening", "v", INK, False),
    ("", "important to clients", "o", BLUE, True),
)


def threshold_figure(thresholds: pd.DataFrame, measure: Measure) -> Picture:
    """Draw, smallest threshold first, how many clients reach each.

    Parameters
    ----------
    thresholds : DataFrame
        From `compare_thresholds`.
    measure : Measure
        Name and unit.

    Returns
    -------
    Picture
    """
    rows = thresholds.reset_index(drop=True)
    kind = _kind(rows["quantity"])
    y = np.arange(len(rows), dtype=float)
    with house_style():
        figure, (ax,) = new_figure(7.2, 1.1 + 0.3 * len(rows))
        for k, (_, label, marker, colour, filled) in enumerate(_KINDS):
            at = kind == k
            if not at.any():
                continue
            ax.hlines(y[at], rows["ci_low"][at] * 100, rows["ci_high"][at] * 100, color=colour,
                      lw=1.3)  # fmt: skip
            face = colour if filled else "white"
            ax.plot(rows["share"][at] * 100, y[at], marker, color=colour, mfc=face, ms=6,
                    clip_on=False, label=label)  # fmt: skip
        ax.set_yticks(y, [_label(r, measure) for r in rows.itertuples()], color=INK, fontsize=8.5)
        for tick, strong in zip(ax.get_yticklabels(), _strong(rows), strict=True):
            tick.set_fontweight("bold" if strong else "normal")
        ax.tick_params(axis="y", length=0)
        ax.set(xlim=(0, 100), ylim=(len(rows) - 0.4, -0.6), xlabel="clients who reach it (%)")
        ax.xaxis.grid(True, color=FAINT, lw=0.5)
        ax.set_title("Who reaches which")
        figure.legend(loc="outside lower left", ncols=3, handletextpad=0.3, columnspacing=1.4)
    caption = (
        "Lines: 95% intervals of the shares, the threshold taken as known. Bold: the thresholds in "
        "use here, and the clinic's own."
    )
    return Picture.of(figure, alt=_alt(rows, measure), caption=caption)


def _strong(rows: pd.DataFrame) -> np.ndarray:
    return (rows["default"].fillna(False).astype(bool) | rows["origin"].eq("own")).to_numpy()


def _kind(quantity: pd.Series) -> np.ndarray:
    starts = [name for name, *_ in _KINDS]
    return np.array(
        [next(k for k, name in enumerate(starts) if str(q).startswith(name)) for q in quantity]
    )


def _label(row, measure: Measure) -> str:  # noqa: ANN001
    text = str(row.population or row.instrument or "population not said")
    where = "this clinic" if row.origin == "own" else text
    short = where if len(where) <= 34 else where[:32].rstrip(" ,;") + "\N{HORIZONTAL ELLIPSIS}"
    source = "" if row.origin == "own" else f", {short_source(row.source)}"
    return f"{with_unit(row.value, measure.unit)}  {short}{source}"


def short_source(key: str) -> str:
    """Name a source of the catalogue by first author and year; other words stay as they are.

    Examples
    --------
    >>> short_source("michener2011")
    'Michener 2011'
    """
    known = sources().get(key)
    if known is None:
        return key
    year = re.search(r"(19|20)\d\d", known.citation)
    return f"{known.citation.split()[0].rstrip(',')} {year.group() if year else ''}".strip()


def _alt(rows: pd.DataFrame, measure: Measure) -> str:
    value, share = rows["value"].to_numpy(float), rows["share"].to_numpy(float)
    text = (
        f"{measure.name}: {plural(len(rows), 'threshold')}, from "
        f"{with_unit(value[0], measure.unit)}, reached by {percent(share[0])} of "
        f"{int(rows['n'].iloc[0])} clients, to {with_unit(value[-1], measure.unit)}, reached by "
        f"{percent(share[-1])}."
    )
    parts = [
        f"{with_unit(value[i], measure.unit)} ({rows['quantity'].iloc[i]}, "
        f"{rows['origin'].iloc[i]}): {percent(share[i])}"
        for i in np.flatnonzero(_strong(rows))
    ]
    return text + (f" In use: {'; '.join(parts)}." if parts else "")
