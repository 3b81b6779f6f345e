"""Within and between the visits: what treatment moves on the day, and what is left of it."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.errors import DataError
from outcomes.measures.catalogue import Measure
from outcomes.reporting import sentences
from outcomes.reporting.figures import saw_tooth_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.sections.over_time import absent
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, signed, with_unit
from outcomes.statistics.individual_change import saw_tooth
from outcomes.statistics.review import Meeting, QuarterReview

__all__ = ["immediate_and_kept"]

_NOTE = (
    "A gain within a visit is no outcome yet: readings taken minutes after treatment, by the one "
    "who treated. What is kept holds everything between two visits, home exercise and time "
    "included. Share kept: kept gains over gains within visits; above 100% where clients go on "
    "gaining between visits. Per extra day: how that share differs for each day more until the "
    "next visit, in percentage points."
)


def immediate_and_kept(review: QuarterReview, meeting: Meeting, *, drawn: int = 2) -> Html:
    """Show the gain within visits, the part kept at the next, and whether one foretells the other.

    Parameters
    ----------
    drawn : int
        Measures in the saw-tooth figure: those with most readings.
    """
    if not meeting.kept:
        return absent(meeting, "kept gains")
    measures = {m.measure.code: m.measure for m in review.measures}
    teeth: dict[str, pd.DataFrame] = {}
    for code, found in meeting.kept.items():
        try:
            teeth |= {code: saw_tooth(found)} if len(teeth) < drawn else {}
        except DataError:
            continue
    parts = [f'<p class="sentence">{escape(sentences.kept_sentence(review, meeting))}</p>']
    if teeth:
        parts.append(saw_tooth_figure(teeth, measures)._repr_html_())
    rows = [_row(found.summary, measures[code]) for code, found in meeting.kept.items()]
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "n": "Clients",
            "gain": ("Within a visit", str),
            "kept": ("Kept to the next", str),
            "share": ("Share kept", str),
        },
        caption="Gain within visits and between them (95% intervals), all episodes so far",
    )
    further = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "day": ("Share kept, per extra day", str),
            "trend": ("Level before treatment, per week", str),
        },
        caption="Decay with the days between, and the trend (95% intervals)",
    )
    parts.append(
        f"{shown.text}<details><summary>Decay with the days between, and the trend</summary>"
        f"{further.text}</details>"
    )
    told = sentences.kept_link_sentences(review, meeting)
    parts += [f"<p>{escape(text)}</p>" for text in told]
    parts.append(f'<p class="quiet">{escape(_NOTE)}</p>')
    return Html("".join(parts))


def _row(summary: pd.DataFrame, measure: Measure) -> dict[str, object]:
    rows = summary.set_index("quantity")
    gain = rows.loc["immediate gain per visit"]
    clear = gain["ci_low"] > 0
    return {
        "name": measure.name,
        "n": int(rows.loc["share kept", "n"]),
        "gain": _amount(gain, measure.unit),
        "kept": _amount(rows.loc["kept gain per interval"], measure.unit),
        "share": _share(rows.loc["share kept"]) if clear else "no clear gain to keep",
        "day": _points(rows.loc["share kept per extra day"])
        if clear and "share kept per extra day" in rows.index
        else "\N{EN DASH}",
        "trend": _amount(rows.loc["trend of the before level per week"], measure.unit)
        if "trend of the before level per week" in rows.index
        else "\N{EN DASH}",
    }


def _amount(row: pd.Series, unit: str) -> str:
    ends = interval(row["ci_low"], row["ci_high"])
    return f"{with_unit(row['estimate'], unit, sign=True)} ({ends})"


def _share(row: pd.Series) -> str:
    low, high = number(row["ci_low"] * 100, 0), percent(row["ci_high"])
    return f"{percent(row['estimate'])} ({low} to {high})"


def _points(row: pd.Series) -> str:
    """Write a difference of shares, in percentage points."""
    e, low, high = (row[c] * 100 for c in ("estimate", "ci_low", "ci_high"))
    return f"{signed(e)} ({interval(low, high)})"
