"""What the rebuilt analysis says of time: when a gain is reached, and what ends before it."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import numpy as np
import pandas as pd

from outcomes.errors import OutcomesError
from outcomes.measures.catalogue import Measure
from outcomes.records.caseload import Caseload
from outcomes.reporting.figures import time_to_gain_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import number, percent, with_unit
from outcomes.statistics.time_to_gain import (
    aalen_johansen,
    gain_intervals,
    gain_summary,
    kaplan_meier,
    turnbull,
)

__all__ = ["gains", "time_to_gain"]


def gains(judged: pd.DataFrame) -> dict[str, float]:
    """Name the sizes of gain that a time can be given for: detectable, and important."""
    named = {
        "detectable": judged["minimal_detectable_change"].median(),
        "important": judged["minimal_important_change"].median(),
    }
    return {name: float(value) for name, value in named.items() if np.isfinite(value)}


def time_to_gain(
    values: pd.DataFrame,
    caseload: Caseload,
    measure: Measure,
    *,
    sizes: Mapping[str, float],
    rng: np.random.Generator,
    samples: int = 200,
) -> Html:
    """Draw when clients reach the largest of the gains, and list medians and endings of all."""
    if not sizes:
        return Html('<p class="quiet">Neither a detectable nor an important gain is known.</p>')
    better = measure.better
    try:
        found = gain_summary(values, lines=sizes, rng=rng, better=better, samples=samples)
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Not shown: {escape(str(reason))}</p>')
    name = "important" if "important" in sizes else next(iter(sizes))
    times = gain_intervals(values, line=sizes[name], better=better, visits=caseload.visits)
    picture = time_to_gain_figure(
        times,
        kaplan_meier=kaplan_meier(times["time"], times["reached"]),
        turnbull=turnbull(times["left"], times["right"]),
        title=f"{measure.name}: {name} gain ({with_unit(sizes[name], measure.unit)})",
    )
    return Html(picture._repr_html_()) + _medians(found, measure) + _endings(times, name)


def _medians(found: pd.DataFrame, measure: Measure) -> Html:
    shown = found.assign(
        gain=[f"{n} ({with_unit(v, measure.unit)})" for n, v in
              zip(found["line"], found["line_value"], strict=True)],
        seen=[f"{r} of {n}" for r, n in zip(found["reached"], found["n"], strict=True)],
        median=[_time(e) for e in found["estimate"]],
        range=[f"{_time(a)} to {_time(b)}" for a, b in
               zip(found["ci_low"], found["ci_high"], strict=True)],
    )  # fmt: skip
    return table(
        shown,
        {"gain": "Gain", "unit": "Counted in", "seen": ("Seen to reach it", str),
         "median": ("Half have it after", str), "range": ("95% interval", str)},
        caption="Time until half of the clients have the gain, from the visits around it",
    )  # fmt: skip


def _time(value: float) -> str:
    return number(value) if np.isfinite(value) else "not reached"


def _endings(times: pd.DataFrame, name: str) -> Html:
    try:
        curves = aalen_johansen(times["time"], times["ending"])
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Endings are not shown: {escape(str(reason))}</p>')
    until = float(times["time"].max())
    weeks = [week for week in (4.0, 8.0, 12.0, 26.0) if week <= until] or [until]
    found = {}
    for ending, curve in curves.groupby("ending"):
        at = np.searchsorted(curve["time"].to_numpy(float), weeks, side="right") - 1
        words = f"the {name} gain" if ending == "gain" else f"{ending}, before it"
        found[words] = curve["share"].to_numpy(float)[at]
    found["still coming, without it"] = 1 - np.sum(list(found.values()), axis=0)
    first = sorted(found, key=lambda words: not words.startswith("the "))
    rows = [[words, *found[words]] for words in first]
    names = [f"week_{week:g}" for week in weeks]
    shown = pd.DataFrame(rows, columns=["ending", *names])
    columns = {n: (f"By week {week:g}", percent) for n, week in zip(names, weeks, strict=True)}
    return table(
        shown,
        {"ending": "Ending", **columns},
        caption="Of all who start: what comes first (Aalen-Johansen)",
    )
