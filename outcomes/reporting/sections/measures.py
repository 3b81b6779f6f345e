"""All measures in one table, then one section each."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Any

import pandas as pd

from outcomes.reporting import figures, sentences
from outcomes.reporting.picture import Gallery, Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, plural, signed, with_unit
from outcomes.statistics.review import MeasureReview, QuarterReview
from outcomes.statistics.service import share_bounds

__all__ = ["measure_sections", "measure_table", "summary_table"]


def summary_table(review: QuarterReview) -> Html:
    """Show one line per measure, what the columns mean, and which measures are left out."""
    note = (
        "Surely improved: chance of at least 95% from all visits of the client. Gain that matters: "
        "share expected from the clients' chances. Followed up: measured again, of those measured "
        "at the start. If the missing count: that share (surely improved, where no gain that "
        "matters is known) if no client measured at the start but not analysed had such a gain, "
        "and if all had. Declined: by "
        "either verdict."
    )
    if len(review.left_out):
        note += f" Too few clients to review: {', '.join(review.left_out['measure'])}."
    return measure_table(review.measures) + Html(f'<p class="quiet">{escape(note)}</p>')


def measure_table(measures: Iterable[Any]) -> Html:
    """Show one line per measure: mean improvement, standardised improvement, shares, bounds.

    Parameters
    ----------
    measures : iterable of MeasureReview, or of what a network gives in its place
        With measure, improvement, standardised, shares, flow and worse.
    """
    return table(
        pd.DataFrame([_summary(m) for m in measures]),
        {
            "measure": "Measure",
            "n": "Clients",
            "mean": ("Mean improvement (95%)", str),
            "standardised": ("In start SDs", str),
            "sure": ("Surely improved", str),
            "important": ("Gain that matters", str),
            "followed": ("Followed up", percent),
            "bounds": ("If the missing count", str),
            "worse": ("Declined", str),
        },
        caption="Improvement is positive when clients are better, whatever the scale's direction",
    )


def _summary(m: Any) -> dict[str, object]:
    shares = m.shares.set_index("quantity")["share"]
    expected = shares.get("expected to have improved importantly")
    important = shares.get("improved importantly") if expected is None else expected
    sure = shares.get("surely improved", shares.get("improved detectably"))
    bounds = "\N{EN DASH}"
    headline = sure if important is None else important
    if headline is not None and m.flow["measured_at_start"]:
        count = round(float(headline) * m.flow["analysed"])
        low, high = share_bounds(
            count, analysed=m.flow["analysed"], eligible=m.flow["measured_at_start"]
        )
        bounds = f"{percent(low)} to {percent(high)}"
    return {
        "measure": m.measure.name,
        "n": m.improvement.n,
        "mean": f"{with_unit(m.improvement.estimate, m.measure.unit, sign=True)} "
        f"({interval(m.improvement.ci_low, m.improvement.ci_high)})",
        "standardised": signed(m.standardised.set_index("quantity").loc["becker", "estimate"], 2),
        "sure": percent(sure),
        "important": percent(important),
        "followed": m.flow["measured_again"] / max(m.flow["measured_at_start"], 1),
        "bounds": bounds,
        "worse": number(m.worse, 0),
    }


def measure_sections(review: QuarterReview) -> Html:
    """Write one section per measure: sentence, two figures, thresholds, clients."""
    return Html("".join(_section(m) for m in review.measures))


def _section(review: MeasureReview) -> str:
    pictures = [figures.start_against_latest(review.judged, review.measure)]
    if review.course is not None:
        pictures.append(
            figures.course_over_weeks(review.course.line, review.values, review.measure)
        )
    reasons = "".join(
        f"<li>{escape(reason)}</li>"
        for threshold in (review.error, review.importance)
        if threshold is not None
        for reason in threshold.reasons
    )
    why = f"<details><summary>Why these thresholds</summary><ul>{reasons}</ul></details>"
    return (
        f'<section class="measure"><h3>{escape(review.measure.name)}</h3>'
        f'<p class="sentence">{escape(sentences.measure_sentence(review))}</p>'
        f"{Gallery(tuple(pictures))._repr_html_()}"
        f"<p>{escape(sentences.course_sentence(review))}</p>"
        f'<p class="quiet">{escape(sentences.threshold_sentence(review))}</p>'
        f"{why if reasons else ''}{_differing(review)}</section>"
    )


def _differing(review: MeasureReview) -> str:
    """Show the clients on whom the two verdicts differ, with the reason."""
    if "verdicts_differ" not in review.judged:
        return ""
    rows = review.judged[review.judged["verdicts_differ"].fillna(False).astype(bool)].copy()
    if rows.empty:
        return ""
    unit = review.measure.unit
    rows["first_latest"] = [with_unit(x, unit, sign=True) for x in rows["improvement"]]
    rows["all_visits"] = [
        f"{with_unit(a, unit, sign=True)} ({interval(b, c)})"
        for a, b, c in zip(
            rows["true_improvement"], rows["true_ci_low"], rows["true_ci_high"], strict=True
        )
    ]
    shown = table(
        rows,
        {
            "client": "Client",
            "n_visits": "Visits",
            "first_latest": ("First against latest", str),
            "all_visits": ("From all visits (95%)", str),
            "chance_improved": ("Chance improved", percent),
            "reconciliation": "Why they differ",
        },
        caption="Clients on whom the two verdicts differ",
        most=60,
    )
    return (
        f"<details><summary>Two verdicts differ on {plural(len(rows), 'client')}</summary>"
        f"{shown.text}</details>"
    )
