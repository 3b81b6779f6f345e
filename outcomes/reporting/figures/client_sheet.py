"""All measures of one client on one sheet, small enough to print."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.reporting.figures.small_pictures import SmallPicture, small_pictures
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import house_style
from outcomes.reporting.wording import with_unit
from outcomes.statistics.review.one_client import ClientMeasure, ClientView

__all__ = ["client_sheet_figure"]

_LONGEST_NAME = 26
_MOST = 12


def client_sheet_figure(view: ClientView) -> Picture:
    """Draw every measure of a client as a small picture: course, band, saw-tooth, what is ahead.

    Parameters
    ----------
    view : ClientView
        From `look_at_client`, with at least one measure taken twice.

    Returns
    -------
    Picture
    """
    drawn = view.measures[:_MOST]
    with house_style():
        figure = small_pictures([_one(m) for m in drawn])
    told = "; ".join(
        f"{m.measure.name}: {with_unit(m.verdict['start_value'], m.measure.unit)} to "
        f"{with_unit(m.verdict['latest_value'], m.measure.unit)}"
        for m in drawn
    )
    return Picture.of(figure, alt=f"Courses of {len(drawn)} measures, start to latest. {told}.")


def _one(m: ClientMeasure) -> SmallPicture:
    before = m.visits[m.visits["moment"] == "before"]
    after = m.visits[m.visits["moment"] == "after"]
    start = before.drop_duplicates("visit").set_index("visit")[["week", "value"]]
    teeth = after[["visit", "value"]].join(start.rename(columns={"value": "start"}), on="visit")
    line = m.verdict["minimal_important_change"]
    rule = m.verdict["start_value"] + m.measure.sign * line if np.isfinite(line) else None
    return SmallPicture(
        title=_title(m),
        better=m.measure.better,
        readings=before[["week", "value"]],
        line=m.course,
        rule=rule,
        after=teeth.dropna() if len(teeth) else pd.DataFrame(),
        ahead=m.next_visit,
        worse=bool(m.verdict["worse"]),
    )


def _title(m: ClientMeasure) -> str:
    name = m.measure.name
    if len(name) <= _LONGEST_NAME:
        return name
    if m.measure.kind == "questionnaire":
        return m.measure.short
    return f"{name[: _LONGEST_NAME - 2]}\N{HORIZONTAL ELLIPSIS}"
