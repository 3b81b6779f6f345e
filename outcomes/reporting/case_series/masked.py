"""Figures for masked visual analysis: random order, no names, no phases, no lines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.records.write import write_atomically
from outcomes.reporting.case_series.course_figure import draw_panels
from outcomes.reporting.case_series.export import raster, to_pdf
from outcomes.reporting.case_series.figure_style import WIDTHS, paper_style
from outcomes.statistics.single_case.masking import masking_key
from outcomes.statistics.single_case.summary import MeasureSeries

__all__ = ["write_masked"]

_FORM = """\
Masked visual analysis: {measure}
{rule}

Look at each series on its own, before any other result. For each, write down
  1. at which week you think treatment began (or: no change seen),
  2. how sure you are: not, fairly, very,
  3. what you went by: level, trend, variability, first step.
Sign and date the sheet, then ask for the key. Do not change an answer afterwards.

{lines}

Analyst: ________________    Date: ____________
"""


def write_masked(
    one: MeasureSeries, folder: Path, *, rng: np.random.Generator
) -> tuple[list[Path], pd.DataFrame]:
    """Write the masked sheet (PDF, PNG) and the answer form of one measure.

    Returns
    -------
    (list of Path, DataFrame)
        The files, and the key: label, name (client), first_treated_week, measure. The key is to
        be kept apart.
    """
    values = one.values.dropna(subset=["value"])
    key = masking_key(sorted(values["client"].unique()), rng=rng)
    labels = dict(zip(key["name"], key["label"], strict=True))
    words = f"Masked series of {one.measure.name} in random order."
    with paper_style():
        figure = draw_panels(one, WIDTHS["double"], masked=labels)
        pdf = to_pdf(figure, title=words, alt=words)
        png, _ = raster(figure, dpi=300)
    stem = f"masked_{one.measure.code}"
    form = _FORM.format(
        measure=one.measure.name,
        rule="=" * (24 + len(one.measure.name)),
        lines="\n".join(f"{label}: week ______   sure ________   by ____________"
                        for label in key["label"]),
    )  # fmt: skip
    written = [
        write_atomically(folder / f"{stem}.pdf", pdf),
        write_atomically(folder / f"{stem}.png", png),
        write_atomically(folder / f"{stem}_form.txt", form.encode()),
    ]
    later = values[values["phase"] != "baseline"].groupby("client")["week"].min()
    key["first_treated_week"] = key["name"].map(later)
    key["measure"] = one.measure.code
    return written, key
