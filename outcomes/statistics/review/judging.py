"""Judging the episodes of one measure: by cut-offs, and by the caseload's model."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.errors import OutcomesError
from outcomes.measures.catalogue import Measure
from outcomes.measures.thresholds import Threshold
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import error_of, importance_of, measure_of
from outcomes.results import Claim
from outcomes.statistics.individual_change import (
    ClientCourses,
    fit_client_courses,
    judge_change,
    reconcile,
    start_and_latest,
    verdict_from_courses,
)

__all__ = ["JudgedMeasure", "judge_measure", "row_errors", "with_model"]

_EPISODE = ["client", "episode"]
_SERIES = [*_EPISODE, "side", "mode", "instrument"]


@dataclass(frozen=True, eq=False, kw_only=True)
class JudgedMeasure(Claim):
    """All episodes of one measure, judged twice.

    Attributes
    ----------
    measure : Measure
        From the catalogue or the clinic's own.
    error, importance : Threshold or None
        Thresholds used, with their sources.
    judged : DataFrame
        One row per client and episode: the columns of `judge_change`, then those of the model's
        verdict (`true_improvement`, `true_ci_low`, `true_ci_high`, `chance_improved`,
        `chance_important`, `chance_worse`, `model_verdict`, `reconciliation`), empty where there is
        no model, and `worse`: a decline by either verdict.
    values : DataFrame
        The visits behind it: one series per episode.
    readings : DataFrame
        All visits of the measure, those of clients measured once included.
    courses : ClientCourses or None
        The clients' own courses; None with a note where they cannot be learnt.
    """

    measure: Measure
    error: Threshold | None
    importance: Threshold | None
    judged: pd.DataFrame
    values: pd.DataFrame
    courses: ClientCourses | None
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: tuple[str, ...] = field(default=())


def judge_measure(
    caseload: Caseload, values: pd.DataFrame, code: str, *, confidence: float = 0.95
) -> JudgedMeasure:
    """Judge every episode that has a start and a later value of one measure.

    Parameters
    ----------
    caseload : Caseload
        For the thresholds that hold for it.
    values : DataFrame
        Before-treatment values of the judged side (`judged_side`), up to the day of judgement.
    code : str
        Code of the measure.
    confidence : float
        Level of the detectable change and of intervals, in (0, 1).

    Returns
    -------
    JudgedMeasure

    Notes
    -----
    The model learns from the scatter of the caseload's own readings. The error of measurement
    enters it only from the clinic's own study: a published one, from other raters and other
    people, decides the cut-off verdict and nothing else.
    """
    measure = measure_of(caseload, code)
    rows = values[values["measure"] == code]
    pairs = start_and_latest(rows)
    series = rows.merge(pairs[_SERIES], on=_SERIES)
    error, importance = error_of(caseload, code), importance_of(caseload, code)
    line = importance.value if importance else None
    judged = judge_change(
        pairs,
        standard_error_of_measurement=row_errors(caseload, code, pairs),
        minimal_important_change=line,
        better=measure.better,
        confidence=confidence,
    )
    courses, notes = None, ()
    try:
        own = row_errors(caseload, code, series) if error and error.source == "own study" else None
        courses = fit_client_courses(series, standard_error_of_measurement=own)
    except OutcomesError as reason:
        notes = (str(reason),)
    return JudgedMeasure(
        measure=measure,
        error=error,
        importance=importance,
        judged=with_model(judged, courses, measure, line, confidence),
        values=series,
        courses=courses,
        readings=rows,
        notes=notes,
    )


_MODEL = {
    "estimate": "true_improvement",
    "ci_low": "true_ci_low",
    "ci_high": "true_ci_high",
    "chance_improved": "chance_improved",
    "chance_important": "chance_important",
    "chance_worse": "chance_worse",
    "model_verdict": "model_verdict",
    "verdicts_differ": "verdicts_differ",
    "reconciliation": "reconciliation",
}


def with_model(
    judged: pd.DataFrame,
    courses: ClientCourses | None,
    measure: Measure,
    line: float | None,
    confidence: float,
) -> pd.DataFrame:
    """Put the model's verdict beside the cut-off's; its chances replace those of two readings."""
    by_cut_off = judged["worsened"].fillna(False).astype(bool)
    if courses is None:
        return judged.assign(
            true_improvement=np.nan,
            true_ci_low=np.nan,
            true_ci_high=np.nan,
            model_verdict="",
            worse=by_cut_off,
        )
    by_model = verdict_from_courses(
        courses, better=measure.better, minimal_important_change=line, confidence=confidence
    )
    known = reconcile(judged, by_model)[[*_EPISODE, *_MODEL]].rename(columns=_MODEL)
    kept = judged.drop(columns=["chance_improved", "chance_important", "chance_worse"])
    table = kept.merge(known, on=_EPISODE, how="left")
    return table.assign(worse=by_cut_off.to_numpy() | table["model_verdict"].eq("worse"))


def row_errors(caseload: Caseload, code: str, rows: pd.DataFrame) -> np.ndarray:
    """Give each row the error of its own instrument and mode; a mean of two sides has less."""
    instrument, instruments = pd.factorize(rows["instrument"])
    mode, modes = pd.factorize(rows["mode"])
    instruments, modes = [*instruments, ""], [*modes, ""]  # the last: not recorded
    error = np.full((len(instruments), len(modes)), np.nan)
    kinds = np.unique(instrument % len(instruments) * len(modes) + mode % len(modes))
    for i, j in zip(*np.unravel_index(kinds, error.shape), strict=True):
        found = error_of(caseload, code, instrument=instruments[i], mode=modes[j])
        error[i, j] = np.nan if found is None else found.value
    each = error[instrument, mode]
    return np.where(rows["side"] == "both", each / np.sqrt(2), each)
