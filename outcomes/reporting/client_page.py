"""What stands behind the sheet of one client: verdicts, courses, sides, kept gains, the rest."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np
import pandas as pd

from outcomes.reporting import sentences
from outcomes.reporting.client_sheet import (
    day_in_words,
    start_to_latest,
    true_improvement,
    written_chance,
)
from outcomes.reporting.figures.client import client_course
from outcomes.reporting.picture import Gallery, Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, plural, with_unit
from outcomes.statistics.review.one_client import ClientMeasure, ClientView

__all__ = ["courses", "events", "exercise", "kept", "sides", "standing", "verdicts"]


def verdicts(view: ClientView) -> Html:
    """Show both verdicts on every measure side by side, and why they differ where they do."""
    rows = [
        {
            "name": m.measure.name,
            "values": start_to_latest(m),
            "detectable": number(m.verdict["minimal_detectable_change"]),
            "cut_off": m.verdict["verdict"],
            "true": true_improvement(m),
            "model": m.verdict["model_verdict"] or "no model: too few clients",
        }
        for m in view.measures
    ]
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "values": ("Start to latest", str),
            "detectable": ("Detectable from", str),
            "cut_off": "First against latest",
            "true": ("Improvement, all visits (95%)", str),
            "model": "All visits",
        },
        caption="Two verdicts on each measure",
        empty="nothing was measured twice.",
    )
    differ = [m for m in view.measures if m.verdict.get("verdicts_differ") in (True, 1)]
    told = [f"{m.measure.name}: {m.verdict['reconciliation']}" for m in differ]
    if view.measures and not told:
        told = ["The two verdicts agree wherever both can be given."]
    note = (
        "All visits: the caseload's model with this client's own readings. First against latest: "
        "two readings and the measure's error. Where they differ, all visits lead, and the course "
        "is worth a look."
    )
    items = "".join(f"<li>{escape(x)}</li>" for x in told)
    return Html(f'{shown.text}<ul>{items}</ul><p class="quiet">{note}</p>' if told else shown.text)


def courses(view: ClientView) -> Gallery:
    """Draw every measure over the weeks."""
    return Gallery(tuple(client_course(m) for m in view.measures))


def sides(view: ClientView) -> Html:
    """Compare the affected side with the other one."""
    if view.sides.empty:
        return Html('<p class="quiet">Not shown: no measure was taken twice on both sides.</p>')
    measure = {m.measure.code: m.measure for m in view.measures}
    rows = []
    for row in view.sides.itertuples():
        unit = measure[str(row.measure)].unit
        rows.append(
            {
                "name": measure[str(row.measure)].name,
                "affected": _between(row.affected_start, row.affected_latest, unit),
                "other": _between(row.other_start, row.other_latest, unit),
                "deficit": _between(row.start_deficit, row.latest_deficit, unit),
                "now": _side_words(row),
            }
        )
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "affected": (f"Affected side ({view.sides['affected_side'].iloc[0]})", str),
            "other": ("Other side", str),
            "deficit": ("Affected side behind by", str),
            "now": "Now",
        },
        caption="Affected side against the other, start to latest",
    )
    note = "Healthy sides differ by a few degrees too, and care can change both."
    return Html(f'{shown.text}<p class="quiet">{note}</p>')


def _between(start: float, latest: float, unit: str) -> str:
    return f"{number(start)} to {with_unit(latest, unit)}"


def _side_words(row: Any) -> str:
    if pd.isna(row.back_to_other_side):
        return "cannot be judged: measurement error not known"
    behind = row.latest_deficit > 0
    words = [
        "level with the other side, within measurement error"
        if row.back_to_other_side
        else "still behind the other side"
        if behind
        else "ahead of the other side"
    ]
    if row.closing_detectable:
        words.append("the difference closed" if row.deficit_closed > 0 else "the difference grew")
    if row.other_side_changed:
        words.append("the other side changed too")
    return "; ".join(words)


def kept(view: ClientView) -> Html:
    """Show what is gained within visits and what is left of it at the next."""
    rows = [
        {
            "name": m.measure.name,
            "immediate": with_unit(m.kept["immediate_gain"], m.measure.unit, sign=True),
            "kept": with_unit(m.kept["kept_gain"], m.measure.unit, sign=True),
            "share": percent(m.kept["share_kept"])
            if np.isfinite(m.kept["share_kept"])
            else "not clear enough to say",
        }
        for m in view.measures
        if m.kept is not None and np.isfinite(m.kept["immediate_gain"])
    ]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "immediate": ("Gain within a visit, mean", str),
            "kept": ("Kept from first to latest", str),
            "share": ("Share kept to the next visit", str),
        },
        caption="Within and between visits",
        empty="no readings after treatment.",
    )


def standing(view: ClientView) -> Html:
    """Show what is still to come, and where the next readings should fall."""
    known = [m for m in view.measures if m.standing is not None]
    rows = [{"name": m.measure.name, **_standing(m)} for m in known]
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "state": "Where it stands",
            "further": ("Expected in 3 more visits (95%)", str),
            "line": ("Chance past the line then", str),
            "visits": ("Visits to an even chance", str),
        },
        caption="Enough, or more to come",
        empty="too few visits in the caseload to say.",
    )
    if not rows:
        return shown
    ahead = [
        {
            "name": m.measure.name,
            "when": day_in_words(view.first_date + pd.Timedelta(days=7 * m.next_visit["week"])),
            "next": interval(m.next_visit["ci_low"], m.next_visit["ci_high"], m.measure.unit),
        }
        for m in known
    ]
    then = table(
        pd.DataFrame(ahead),
        {"name": "Measure", "when": ("About", str), "next": ("Should fall in (95%)", str)},
        caption="The next reading before treatment, if things go on as they did",
    )
    note = (
        "The line is an important change from the start, where one is known. Visits: the fewest "
        "after which it is as likely as not to be past the line, 0 if it is so now. A reading "
        "outside its interval is a reason to ask what happened, not yet a verdict."
    )
    return shown + then + Html(f'<p class="quiet">{note}</p>')


def _standing(m: ClientMeasure) -> dict[str, str]:
    row, unit = m.standing, m.measure.unit
    if row is None:
        return {}
    return {
        "state": row["state"],
        "further": f"{with_unit(row['further_gain'], unit, sign=True)} "
        f"({interval(row['ci_low'], row['ci_high'])})",
        "line": written_chance(row["chance_at_line"]),
        "visits": number(row["visits_to_line_50"], 0),
    }


def exercise(view: ClientView) -> Html:
    """Show how much home exercise was done, and what goes with it in this caseload."""
    if view.adherence.empty:
        own = '<p class="quiet">No diary on record for this client.</p>'
    else:
        mean = percent(float(view.adherence["adherence"].mean()))
        weeks = table(
            view.adherence.assign(week=view.adherence["week"] + 1),
            {"week": "Week", "adherence": ("Done, of what was asked for", percent)},
            caption="Home exercise by week of care",
        )
        own = (
            f'<p class="sentence">{mean} of what was asked for was done, on average over '
            f"{plural(len(view.adherence), 'week')} with a diary.</p>"
            f"<details><summary>Week by week</summary>{weeks.text}</details>"
        )
    return Html(own + _caseload_exercise(view))


def _caseload_exercise(view: ClientView) -> str:
    if view.exercise.empty:
        why = f"Not set against gain. {view.notes[0]}" if view.notes else ""
        return f'<p class="quiet">{escape(why)}</p>' if why else ""
    names = {m.measure.code: m.measure.name for m in view.measures}
    rows = []
    for code, mine in view.exercise.groupby("measure", sort=False):
        found = mine.set_index("quantity")
        rows.append(
            {
                "name": names[str(code)],
                "n": int(found.loc["within client", "n"]),
                "within": _gain(found.loc["within client"]),
                "between": _gain(found.loc["between clients"]),
            }
        )
    shown = table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "n": "Clients",
            "within": ("All against none, same client", str),
            "between": ("All against none, between clients", str),
        },
        caption="In this caseload: kept gain per week (95%) with home exercise",
    )
    return f'{shown.text}<p class="quiet">{escape(sentences.EXERCISE_CAUTION)}</p>'


def events(view: ClientView) -> Html:
    """List the unwanted events of the episode."""
    return table(
        view.events,
        {"date": "Date", "event": "What", "severity": "Severity", "action": "What was done"},
        caption="Unwanted events",
        empty="none on record. That is no proof that there was none: ask.",
    )


def _gain(row: pd.Series) -> str:
    ends = interval(row["ci_low"], row["ci_high"])
    return f"{with_unit(row['estimate'], row['unit'], sign=True)} ({ends})"
