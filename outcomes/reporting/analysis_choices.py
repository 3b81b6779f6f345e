"""What the rebuilt analysis says of other choices: analyses, thresholds, groups."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, OutcomesError
from outcomes.measures.catalogue import Measure, sources
from outcomes.measures.matching import all_thresholds
from outcomes.measures.thresholds import Threshold
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import error_of, importance_of, measure_of
from outcomes.records.readings import judged_side, visit_values
from outcomes.reporting.analysis_page import in_scope
from outcomes.reporting.figures import (
    specification_figure,
    threshold_figure,
)
from outcomes.reporting.figures.thresholds import short_source
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, join_words, number, percent, plural, with_unit
from outcomes.results import Estimate
from outcomes.statistics.effect_size import compare_groups
from outcomes.statistics.important_change import (
    compare_thresholds,
    predictive_threshold,
    rated_changes,
)
from outcomes.statistics.sensitivity import (
    Agreement,
    agreement,
    choices_that_move,
    e_value_of_difference,
)

__all__ = [
    "errors",
    "lines",
    "specification",
    "thresholds",
    "two_groups",
    "versions",
    "what_moves",
]


def versions(caseload: Caseload, measure: str, quarter: str) -> dict[str, pd.DataFrame]:
    """Give the readings that could each be called the measure, the one in use first.

    Sides as judged; the first trial of a visit only; both sides averaged whichever is affected;
    the most used instrument only. A version that changes nothing is left out.
    """
    clients = caseload.clients
    nobody = clients.assign(affected_side="")
    first = caseload.measurements["trial"].fillna(1) == 1
    single = Caseload(tables={**caseload.tables, "measurements": caseload.measurements[first]})
    every = visit_values(caseload, measures=[measure])
    main = in_scope(judged_side(every, clients), caseload, quarter)
    others = {
        "first trial only": judged_side(visit_values(single, measures=[measure]), clients),
        "both sides averaged": judged_side(every, nobody),
    }
    found = {"as judged": main}
    for name, values in others.items():
        kept = in_scope(values, caseload, quarter)
        if len(kept) and not _alike(kept, main):
            found[name] = kept
    usual = main["instrument"].mode()
    if main["instrument"].nunique() > 1 and len(usual):
        found[f"{usual.iloc[0]} only"] = main[main["instrument"] == usual.iloc[0]]
    return found


def _alike(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    keys = ["client", "episode", "visit", "side", "mode", "instrument"]
    a, b = (f.sort_values(keys)["value"].to_numpy(float) for f in (one, other))
    return len(a) == len(b) and bool(np.allclose(a, b))


def lines(caseload: Caseload, measure: str, *, scatter: float | None = None) -> dict[str, float]:
    """Give the smallest important change in use, then every other published one.

    Where none is defensible, the detectable change stands in, and its name says so.
    """
    found = _all_known(
        caseload, measure, "minimal_important_change", importance_of(caseload, measure)
    )
    if found:
        return found
    error = next(iter(errors(caseload, measure, scatter=scatter).values()))
    detectable = float(stats.norm.ppf(0.975)) * np.sqrt(2) * error
    return {"detectable change, no line known": detectable}


def errors(caseload: Caseload, measure: str, *, scatter: float | None = None) -> dict[str, float]:
    """Give the measurement error in use, then every other published one, and our own scatter.

    Parameters
    ----------
    caseload : Caseload
    measure : str
    scatter : float, optional
        SD of readings around clients' own courses, from the mixed model: a clinic's own figure,
        which holds day-to-day change as well.

    Raises
    ------
    DataError
        If nothing is known at all.
    """
    found = _all_known(
        caseload, measure, "standard_error_of_measurement", error_of(caseload, measure)
    )
    if scatter is not None:
        found["scatter of own readings"] = float(scatter)
    if not found:
        raise DataError(
            "a measurement error must be known, published or one's own, to judge a change; none "
            "is. Give one in the threshold file."
        )
    return found


def _all_known(
    caseload: Caseload, measure: str, kind: str, used: Threshold | None
) -> dict[str, float]:
    """Give the value in use and every published one; values that print alike are one option."""
    unit = measure_of(caseload, measure).unit
    mine = "" if used is None else with_unit(used.value, unit)
    found = {} if used is None else {f"{mine}, in use": float(used.value)}
    if measure in caseload.own_measures:
        return found
    published = all_thresholds(measure, kind)
    published = published[published["value"] > 0] if len(published) else published
    others: dict[str, list[pd.Series]] = {}
    for _, row in published.iterrows():
        words = with_unit(row["value"], unit)
        if words != mine:
            others.setdefault(words, []).append(row)
    for words, rows in others.items():
        cited = join_words(list(dict.fromkeys(short_source(row["source"]) for row in rows)))
        found[f"{words}, {cited}"] = float(rows[0]["value"])
    return found


def specification(grid: pd.DataFrame, measure: Measure) -> Html:
    """Draw all analyses in order of their headline, and say how far they agree."""
    found = agreement(grid)
    run = grid[grid["estimate"].notna()]
    text = (
        f"{plural(found.n_analyses, 'analysis', 'analyses')} of the declared choices"
        + (f", of which {found.n_failed} could not be run" if found.n_failed else "")
        + f". Mean improvement from {with_unit(found.lowest, measure.unit)} to "
        f"{with_unit(found.highest, measure.unit)}, median "
        f"{with_unit(found.median, measure.unit)}; the main analysis says "
        f"{with_unit(found.main_estimate, measure.unit)} "
        f"({interval(found.main_low, found.main_high, measure.unit)}). "
        f"{_share(found.share_same_sign).capitalize()} agree with it in sign, "
        f"{_share(found.share_excluding_zero)} exclude zero on its side, and "
        f"{_share(found.share_same_verdict)} reach its verdict: {found.main_verdict}."
    )
    text += _moving(found)
    shares = [
        f"clients who {words}: {percent(run[column].min())} to {percent(run[column].max())}"
        for column, words in (
            ("share_detectable", "improved beyond error"),
            ("share_important", "improved by the line"),
        )
    ]
    picture = specification_figure(grid, found, measure)
    return Html(
        f'<p class="sentence">{escape(text)}</p>{picture._repr_html_()}'
        f"<p>Over all analyses, {escape('; '.join(shares))}.</p>"
    )


def _share(share: float) -> str:
    return "all" if share == 1 else percent(share)


def _moving(found: Agreement) -> str:
    """Say which choice moves the size, and which the verdict."""
    size, verdict = found.moves_most, found.moves_verdict_most
    if not size:
        return ""
    if size == verdict:
        return f" Size and verdict are both moved most by {_CHOICE_WORDS[size]}."
    rest = (
        f", the verdict by {_CHOICE_WORDS[verdict]}." if verdict
        else "; no choice changes the verdict."
    )  # fmt: skip
    return f" The size is moved most by {_CHOICE_WORDS[size]}{rest}"


_CHOICE_WORDS = {
    "version": "which readings are used",
    "window": "the weeks of care that count",
    "outliers": "what is done about values that stick out",
    "missing": "what is supposed about those not measured again",
    "course": "how an improvement is worked out",
    "line": "the line of importance",
    "error": "the measurement error",
}


def what_moves(grid: pd.DataFrame, measure: Measure) -> Html:
    """List the choices, the one that moves the headline most first, with what it does to shares."""
    moves = choices_that_move(grid)
    run = grid[grid["estimate"].notna()]
    moves = moves.assign(
        words=moves["choice"].map(_CHOICE_WORDS).str.capitalize(),
        size=[with_unit(s, measure.unit) for s in moves["shift"]],
        detectable=[_swing(run, c, "share_detectable") for c in moves["choice"]],
        important=[_swing(run, c, "share_important") for c in moves["choice"]],
    )
    return table(
        moves,
        {"words": "Choice", "n_options": "Options", "size": ("Moves the mean by", str),
         "share_of_variance": ("Explains alone", percent),
         "verdicts_changed": ("Pairs whose verdict changes", percent),
         "detectable": ("Share beyond error", str), "important": ("Share by the line", str)},
        caption="Which choice moves the headline most (shares: means over its options)",
        empty="there is one option for each choice.",
    )  # fmt: skip


def _swing(run: pd.DataFrame, choice: str, column: str) -> str:
    means = run.groupby(choice)[column].mean()
    return f"{percent(means.min())} to {percent(means.max())}"


def thresholds(judged: pd.DataFrame, caseload: Caseload, measure: str, *, own: bool = True) -> Html:
    """Put every threshold beside the others with the share of clients who reach it.

    Parameters
    ----------
    judged : DataFrame
        improvement, minimal_detectable_change: one row per client, from `judge_change`.
    caseload : Caseload
        For the clinic's own ratings of change, if it has any.
    measure : str
    own : bool
        Also work out the clinic's own line from its ratings.
    """
    if measure in caseload.own_measures:
        return Html('<p class="quiet">A measure of the clinic\'s own has no published line.</p>')
    mine, note = _own_line(caseload, measure) if own else (None, "")
    try:
        found = compare_thresholds(judged, measure=measure, own=[mine] if mine else [])
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Not shown: {escape(str(reason))}</p>')
    what = measure_of(caseload, measure)
    cited = found.loc[found["origin"] == "published", "source"].drop_duplicates()
    items = "".join(f"<li>{escape(sources()[key].citation)}</li>" for key in cited)
    return Html(
        threshold_figure(found, what)._repr_html_()
        + (f"<p>{escape(note)}</p>" if note else "")
        + f"<details><summary>{plural(len(cited), 'source')}</summary><ul>{items}</ul></details>"
    )


def _own_line(caseload: Caseload, measure: str) -> tuple[Estimate | None, str]:
    values = judged_side(visit_values(caseload, measures=[measure, "groc"]), caseload.clients)
    unit = measure_of(caseload, measure).unit
    try:
        found = predictive_threshold(rated_changes(values, measure=measure))
    except OutcomesError as reason:
        return None, f"The clinic's own line cannot be worked out: {reason}"
    if found.estimate <= 0:
        return None, "The clinic's own ratings give no line above zero."
    return found, (
        f"The clinic's own line, from the ratings of {plural(found.n, 'client')} by predictive "
        f"modelling, is {with_unit(found.estimate, unit)} (95% interval "
        f"{interval(found.ci_low, found.ci_high, unit)})."
    )


def two_groups(starters: pd.DataFrame, caseload: Caseload, measure: Measure, *, by: str) -> Html:
    """Compare the two largest groups, and say how strong a hidden difference would have to be."""
    clients = caseload.clients.drop_duplicates("client").set_index("client")
    if not by or by not in clients or clients[by].dropna().nunique() < 2:
        return Html('<p class="quiet">No two groups to compare in this column.</p>')
    rows = starters.assign(group=starters["client"].map(clients[by]).astype("str"))
    known = rows[rows["client"].map(clients[by]).notna()]
    first, second = known["group"].value_counts().index[:2]
    try:
        found = compare_groups(known, first=first, second=second, better=measure.better)
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Not shown: {escape(str(reason))}</p>')
    units = [measure.unit if q in _IN_UNITS else "" for q in found["quantity"]]
    shown = found.assign(
        what=found["quantity"].replace(_COMPARED),
        text=[with_unit(e, u, sign=True) for e, u in zip(found["estimate"], units, strict=True)],
        range=[interval(a, b) for a, b in zip(found["ci_low"], found["ci_high"], strict=True)],
    )
    listed = table(
        shown,
        {"what": "Comparison", "text": ("Estimate", str), "range": ("95% interval", str)},
        caption=f"Improvement, {first} minus {second} ({by})",
    )
    adjusted = found[found["quantity"] == "adjusted for the start value"].iloc[0]
    words = _hidden(adjusted, known, measure)
    return listed + Html(f"<p>{escape(words)}</p>")


_IN_UNITS = (
    "difference in change",
    "adjusted for the start value",
    "constrained longitudinal model",
    "Hodges-Lehmann shift",
)
_COMPARED = {
    "difference in change": "Difference of mean improvements",
    "adjusted for the start value": "Adjusted for the start value",
    "constrained longitudinal model": "Constrained longitudinal model, all who started",
    "d_ppc2": "In SD of start values (d_ppc2)",
}


def _hidden(row: pd.Series, rows: pd.DataFrame, measure: Measure) -> str:
    change = measure.sign * (rows["latest_value"] - rows["start_value"]).astype(float)
    spread = change.groupby(rows["group"]).var().mean() ** 0.5
    reach = float(stats.t.ppf(0.975, row["df"]))
    error = (row["ci_high"] - row["ci_low"]) / 2 / reach
    found = e_value_of_difference(row["estimate"], standard_error=error, sd=float(spread))
    if found.e_value_interval <= 1:
        return (
            "The interval holds zero, so nothing hidden is needed to explain the difference "
            f"(E-value of the estimate {number(found.e_value)}, of the interval 1)."
        )
    return (
        "Something not recorded that goes with both the group and the improvement by a risk ratio "
        f"of {number(found.e_value)} each could explain the difference away, by "
        f"{number(found.e_value_interval)} its interval (E-values; VanderWeele & Ding 2017). "
        "Groups that were not formed by chance often differ by as much."
    )
