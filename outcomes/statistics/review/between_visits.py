"""Between the visits: what is kept of the gain within them, and what goes with home exercise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.errors import DataError, OutcomesError
from outcomes.records.readings import judged_side, visit_values
from outcomes.statistics.individual_change import (
    KeptGains,
    exercise_intervals,
    home_exercise_link,
    immediate_and_kept,
    time_scale,
)
from outcomes.statistics.review.quarter import MeasureReview, QuarterReview
from outcomes.statistics.service import dose_and_gain, episode_adherence

__all__ = ["diary_weeks", "doses", "exercise_links", "kept_gains"]

_TREND = "trend of the before level per week"
_SERIES = ["client", "episode", "side", "mode", "instrument"]


def kept_gains(review: QuarterReview, *, linked: int = 1) -> dict[str, KeptGains]:
    """Tell gains within visits apart from kept ones, in every measure that has both moments.

    Parameters
    ----------
    review : QuarterReview
        All episodes up to the quarter's end are used.
    linked : int
        Measures, those with most readings first, in which the mixed model also asks whether the
        gain within visits goes with the lasting one (a third of a second each).

    Returns
    -------
    dict of str to KeptGains
        By measure, most readings after treatment first. The trend of the level before treatment is
        that of the mean course.

    Raises
    ------
    DataError
        If no measure has readings after treatment for enough clients.
    """
    after = judged_side(visit_values(review.caseload, moment="after"), review.caseload.clients)
    pairs = [(m, _same_series(m, after)) for m in review.measures]
    pairs = sorted(pairs, key=lambda pair: -len(pair[1]))
    found: dict[str, KeptGains] = {}
    reasons = []
    for m, mine in pairs:
        if mine.empty:
            continue
        try:
            kept = immediate_and_kept(
                m.values,
                mine,
                better=m.measure.better,
                scale=m.courses.scale if m.courses else None,
                link=len(found) < linked and m.courses is not None,
            )
            found[m.measure.code] = _with_trend(kept, m)
        except OutcomesError as reason:
            reasons.append(str(reason))
    if not found:
        raise DataError(
            reasons[0]
            if reasons
            else "kept gains must rest on readings before and after treatment; no measure has "
            "readings after. Take both at some visits."
        )
    return found


def _with_trend(kept: KeptGains, m: MeasureReview) -> KeptGains:
    """Take the trend of the level before treatment from the mean course, fitted already."""
    if m.course is None:
        return kept
    slope = m.course.fit.fixed.set_index("term").loc["time"]
    weeks = float(m.values.groupby(["client", "episode"])["week"].max().mean())
    per_week = m.measure.sign * float(time_scale(np.array([weeks]), m.course.scale)[0]) / weeks
    low, high = sorted(per_week * slope[c] for c in ("ci_low", "ci_high"))
    row = {
        "quantity": _TREND,
        "estimate": per_week * slope["estimate"],
        "standard_error": abs(per_week) * slope["standard_error"],
        "ci_low": low,
        "ci_high": high,
        "ci_level": slope["ci_level"],
        "df": slope["df"],
        "p_value": slope["p_value"],
        "n": m.course.n,
        "method": "mixed model of readings before treatment, over the mean length of care",
    }
    others = kept.summary[kept.summary["quantity"] != _TREND]
    summary = pd.concat([others, pd.DataFrame([row])], ignore_index=True)
    return replace(kept, summary=summary)


def _same_series(m: MeasureReview, after: pd.DataFrame) -> pd.DataFrame:
    """Give the readings after treatment that belong to the judged visits."""
    mine = after[after["measure"] == m.measure.code]
    visits = [*_SERIES, "visit"]
    return mine if mine.empty else mine.merge(m.values[visits].drop_duplicates(), on=visits)


def diary_weeks(review: QuarterReview) -> pd.DataFrame:
    """Sum up the diary by episode and week."""
    if review.caseload.home_exercise.empty:
        raise DataError("home exercise must be recorded to be shown. Add a table of the diary.")
    return episode_adherence(review.caseload.home_exercise, visits=review.caseload.visits)


def doses(review: QuarterReview, year: pd.DataFrame) -> pd.DataFrame:
    """Set visits and home exercise against gain in each measure."""
    names = ["n_visits"]
    if not review.caseload.home_exercise.empty:
        done = diary_weeks(review).groupby(["client", "episode"])["adherence"].mean()
        year = year.join(done, on=["client", "episode"])
        names.append("adherence")
    tables = [
        dose_and_gain(year[year["measure"] == code], doses=names).assign(measure=code)
        for code in review.names
    ]
    return pd.concat(tables, ignore_index=True)


def exercise_links(review: QuarterReview) -> pd.DataFrame:
    """Set kept gain against exercise done between visits, within and between clients, by measure.

    Returns
    -------
    DataFrame
        The rows of `home_exercise_link` with `measure` and `unit`.

    Raises
    ------
    DataError
        If there is no diary, or no measure has enough clients with one.
    """
    diary = review.caseload.home_exercise
    if diary.empty:
        raise DataError("home exercise must be recorded to be shown. Add a table of the diary.")
    tables, reasons = [], []
    for m in review.measures:
        try:
            rows = home_exercise_link(exercise_intervals(m.values, diary, better=m.measure.better))
        except OutcomesError as reason:
            reasons.append(str(reason))
            continue
        tables.append(rows.assign(measure=m.measure.code, unit=m.measure.unit))
    if not tables:
        raise DataError(reasons[0])
    return pd.concat(tables, ignore_index=True)
