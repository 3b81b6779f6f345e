"""The quarter's review of a caseload: one result per measure, every client judged.

The unit is an episode of care with an attended visit in the quarter. Its change runs from the
first before-treatment value of the episode to the latest one up to the quarter's end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, ModelError, check_count
from outcomes.records.caseload import Caseload
from outcomes.records.readings import judged_side, visit_values
from outcomes.results import Claim, Estimate
from outcomes.statistics.effect_size import mean_change, standardised_change, verdict_shares
from outcomes.statistics.review.course import Course, course_over_weeks
from outcomes.statistics.review.judging import JudgedMeasure, judge_measure
from outcomes.statistics.review.shares import model_shares
from outcomes.statistics.service import (
    eligible_episodes,
    flow_counts,
    quarter_dates,
    quarter_of,
)
from outcomes.statistics.service.quarters import ALL

__all__ = ["MeasureReview", "QuarterReview", "review_quarter", "summary_row"]


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasureReview(JudgedMeasure):
    """One measure in one quarter: its `judged` rows are those seen in the quarter.

    Attributes
    ----------
    everyone : DataFrame
        The judged rows of all episodes up to the quarter's end.
    flow : dict of str to int
        eligible, measured_at_start, measured_again, analysed.
    improvement : Estimate
        Mean improvement in the measure's unit.
    standardised : DataFrame
        The same in standard deviations, four ways, with intervals.
    shares : DataFrame
        Shares improved and worsened by cut-off (`verdict_shares`), then by the model
        (`model_shares`).
    course : Course or None
        The mean course from the mixed model; None with a note where it cannot be fitted.
    """

    everyone: pd.DataFrame
    flow: dict[str, int]
    improvement: Estimate
    standardised: pd.DataFrame
    shares: pd.DataFrame
    course: Course | None

    @property
    def worse(self) -> int:
        """Episodes with a decline by either verdict."""
        return int(self.judged["worse"].sum())


@dataclass(frozen=True, eq=False, kw_only=True)
class QuarterReview(Claim):
    """A quarter's review.

    Attributes
    ----------
    quarter : str
        As 2026Q2.
    measures : tuple of MeasureReview
        Those with at least `least_clients` clients analysed.
    left_out : DataFrame
        measure, analysed: measures with too few clients.
    """

    quarter: str
    n_eligible: int
    measures: tuple[MeasureReview, ...]
    left_out: pd.DataFrame
    caseload: Caseload

    @property
    def names(self) -> dict[str, str]:
        """Names of the measures by code, in the report's order."""
        return {m.measure.code: m.measure.name for m in self.measures}

    @property
    def clients(self) -> pd.DataFrame:
        """One row per client, episode and measure, declines first."""
        rows = pd.concat(
            [m.judged.assign(better=m.measure.better) for m in self.measures], ignore_index=True
        )
        return rows.iloc[np.lexsort([rows["improvement"], ~rows["worse"]])].reset_index(drop=True)

    @property
    def shares(self) -> pd.DataFrame:
        """Shares improved and worsened, all measures."""
        return pd.concat([m.shares for m in self.measures], ignore_index=True)

    @property
    def summary(self) -> pd.DataFrame:
        """One row per measure: flow, mean improvement, standardised improvement, shares."""
        return pd.DataFrame([summary_row(m) for m in self.measures])


def review_quarter(
    caseload: Caseload,
    *,
    quarter: str = "latest",
    measures: Sequence[str] | None = None,
    least_clients: int = 5,
    confidence: float = 0.95,
) -> QuarterReview:
    """Judge every client seen in a quarter, and sum up each measure.

    Parameters
    ----------
    caseload : Caseload
        The checked records.
    quarter : str
        As ``"2026Q2"``; ``"latest"`` takes the quarter of the last attended visit, ``"all"`` the
        whole caseload. Where every episode starts on one day the dates are no calendar's, and
        ``"latest"`` takes all.
    measures : sequence of str, optional
        Codes to review; all that the caseload has when left out.
    least_clients : int
        Measures with fewer clients analysed are named and left out.
    confidence : float
        Level of intervals and of the detectable change, in (0, 1).

    Returns
    -------
    QuarterReview

    Raises
    ------
    DataError
        If no visit was attended in the quarter, or no measure has enough clients.
    ArgumentError
        If the quarter is not written like 2026Q2.
    """
    check_count("least_clients", least_clients, least=3)
    quarter = _chosen_quarter(caseload, quarter)
    values = judged_side(visit_values(caseload, measures=measures), caseload.clients)
    end = quarter_dates(quarter)[1] + pd.Timedelta(days=1)
    values = values[values["date"] < end]
    codes = sorted(values["measure"].unique()) if measures is None else list(measures)
    codes = [code for code in codes if code not in _ANCHORS]
    flow = flow_counts(values, visits=caseload.visits, quarter=quarter, measures=codes)
    flow = flow.set_index("measure")
    enough = [code for code in codes if flow.loc[code, "analysed"] >= least_clients]
    if not enough:
        raise DataError(
            f"a review must rest on at least {least_clients} clients measured twice; no measure "
            f"in {quarter} has them. Choose another quarter, or lower least_clients."
        )
    episodes = _episodes(caseload, quarter)
    reviews = [
        _review_measure(caseload, values, episodes, code, flow.loc[code], confidence)
        for code in enough
    ]
    reviews.sort(key=lambda m: (m.measure.kind == "questionnaire", -m.flow["analysed"]))
    left = flow.loc[[code for code in codes if code not in enough], ["analysed"]].reset_index()
    return QuarterReview(
        quarter=quarter,
        n_eligible=int(flow["eligible"].max()),
        measures=tuple(reviews),
        left_out=left,
        caseload=caseload,
    )


def _chosen_quarter(caseload: Caseload, quarter: str) -> str:
    attended = _attended(caseload.visits)
    if attended.empty:
        raise DataError("visits must have at least one attended visit; there is none. Add visits.")
    if quarter == "latest":
        return ALL if _dates_are_nominal(attended) else quarter_of(attended["date"].max())
    first, last = quarter_dates(quarter)
    if not attended["date"].between(first, last + pd.Timedelta(days=1), inclusive="left").any():
        have = sorted({quarter_of(day) for day in attended["date"].drop_duplicates()})
        raise ArgumentError(
            f"quarter must have attended visits, got {quarter!r}. This caseload runs from "
            f"{have[0]} to {have[-1]}."
        )
    return quarter


def _dates_are_nominal(attended: pd.DataFrame) -> bool:
    """Tell whether every episode starts on one day: dates made from weeks, not from a calendar."""
    starts = attended.groupby(["client", "episode"])["date"].min()
    return len(starts) > 1 and starts.nunique() == 1


def _attended(visits: pd.DataFrame) -> pd.DataFrame:
    return visits[visits["attended"].fillna(True).astype(bool)]


def _episodes(caseload: Caseload, quarter: str) -> pd.MultiIndex:
    return pd.MultiIndex.from_frame(eligible_episodes(caseload.visits, quarter=quarter))


def _review_measure(
    caseload: Caseload,
    values: pd.DataFrame,
    episodes: pd.MultiIndex,
    code: str,
    flow: pd.Series,
    confidence: float,
) -> MeasureReview:
    found = judge_measure(caseload, values, code, confidence=confidence)
    everyone = found.judged
    mine = pd.MultiIndex.from_frame(everyone[["client", "episode"]]).isin(episodes)
    judged = everyone[mine].reset_index(drop=True)
    measure, notes = found.measure, found.notes
    course = None
    try:
        course = course_over_weeks(
            found.values,
            scale=found.courses.scale if found.courses else None,
            confidence=confidence,
        )
    except ModelError as reason:
        notes = (*notes, str(reason))
    return MeasureReview(
        measure=measure,
        error=found.error,
        importance=found.importance,
        flow={stage: int(flow[stage]) for stage in _STAGES},
        judged=judged,
        everyone=everyone,
        improvement=mean_change(
            judged,
            better=measure.better,
            confidence=confidence,
            measure=code,
            unit=measure.unit,
        ),
        standardised=standardised_change(judged, better=measure.better, confidence=confidence),
        shares=pd.concat(
            [
                verdict_shares(judged, confidence=confidence),
                model_shares(judged, confidence=confidence).assign(measure=measure.code),
            ],
            ignore_index=True,
        ),
        course=course,
        courses=found.courses,
        values=found.values,
        readings=found.readings,
        notes=notes,
    )


#: Ratings of change itself: an anchor for thresholds, not an outcome with a start and a latest.
_ANCHORS = ("groc",)
_STAGES = ("eligible", "measured_at_start", "measured_again", "analysed")


def summary_row(review: MeasureReview) -> dict[str, Any]:
    """Give a measure's row of the summary; only its flow, improvement and shares are looked at."""
    shares = review.shares.set_index("quantity")
    becker = review.standardised.set_index("quantity").loc["becker"]
    row: dict[str, Any] = {
        "measure": review.measure.code,
        "unit": review.measure.unit,
        **review.flow,
        "estimate": review.improvement.estimate,
        "ci_low": review.improvement.ci_low,
        "ci_high": review.improvement.ci_high,
        "ci_level": review.improvement.ci_level,
        "standardised": becker["estimate"],
        "standardised_ci_low": becker["ci_low"],
        "standardised_ci_high": becker["ci_high"],
    }
    for quantity, name in (
        ("surely improved", "share_surely_improved"),
        ("expected to have improved importantly", "share_expected_important"),
        ("surely worse", "share_surely_worse"),
        ("improved detectably", "share_detectable"),
        ("improved importantly", "share_important"),
        ("worsened detectably", "share_worsened"),
    ):
        row[name] = shares["share"].get(quantity, np.nan)
    return row
