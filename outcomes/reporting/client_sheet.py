"""One client on one sheet to print: where they stand, what to say to them, every measure."""

from __future__ import annotations

from html import escape
from typing import Any

import pandas as pd

from outcomes.reporting.client_words import (
    against_readings,
    best_guess,
    in_text,
    latest_only,
    surely_better,
    words_for_client,
)
from outcomes.reporting.figures.client_sheet import client_sheet_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import (
    chance,
    interval,
    join_words,
    number,
    plural,
    with_unit,
)
from outcomes.statistics.review.one_client import ClientMeasure, ClientView

__all__ = ["in_short", "sheet"]

DASH = "\N{EN DASH}"
_SHEET = """<style>
.sheet ul { margin: .3rem 0 .6rem; padding-left: 1.2rem; }
.say { border: 1px solid var(--faint, #c9d0d6); padding: .6rem 1rem; margin: 1rem 0; }
.say p { margin: .35rem 0; }
.say ul { columns: 2; }
.caution { border-left: 4px solid var(--clay, #a8480c); padding-left: 1rem; }
@media print {
  nav.contents { display: none; } h1 { font-size: 15pt; margin: 0 0 .2rem; }
  .sheet { break-after: page; font-size: 8.2pt; line-height: 1.28; }
  .sheet h3 { font-size: 9.5pt; } .sheet .sentence { font-size: 9pt; font-weight: 600; }
  .sheet h3 { margin: .5rem 0 .2rem; } .sheet p, .sheet ul { margin: .18rem 0; max-width: none; }
  .sheet figure { margin: .3rem 0; } .sheet figure img { max-height: 66mm; }
  .sheet .wide { margin: .4rem 0; } .sheet table { font-size: 7.8pt; line-height: 1.25; }
  .sheet th, .sheet td { padding: .12rem .5rem .12rem 0; } .say { padding: .3rem .7rem; }
}
</style>"""
_CAUTION = (
    "A decline or an unwanted event is a reason to look again before the next treatment: ask for "
    "the warning signs under Safety, and refer promptly where there is any. The numbers do not say "
    "why. Examine, treat and refer within your licence and the law where you work."
)


def sheet(view: ClientView) -> Html:
    """Put a client on one page to print: where they stand, what to say, every measure."""
    parts = [_SHEET, '<section class="sheet">', in_short(view).text]
    if view.measures:
        parts.append(client_sheet_figure(view)._repr_html_())
        parts.append(_overview(view).text)
    if view.once:
        parts.append(_once(view))
    parts.append(f'<div class="say"><h3>Words for the client</h3>{_words(view)}</div></section>')
    return Html("".join(parts))


def _words(view: ClientView) -> str:
    """Write the words as paragraphs; several things that belong to one become a list."""
    parts = []
    for said in words_for_client(view):
        if len(said.items) == 1:
            parts.append(f"<p>{escape(f'{said.text} {said.items[0]}.')}</p>")
        else:
            items = "".join(f"<li>{escape(item)}</li>" for item in said.items)
            parts.append(f"<p>{escape(said.text)}</p>" + (f"<ul>{items}</ul>" if items else ""))
        parts.append(f"<p>{escape(said.then)}</p>" if said.then else "")
    return "".join(parts)


def in_short(view: ClientView) -> Html:
    """Say to a colleague where this client stands, what to look at first, and how sure it is."""
    items = "".join(f"<li>{escape(line)}</li>" for line in _short(view))
    worrying = any(m.verdict["worse"] for m in view.measures) or len(view.events)
    caution = f'<p class="caution">{escape(_CAUTION)}</p>' if worrying else ""
    return Html(f'<p class="sentence">{escape(_who(view))}</p><ul>{items}</ul>{caution}')


def _who(view: ClientView) -> str:
    episode = f", episode {view.episode}" if view.episode > 1 else ""
    first, last = day_in_words(view.first_date), day_in_words(view.latest_date)
    when = f"on {first}" if first == last else f"from {first} to {last}"
    before = f" {plural(view.episode - 1, 'earlier episode')} of care." if view.episode > 1 else ""
    return f"Client {view.client}{episode}: {plural(view.n_visits, 'visit')}, {when}.{before}"


def _short(view: ClientView) -> list[str]:
    if not view.measures:
        return ["Nothing was measured twice yet, so no change can be judged. Measure again."]
    worse = [m for m in view.measures if m.verdict["worse"]]
    better = [m for m in view.measures if surely_better(m)]
    rest = [m for m in view.measures if not m.verdict["worse"] and not surely_better(m)]
    lines = []
    if worse:
        lines.append(f"Worse: {_listed(worse)}. Look at this first.")
    if better:
        lines.append(f"Surely improved: {_listed(better)}.")
    if rest:
        lines.append(f"No sure change in {join_words([in_text(m.measure) for m in rest])}.")
    return [*lines, *_moved(view), *_doubts(view), *_level(view), *_unwanted(view)]


def _listed(found: list[ClientMeasure]) -> str:
    return join_words(
        [
            f"{in_text(m.measure)} ({with_unit(best_guess(m), m.measure.unit, sign=True)}"
            f"{_doubt(m)})"
            for m in found
        ]
    )


def _doubt(m: ClientMeasure) -> str:
    """Say what a name in the list must not hide: a small gain, a decline seen one way only."""
    v = m.verdict
    if v["model_verdict"] == "improved, but too little to matter":
        return ", too little to matter"
    if not v["worse"] or not v["model_verdict"]:
        return ""
    if latest_only(m):
        return ", by first against latest only: measure again"
    return ", seen by all visits together" if v["worsened"] in (False, 0) else ""


def _moved(view: ClientView) -> list[str]:
    """Say what moved among all measures, where there are enough of them for chance to play."""
    if len(view.measures) < 3:
        return []
    rows = view.profile[view.profile["moved"].isin(["better", "worse"])]
    names = {m.measure.code: in_text(m.measure) for m in view.measures}
    sure = {m.measure.code for m in view.measures if m.verdict["worse"] or surely_better(m)}
    more = [f"{names[r.measure]} ({r.moved})" for r in rows.itertuples() if r.measure not in sure]
    less = [names[code] for code in sure if code not in set(rows["measure"])]
    n = plural(int(view.profile["n_measures"].iloc[0]), "measure")
    text = f"Allowing for {n} looked at: "
    if not len(rows):
        return [text + "none can be said to have moved."]
    parts = []
    if more:
        parts.append(f"{join_words(more)} may be counted as moved too")
    if less:
        parts.append(f"{join_words(less)} may be chance")
    told = join_words(parts) if parts else "the list stays as it is"
    return [f"{text}{told}. Of those named, one in twenty at most moved the other way."]


def _doubts(view: ClientView) -> list[str]:
    """Say where the chances rest on other clients more than on this one."""
    lines = []
    against = [in_text(m.measure) for m in view.measures if against_readings(m)]
    if against:
        lines.append(
            f"First and latest reading point the other way in {join_words(against)}: the model "
            "leans on the other visits and on clients like this one. Measure again."
        )
    if view.n_visits <= 2:
        lines.append(
            "Two visits only: the chances rest mostly on how other clients did. Measure again "
            "before building on them."
        )
    return lines


def _level(view: ClientView) -> list[str]:
    short = [
        in_text(m.measure)
        for m in view.measures
        if m.standing is not None and m.standing["state"] == "levelled off short of the line"
    ]
    if not short:
        return []
    return [
        f"Levelled off short of an important change: {join_words(short)}. Talk about it: change "
        "the plan, refer, or end care."
    ]


def _unwanted(view: ClientView) -> list[str]:
    if view.events.empty:
        return []
    told = [
        f"{row.event} ({', '.join([str(row.severity), day_in_words(row.date)])})"
        for row in view.events.itertuples()
    ]
    return [f"Unwanted events on record: {join_words(told)}."]


def _overview(view: ClientView) -> Html:
    rows = [
        {
            "name": m.measure.name,
            "values": start_to_latest(m),
            "true": true_improvement(m),
            "improved": written_chance(m.verdict["chance_improved"]),
            "important": written_chance(m.verdict["chance_important"]),
            "state": m.standing["state"] if m.standing is not None else DASH,
        }
        for m in view.measures
    ]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "values": ("Start to latest", str),
            "true": ("Improvement, all visits (95%)", str),
            "improved": ("Improved", str),
            "important": ("Matters", str),
            "state": "More to come?",
        },
        caption="Every measure, declines first; chances that the client truly improved, and by "
        "enough to matter",
    )


def _once(view: ClientView) -> str:
    told = [f"{in_text(m)} {with_unit(value, m.unit)}" for m, value in view.once]
    return f'<p class="quiet">Measured once so far: {escape(join_words(told))}.</p>'


def start_to_latest(m: ClientMeasure) -> str:
    """Write both readings with their unit."""
    v = m.verdict
    return f"{number(v['start_value'])} to {with_unit(v['latest_value'], m.measure.unit)}"


def true_improvement(found: ClientMeasure) -> str:
    """Write the improvement from all visits with its interval; a dash without a model."""
    v, unit = found.verdict, found.measure.unit
    if v["true_improvement"] != v["true_improvement"]:
        return DASH
    return (
        f"{with_unit(v['true_improvement'], unit, sign=True)} "
        f"({interval(v['true_ci_low'], v['true_ci_high'])})"
    )


def written_chance(probability: float) -> str:
    """Write a chance; a dash where there is none."""
    return chance(probability) if probability == probability else DASH


def day_in_words(day: Any) -> str:
    """Write a date as one says it."""
    return DASH if pd.isna(day) else f"{day.day} {day:%B %Y}"
