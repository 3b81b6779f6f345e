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
from outcomes.reporting.figures.gain_more import (
    chance_by_visit_figure,
    endings_figure,
    group_curves_figure,
)
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import number, percent, with_unit
from outcomes.statistics.time_to_gain import (
    aalen_johansen,
    gain_intervals,
    gain_summary,
    hazard_by_visit,
    hazard_ratios,
    interval_score_test,
    kaplan_meier,
    log_rank,
    restricted_mean,
    turnbull,
    visit_rows,
)

__all__ = ["chance_by_visit", "gains", "groups", "time_to_gain"]

#: Weeks up to which time short of a gain is counted, where clients were seen so long.
HORIZON = 12.0
#: Clients at a visit below which its chance is not shown.
LEAST_AT_RISK = 5


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
    name = _main(sizes)
    times = gain_intervals(values, line=sizes[name], better=better, visits=caseload.visits)
    curve = kaplan_meier(times["time"], times["reached"])
    picture = time_to_gain_figure(
        times,
        kaplan_meier=curve,
        turnbull=turnbull(times["left"], times["right"]),
        title=f"{measure.name}: {name} gain ({with_unit(sizes[name], measure.unit)})",
    )
    return (
        Html(picture._repr_html_())
        + _medians(found, measure)
        + Html(f"<p>{escape(_short_of_it(curve, name))}</p>")
        + _endings(times, name, measure)
    )


def chance_by_visit(values: pd.DataFrame, measure: Measure, *, sizes: Mapping[str, float]) -> Html:
    """Draw the chance to reach the largest of the gains at each visit, and say when it is best."""
    if not sizes:
        return Html('<p class="quiet">Neither a detectable nor an important gain is known.</p>')
    name = _main(sizes)
    try:
        times = gain_intervals(values, line=sizes[name], better=measure.better, scale="visit")
        hazards = hazard_by_visit(visit_rows(times))
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Not shown: {escape(str(reason))}</p>')
    hazards = hazards[hazards["at_risk"] >= LEAST_AT_RISK]
    if hazards.empty:
        return Html('<p class="quiet">Too few clients at each visit for a chance.</p>')
    picture = chance_by_visit_figure(hazards, title=_title(measure, name, sizes[name]))
    best = hazards.loc[hazards["share"].idxmax()]
    last = hazards.iloc[-1]
    text = (
        f"For a client without the {name} gain, the chance to reach it is highest at visit "
        f"{best['visit']:g} ({percent(best['share'])}, 95% interval "
        f"{_percents(best['ci_low'], best['ci_high'])}); at visit {last['visit']:g}, the last "
        f"shown, {last['events']:.0f} of {last['at_risk']:.0f} reach it. "
        f"Visits with fewer than {LEAST_AT_RISK} clients left are not shown."
    )
    return Html(f'<p class="sentence">{escape(text)}</p>{picture._repr_html_()}')


def groups(
    values: pd.DataFrame,
    caseload: Caseload,
    measure: Measure,
    *,
    sizes: Mapping[str, float],
    by: str,
) -> Html:
    """Compare the two largest groups in the time to the gain: two tests and a hazard ratio."""
    clients = caseload.clients.drop_duplicates("client").set_index("client")
    if not sizes or not by or by not in clients or clients[by].dropna().nunique() < 2:
        return Html('<p class="quiet">No two groups, or no gain, to compare.</p>')
    name = _main(sizes)
    weeks, visits = (
        gain_intervals(values, line=sizes[name], better=measure.better, scale=scale)
        for scale in ("week", "visit")
    )
    group = weeks["client"].map(clients[by])
    pair = list(group.value_counts().index[:2])
    kept = group.isin(pair).to_numpy()
    weeks, visits = (
        one[kept].assign(group=group[kept].astype("str").to_numpy()) for one in (weeks, visits)
    )
    try:
        later = log_rank(weeks["time"], weeks["reached"], weeks["group"])
        between = interval_score_test(weeks["left"], weeks["right"], weeks["group"])
        mine = {str(g): weeks[weeks["group"] == str(g)] for g in pair}
        curves = {g: kaplan_meier(one["time"], one["reached"]) for g, one in mine.items()}
        until = min(_horizon(curve) for curve in curves.values())
        means = {g: restricted_mean(curve, until=until) for g, curve in curves.items()}
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Not shown: {escape(str(reason))}</p>')
    each = "; ".join(
        f"{g} {number(m.estimate)} weeks ({number(m.ci_low)} to {number(m.ci_high)})"
        for g, m in means.items()
    )
    text = (
        f"By {by}, mean weeks short of the {name} gain, counted up to week {until:g}: "
        f"{each}. "
        f"Log-rank test, gains dated at their visit: {_p(later)}. Score test for gains between "
        f"visits, which is not misled by a group that is seen more often: {_p(between)}. "
        f"{_ratio(visits)} Groups were not formed by chance."
    )
    picture = group_curves_figure(
        curves,
        {g: one["time"] for g, one in mine.items()},
        title=_title(measure, name, sizes[name]),
    )
    return Html(f'<p class="sentence">{escape(text)}</p>{picture._repr_html_()}')


def _main(sizes: Mapping[str, float]) -> str:
    return "important" if "important" in sizes else next(iter(sizes))


def _title(measure: Measure, name: str, size: float) -> str:
    return f"{measure.name}: {name} gain ({with_unit(size, measure.unit)})"


def _percents(low: float, high: float) -> str:
    return f"{percent(low)} to {percent(high)}"


def _p(test: pd.DataFrame) -> str:
    row = test.iloc[0]
    p = "p < .001" if row["p_value"] < 0.001 else f"p = {row['p_value']:.3f}".replace("0.", ".")
    return f"chi-square {number(row['statistic'])}, {p}"


def _ratio(visits: pd.DataFrame) -> str:
    """Say how the chances at each visit compare, by the discrete hazard model."""
    try:
        row = hazard_ratios(visit_rows(visits), on=["group"]).iloc[0]
    except OutcomesError:
        return "The chances at each visit cannot be compared: too few gains."
    who = str(row["term"]).removeprefix("group").strip(": ").removeprefix("= ")
    return (
        f"Chance at each visit, {who} against the other: ratio {row['estimate']:.2f} "
        f"({row['ci_low']:.2f} to {row['ci_high']:.2f})."
    )


def _horizon(curve: pd.DataFrame) -> float:
    """Give the week up to which time is counted: a whole one that was seen."""
    last = float(curve["time"].iloc[-1])
    return min(HORIZON, np.floor(last) or last)


def _short_of_it(curve: pd.DataFrame, name: str) -> str:
    until = _horizon(curve)
    found = restricted_mean(curve, until=until)
    return (
        f"Counted up to week {until:g}, a client spends {number(found.estimate)} weeks short "
        f"of the {name} gain on average (95% interval {number(found.ci_low)} to "
        f"{number(found.ci_high)}; restricted mean by Kaplan-Meier), whether or not half ever "
        f"reach it."
    )


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


def _endings(times: pd.DataFrame, name: str, measure: Measure) -> Html:
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
    size = f"{measure.name}: {name} gain, or what came before it"
    return Html(endings_figure(curves, title=size)._repr_html_()) + table(
        shown,
        {"ending": "Ending", **columns},
        caption="Of all who start: what comes first (Aalen-Johansen)",
    )
