"""The quarter among the others: differences with intervals, charts, events, changes made."""

from __future__ import annotations

from html import escape

from outcomes.reporting import sentences_over_time
from outcomes.reporting.figures import control_chart, control_panels
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, plural, with_unit
from outcomes.statistics.review import Meeting, QuarterReview
from outcomes.statistics.review.over_time import ALL_MEASURES
from outcomes.statistics.service import quarter_of

__all__ = ["changes", "comparisons", "events", "gain_charts"]


def comparisons(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the difference to last quarter and to a year ago, adjusted for who the clients were."""
    if meeting.comparisons.empty:
        return absent(meeting, "comparisons")
    rows = meeting.comparisons
    rows = rows[rows["adjusted"]].copy() if rows["adjusted"].any() else rows.copy()
    units = {m.measure.code: m.measure.unit for m in review.measures}
    rows["name"] = rows["measure"].map(review.names)
    known = rows["estimate"].notna()
    rows["difference"] = [
        f"{with_unit(e, units[c], sign=True)} ({interval(lo, hi)})" if ok else "too few clients"
        for e, lo, hi, c, ok in zip(
            rows["estimate"], rows["ci_low"], rows["ci_high"], rows["measure"], known, strict=True
        )
    ]
    wide = rows.pivot(index="measure", columns="question", values="difference")
    wide = wide.reindex(list(review.names)).dropna(how="all").reset_index()
    wide["name"] = wide["measure"].map(review.names)
    columns = {"name": "Measure"} | {
        q: (q.capitalize(), str)
        for q in ("last quarter", "same quarter a year ago")
        if q in wide.columns
    }
    shown = table(
        wide,
        columns,
        caption="Mean improvement this quarter minus the other (95% interval)",
    )
    note = (
        "Adjusted for start value, age, duration of symptoms and complaint where recorded. An "
        "interval that holds zero means that the difference may be chance."
    )
    return Html(shown.text + f'<p class="quiet">{note}</p>')


def gain_charts(review: QuarterReview, meeting: Meeting) -> Html:
    """Draw follow-up and the share with a gain beyond error by quarter; list small shifts."""
    if not meeting.gain_charts:
        return absent(meeting, "charts")
    made = [(quarter_of(change.date), change.what) for change in meeting.settings.changes]
    parts = []
    if meeting.follow_up_chart is not None:
        parts.append(
            control_chart(
                meeting.follow_up_chart,
                title="Clients measured again, by quarter of their first visit",
                label="clients",
                shares=True,
                changes=made,
            )._repr_html_()
        )
    panels = control_panels(
        {review.names[code]: chart for code, chart in meeting.gain_charts.items()},
        title="Clients with a gain beyond error, by quarter",
        changed=made[-1][0] if made else "",
    )
    parts += ["<h3>Clients with a gain beyond error</h3>", panels._repr_html_()]
    return Html("".join(parts)) + _small_shifts(review, meeting)


_CHARTS = {
    "quarter's mean": "One quarter far off",
    "run of quarters": "Several quarters off",
    "running mean": "Running mean off",
    "running sum": "Running sum off",
}


def _small_shifts(review: QuarterReview, meeting: Meeting) -> Html:
    """Say which charts of the mean improvement signal, and how many would by chance."""
    heading = Html("<h3>Small shifts that last</h3>")
    rows = meeting.small_shifts
    if rows.empty:
        return heading + absent(meeting, "small shifts")
    lead = f"<p>{escape(sentences_over_time.small_shift_sentence(rows, review.names))}</p>"
    said = [
        f"{direction}, {period}" if signal else "\N{EN DASH}"
        for signal, period, direction in zip(
            rows["signal"], rows["period"], rows["direction"], strict=True
        )
    ]
    wide = rows.assign(said=said).pivot(index="measure", columns="chart", values="said")
    wide = wide.reindex([code for code in review.names if code in wide.index]).reset_index()
    wide["name"] = wide["measure"].map(review.names)
    chances = rows.drop_duplicates("chart").set_index("chart")["false_alarm"]
    columns = {
        "name": "Measure",
        **{c: (f"{words} ({percent(chances[c], 1)})", str) for c, words in _CHARTS.items()},
    }
    signals = wide["measure"].isin(rows.loc[rows["signal"], "measure"])
    caption = (
        "Charts of the mean improvement by quarter; in brackets, how often each would signal in a "
        "measure where nothing changed"
    )
    shown = table(wide[signals], columns, caption=caption).text if signals.any() else ""
    rest = table(wide[~signals], columns, caption=caption).text
    if not signals.all():
        n = plural(int((~signals).sum()), "measure")
        shown += f"<details><summary>No signal: {n}</summary>{rest}</details>"
    note = f'<p class="quiet">{escape(sentences_over_time.SMALL_SHIFTS)}</p>'
    return heading + Html(lead + shown + note)


def events(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the rate of unwanted events."""
    if meeting.events is None:
        return absent(meeting, "events")
    text = f'<p class="sentence">{escape(sentences_over_time.event_sentence(meeting))}</p>'
    if meeting.event_chart is not None:
        picture = control_chart(
            meeting.event_chart, title="Unwanted events", label="per 1,000 visits"
        )
        text += picture._repr_html_()
    return Html(text)


def changes(review: QuarterReview, meeting: Meeting) -> Html:
    """Show the steps at the dates on which the clinic changed something."""
    if "changes" in meeting.notes:
        return absent(meeting, "changes")
    if meeting.changes.empty:
        return Html(
            '<p class="quiet">No dated changes are named in the clinic\'s settings '
            "(<code>[[changes]]</code> in clinic.toml).</p>"
        )
    units = {m.measure.code: m.measure.unit for m in review.measures}
    rows = meeting.changes.copy()
    together = rows["measure"] == ALL_MEASURES
    rows["name"] = rows["measure"].map(review.names).where(~together, "All measures together")
    rows["step"] = [
        f"{number(e)} SD ({interval(lo, hi)})"
        if code == ALL_MEASURES
        else f"{with_unit(e, units[code], sign=True)} ({interval(lo, hi)})"
        for e, lo, hi, code in zip(
            rows["estimate"], rows["ci_low"], rows["ci_high"], rows["measure"], strict=True
        )
    ]
    rows["found"] = rows["flagged"].map({True: "beyond chance", False: "within chance"})
    columns = {
        "name": "Measure",
        "step": ("Step in improvement (95%)", str),
        "found": "Finding",
        "n": "Months",
    }
    parts = []
    for what, mine in rows.groupby("notes", sort=False):
        whole = mine[mine["measure"] == ALL_MEASURES]
        lead = (
            sentences_over_time.change_sentence(str(what), whole.iloc[0])
            if len(whole)
            else str(what)
        )
        single = table(mine, columns, caption=f"Step at: {what}")
        parts.append(
            f"<p>{escape(lead)}</p><details><summary>Measure by measure</summary>{single.text}"
            "</details>"
        )
    return Html("".join(parts) + f'<p class="quiet">{escape(sentences_over_time.STEPS)}</p>')


def absent(meeting: Meeting, part: str) -> Html:
    """Say why a part is not there."""
    reason = meeting.notes.get(part, "There is nothing to show.")
    return Html(f'<p class="quiet">Not shown: {escape(reason)}</p>')
