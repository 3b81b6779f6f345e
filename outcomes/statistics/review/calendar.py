"""What time and selection alone would have given, and what those who left could change.

Regression to the mean comes from the visits themselves where they tell a bad first day from the
course that followed. Elsewhere the usual level of the people whom clients come from is taken from
the catalogue's reference values of healthy people, and the correlation of two untreated values from
the scatter of the caseload's own readings. Both are stand-ins: the result says so, and leaves the
rung out where they are not known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import OutcomesError
from outcomes.results import Claim
from outcomes.statistics.effect_size import (
    FirstVisitRegression,
    Ladder,
    change_ladder,
    course_sensitivity,
    course_tipping_point,
    first_visit_regression,
    impute_course,
    missing_bounds,
    missing_patterns,
    sensitivity_to_missing,
    tipping_point,
)
from outcomes.statistics.individual_change import start_and_latest
from outcomes.statistics.review.quarter import MeasureReview, QuarterReview
from outcomes.statistics.service import eligible_episodes

__all__ = ["Calendar", "what_the_calendar_gives"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Calendar(Claim):
    """One measure's ladder, and its answers under other stories of the missing.

    Attributes
    ----------
    ladder : Ladder
        From the raw mean improvement down.
    usual_level : float
        Level assumed for people like the clients; empty where none is known.
    reliability : float
        Correlation assumed of two untreated values; empty where none is known.
    missing : DataFrame
        Mean improvement under each story of the leavers (`sensitivity_to_missing`), then with
        every leaver at the worst and at the best end of the scale (`missing_bounds`).
    tipping : float
        How much worse than stayers the leavers must be before the interval of the mean improvement
        meets zero, in the measure's unit; infinite where nobody left, empty where the answer does
        not lie above zero.
    patterns : DataFrame
        Which planned visits are there (`missing_patterns`); a client discharged before the last of
        them counts as left. Empty, like the two below, with fewer than 3 planned visits.
    over_visits, tipping_over_visits : DataFrame
        Mean improvement at each planned visit under stories of the leavers (`course_sensitivity`),
        and how much worse they must be to undo it (`course_tipping_point`).
    """

    ladder: Ladder
    usual_level: float
    reliability: float
    missing: pd.DataFrame
    tipping: float
    patterns: pd.DataFrame
    over_visits: pd.DataFrame
    tipping_over_visits: pd.DataFrame


def what_the_calendar_gives(
    review: QuarterReview, *, rng: np.random.Generator
) -> tuple[dict[str, Calendar], dict[str, str]]:
    """Build the ladder of every measure.

    Parameters
    ----------
    review : QuarterReview
    rng : numpy Generator
        For resamples and imputations.

    Returns
    -------
    dict of str to Calendar
        By measure, where it can be computed.
    dict of str to str
        By measure, why it cannot.
    """
    found, notes = {}, {}
    seen = pd.MultiIndex.from_frame(
        eligible_episodes(review.caseload.visits, quarter=review.quarter)
    )
    for m in review.measures:
        try:
            found[m.measure.code] = _one_measure(m, seen, rng)
        except OutcomesError as reason:
            notes[m.measure.code] = str(reason)
    return found, notes


def _one_measure(m: MeasureReview, seen: pd.MultiIndex, rng: np.random.Generator) -> Calendar:
    starters = _starters(m, seen)
    level, reliability = _usual_level(m), _reliability(m)
    known = np.isfinite(level) and np.isfinite(reliability)
    better = m.measure.better
    ladder = change_ladder(
        starters,
        rng=rng,
        better=better,
        population_mean=level if known else None,
        reliability=reliability if known else None,
        first_visit=_first_visit(m),
        minimal_important_change=m.importance.value if m.importance else None,
        n_resamples=1000,
    )
    missing = sensitivity_to_missing(starters, rng=rng, better=better, n_imputations=50)
    ends = (m.measure.hard_min, m.measure.hard_max)
    worst, best = ends if m.measure.sign > 0 else ends[::-1]
    bounds = missing_bounds(starters, worst=worst, best=best, better=better)
    try:
        tipping = float(tipping_point(starters, better=better).estimate)
    except OutcomesError:
        tipping = np.nan
    return Calendar(
        ladder=ladder,
        usual_level=level,
        reliability=reliability,
        missing=pd.concat([missing, bounds], ignore_index=True),
        tipping=tipping,
        **_over_visits(m, starters, rng),
    )


def _over_visits(
    m: MeasureReview, starters: pd.DataFrame, rng: np.random.Generator
) -> dict[str, pd.DataFrame]:
    """Give the missing over the whole course, where it has three planned visits."""
    own = ["client", "episode", "side", "mode", "instrument"]
    values = m.readings.merge(starters[own], on=own)
    better = m.measure.better
    try:
        patterns = missing_patterns(values)
        sets = impute_course(values, rng=rng, better=better, n_imputations=50)
    except OutcomesError:
        none = pd.DataFrame()
        return {"patterns": none, "over_visits": none, "tipping_over_visits": none}
    return {
        "patterns": patterns,
        "over_visits": course_sensitivity(sets),
        "tipping_over_visits": course_tipping_point(sets),
    }


def _starters(m: MeasureReview, seen: pd.MultiIndex) -> pd.DataFrame:
    """Give everyone seen who has a start value, with an empty latest value for those lost."""
    everyone = start_and_latest(m.readings, least_visits=1)
    mine = pd.MultiIndex.from_frame(everyone[["client", "episode"]]).isin(seen)
    return everyone[mine].reset_index(drop=True)


def _first_visit(m: MeasureReview) -> FirstVisitRegression | None:
    """Regression to the mean from all visits of the caseload; None where they are too few."""
    try:
        return first_visit_regression(m.values, better=m.measure.better, unit=m.measure.unit)
    except OutcomesError:
        return None


def _usual_level(m: MeasureReview) -> float:
    """Median of the reference values published; middles of samples before single figures."""
    known = [
        f for f in m.measure.published if f.kind == "reference_value" and f.unit == m.measure.unit
    ]
    middles = [f.figures["percentile_50"] for f in known if "percentile_50" in f.figures]
    values = middles or [f.value for f in known if f.value is not None]
    return float(np.median(values)) if values else np.nan


def _reliability(m: MeasureReview) -> float:
    """Share of the variance of start values that is not scatter of readings."""
    if m.courses is None:
        return np.nan
    start = m.courses.series["first_value"]
    share = 1 - m.courses.scatter_sd**2 / float(start.var())
    return float(np.clip(share, 0.0, 0.999))
