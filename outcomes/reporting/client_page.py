"""What the notebook of one client shows: verdicts, courses, what is kept, words for the client."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from outcomes.reporting.figures.client import client_course
from outcomes.reporting.picture import Gallery, Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import chance, interval, join_words, percent, with_unit
from outcomes.statistics.review.one_client import ClientMeasure, ClientView

__all__ = ["courses", "exercise", "in_short", "kept", "standing", "verdicts", "words_for_client"]


def in_short(view: ClientView) -> Html:
    """Say in two or three sentences where this client stands."""
    text = " ".join(_short(view))
    return Html(f'<p class="sentence">{escape(text)}</p>')


def _short(view: ClientView) -> list[str]:
    worse = [m for m in view.measures if m.verdict["worse"]]
    better = [m for m in view.measures if _sure(m) and not m.verdict["worse"]]
    lines = [f"Client {view.client}, {view.n_visits} visits attended."]
    if worse:
        lines.append(
            f"Worse beyond measurement error in {join_words([_name(m) for m in worse])}: look at "
            "this first."
        )
    if better:
        lines.append(f"Surely improved in {join_words([_name(m) for m in better])}.")
    rest = len(view.measures) - len(worse) - len(better)
    if rest:
        lines.append(f"No sure change in {rest} of {len(view.measures)} measures.")
    if len(view.events):
        lines.append(f"Unwanted events on record: {len(view.events)}.")
    return lines


def verdicts(view: ClientView) -> Html:
    """Show both verdicts on every measure, with the chances behind them."""
    moved = view.profile.set_index("measure")["moved"]
    rows = [
        {
            "name": m.measure.name,
            "values": f"{with_unit(m.verdict['start_value'], m.measure.unit)} to "
            f"{with_unit(m.verdict['latest_value'], m.measure.unit)}",
            "true": _true(m),
            "improved": chance(m.verdict["chance_improved"])
            if m.verdict["chance_improved"] == m.verdict["chance_improved"]
            else "\N{EN DASH}",
            "important": chance(m.verdict["chance_important"])
            if m.verdict["chance_important"] == m.verdict["chance_important"]
            else "\N{EN DASH}",
            "model": m.verdict["model_verdict"] or m.verdict["verdict"],
            "moved": moved.get(m.measure.code, ""),
        }
        for m in view.measures
    ]
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "values": ("Start to latest", str),
            "true": ("Improvement from all visits (95%)", str),
            "improved": ("Chance improved", str),
            "important": ("Chance it matters", str),
            "model": "Verdict",
            "moved": "Among all measures",
        },
        caption="Verdicts, declines first",
    )
    told = [
        f"{_name(m)}, by cut-off {m.verdict['verdict']}. {m.verdict['reconciliation']}"
        for m in view.measures
        if m.verdict.get("verdicts_differ") is True or m.verdict.get("verdicts_differ") == 1
    ]
    extra = "".join(f"<li>{escape(x)}</li>" for x in told)
    note = (
        "Among all measures: which moved, allowing for how many were looked at (of those named, at "
        "most one in ten is expected to be chance)."
    )
    return Html(
        shown.text + (f"<ul>{extra}</ul>" if extra else "") + f'<p class="quiet">{note}</p>'
    )


def courses(view: ClientView) -> Gallery:
    """Draw every measure over the weeks."""
    return Gallery(tuple(client_course(m) for m in view.measures))


def kept(view: ClientView) -> Html:
    """Show what is gained within visits and what is left of it at the next."""
    rows = [
        {
            "name": m.measure.name,
            "immediate": with_unit(m.kept["immediate_gain"], m.measure.unit, sign=True),
            "kept": with_unit(m.kept["kept_gain"], m.measure.unit, sign=True),
            "share": percent(m.kept["share_kept"])
            if np.isfinite(m.kept["share_kept"])
            else "too small to say",
        }
        for m in view.measures
        if m.kept is not None
    ]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "immediate": ("Gain within a visit, mean", str),
            "kept": ("Kept in all", str),
            "share": ("Share kept to the next visit", str),
        },
        caption="Within and between visits",
        empty="no readings after treatment.",
    )


def standing(view: ClientView) -> Html:
    """Show what is still to come."""
    rows = [
        {
            "name": m.measure.name,
            "state": m.standing["state"],
            "further": f"{with_unit(m.standing['further_gain'], m.measure.unit, sign=True)} "
            f"({interval(m.standing['ci_low'], m.standing['ci_high'])})",
            "line": chance(m.standing["chance_at_line"])
            if m.standing["chance_at_line"] == m.standing["chance_at_line"]
            else "\N{EN DASH}",
            "next": interval(m.next_visit["ci_low"], m.next_visit["ci_high"], m.measure.unit),
        }
        for m in view.measures
        if m.standing is not None
    ]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "state": "Where it stands",
            "further": ("Expected in 3 more visits (95%)", str),
            "line": ("Chance past the line then", str),
            "next": ("Next reading should fall in", str),
        },
        caption="Enough, or more to come",
        empty="too few visits in the caseload to say.",
    )


def exercise(view: ClientView) -> Html:
    """Show how much home exercise was done, week by week."""
    rows = view.adherence.assign(week=view.adherence["week"] + 1)
    return table(
        rows,
        {"week": "Week", "adherence": ("Done, of what was asked for", percent)},
        caption="Home exercise",
        empty="no diary on record.",
    )


def words_for_client(view: ClientView) -> Html:
    """Give words to say to the client, plain and without promises."""
    lines = []
    for m in view.measures:
        v, name = m.verdict, m.measure.name[:1].lower() + m.measure.name[1:]
        size = with_unit(abs(float(_best(m))), m.measure.unit)
        if v["worse"]:
            lines.append(
                f"Your {name} measures worse than at the start, by about {size}. That is more than "
                "measuring error makes likely, so we should look at why before going on."
            )
        elif _sure(m):
            lines.append(
                f"Your {name} has improved by about {size} since the start"
                + (", which is as much as people usually notice." if _matters(m) else ".")
            )
        else:
            lines.append(
                f"Your {name} has not clearly changed yet: what we measured can be measuring error."
            )
    lines.append(
        "These are measurements, not a diagnosis. How you feel and what you can do count as much. "
        "Tell us, or a doctor, at once about new numbness, weakness, dizziness, or trouble with "
        "speech, sight, swallowing or walking."
    )
    return Html("".join(f"<p>{escape(line)}</p>" for line in lines))


def _name(found: ClientMeasure) -> str:
    return found.measure.name


def _best(found: ClientMeasure) -> float:
    true = found.verdict["true_improvement"]
    return true if true == true else found.verdict["improvement"]


def _true(found: ClientMeasure) -> str:
    v, unit = found.verdict, found.measure.unit
    if v["true_improvement"] != v["true_improvement"]:
        return "\N{EN DASH}"
    return (
        f"{with_unit(v['true_improvement'], unit, sign=True)} "
        f"({interval(v['true_ci_low'], v['true_ci_high'])})"
    )


def _sure(found: ClientMeasure) -> bool:
    v = found.verdict
    if v["chance_improved"] == v["chance_improved"]:
        return bool(v["chance_improved"] >= 0.95)
    return bool(v["detectable"] is True and v["improvement"] > 0)


def _matters(found: ClientMeasure) -> bool:
    v = found.verdict["chance_important"]
    return bool(v == v and v >= 0.8)
