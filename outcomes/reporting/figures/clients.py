"""Clients side by side: the readings of each with the own course and its band."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from outcomes.reporting.figures.small_pictures import SmallPicture, small_pictures
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import house_style
from outcomes.reporting.wording import with_unit
from outcomes.statistics.review.own_course import own_courses

__all__ = ["clients_courses_figure"]

_LONGEST_NAME = 18


def clients_courses_figure(
    rows: pd.DataFrame, measures: Iterable[Any], *, title: str, most: int = 12
) -> Picture:
    """Draw small pictures of clients' courses, one client each, all on one sheet.

    Each picture has its own scale: the lowest and highest number stand at its left. They are turned
    so that up is better.

    Parameters
    ----------
    rows : DataFrame
        One row per client: client, episode, measure, state, in the order of drawing
        (`most_pressing`).
    measures : iterable of MeasureReview
        For values, courses and importance lines.
    title : str
        Of the figure.
    most : int
        Clients drawn; where there are more, the figure says so.

    Returns
    -------
    Picture
    """
    about = {m.measure.code: m for m in measures}
    shown = rows[rows["measure"].isin(list(about))].head(most).reset_index(drop=True)
    lines = _lines(shown, about)
    pictures = [_one(row, about[row["measure"]], lines[i]) for i, row in shown.iterrows()]
    of_all = f"{len(shown)} of {len(rows)} clients" if len(shown) < len(rows) else ""
    with house_style():
        figure = small_pictures(pictures, title=title)
    told = [_words(row, about[row["measure"]]) for _, row in shown.iterrows()]
    return Picture.of(
        figure,
        alt=f"{title}. {'; '.join(told)}.",
        caption="Dots: readings before treatment. Line and band: the client's own course with its "
        "95% interval, up to the next visit. Dashed: an important change from the start, where one "
        "is known. Up is better in every picture; each has its own scale."
        + (f" Drawn: {of_all}." if of_all else ""),
    )


def _lines(shown: pd.DataFrame, about: dict[str, Any]) -> dict[Any, pd.DataFrame]:
    """Give the drawn course of every row, one measure at a time."""
    found = {}
    for code, mine in shown.groupby("measure", sort=False):
        courses = about[str(code)].courses
        place = pd.MultiIndex.from_frame(courses.series[["client", "episode"]])
        at = place.get_indexer(pd.MultiIndex.from_frame(mine[["client", "episode"]]))
        drawn = own_courses(courses.only(at), points=13)
        for i, part in zip(mine.index, np.split(np.arange(len(drawn)), len(mine)), strict=True):
            found[i] = drawn.iloc[part]
    return found


def _own(row: pd.Series, m: Any) -> pd.DataFrame:
    mine = (m.values["client"] == row["client"]) & (m.values["episode"] == row["episode"])
    return m.values.loc[mine, ["week", "value"]]


def _one(row: pd.Series, m: Any, line: pd.DataFrame) -> SmallPicture:
    name = m.measure.name if len(m.measure.name) <= _LONGEST_NAME else m.measure.short
    start = float(line["estimate"].iloc[0])
    return SmallPicture(
        title=f"{row['client']} {name}",
        better=m.measure.better,
        readings=_own(row, m),
        line=line,
        rule=None if m.importance is None else start + m.measure.sign * m.importance.value,
        worse=row["state"] == "getting worse",
    )


def _words(row: pd.Series, m: Any) -> str:
    readings, unit = _own(row, m), m.measure.unit
    first, last = readings["value"].iloc[[0, -1]]
    return (
        f"{row['client']}, {m.measure.name}, {row['state']}: {with_unit(first, unit)} to "
        f"{with_unit(last, unit)} in {len(readings)} visits"
    )
