"""From the rows of a finished run to the review of a clinic: for reports that list clients.

Sums, models and verdicts are those of the stages; what is made of them is made by the functions of
one machine, on the rows of all partitions put together in the order of their keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from outcomes.network.courses import read_courses, rows_of
from outcomes.network.gathering import gather
from outcomes.network.partition import EPISODE
from outcomes.network.results import NetworkMeasure, NetworkReview
from outcomes.network.review import Rows, review_network
from outcomes.network.store import open_store
from outcomes.records import Caseload
from outcomes.statistics.effect_size import mean_change, standardised_change, verdict_shares
from outcomes.statistics.individual_change import ClientCourses
from outcomes.statistics.review import MeasureReview, QuarterReview
from outcomes.statistics.review.shares import model_shares

__all__ = ["as_quarter_review", "finished_review"]

_ABOUT = ["birth_year", "onset_weeks", "complaint", "in_quarter"]


def finished_review(
    data: str,
    *,
    work: str,
    quarter: str,
    task_rows: int,
    measures: Sequence[str] | None = None,
) -> QuarterReview:
    """Give the review of a run whose stages are finished, reading what they left.

    Parameters
    ----------
    data : str
        The store.
    work : str
        The run's work folder.
    quarter, measures, task_rows
        As given to the run.
    """
    store = open_store(data)
    network = review_network(
        store, quarter=quarter, measures=measures, work=work, every_column=True, task_rows=task_rows
    )
    return as_quarter_review(network, store.caseload())


def as_quarter_review(network: NetworkReview, caseload: Caseload) -> QuarterReview:
    """Put the rows of a run (with `every_column`) together as a clinic's review.

    Parameters
    ----------
    network : NetworkReview
        From `review_network`.
    caseload : Caseload
        The whole store, for what is neither judged nor summed: diary, events, treatments.
    """
    confidence = network.rows.plan.confidence
    return QuarterReview(
        quarter=network.quarter,
        n_eligible=network.n_eligible,
        measures=tuple(_measure(network.rows, m, confidence) for m in network.measures),
        left_out=network.left_out,
        caseload=caseload,
    )


def _measure(rows: Rows, m: NetworkMeasure, confidence: float) -> MeasureReview:
    measure = m.measure
    table = rows.verdicts(measure.code)
    everyone = table.drop(columns=_ABOUT)
    judged = everyone[table["in_quarter"]].reset_index(drop=True)
    shares = [
        verdict_shares(judged, confidence=confidence),
        model_shares(judged, confidence=confidence).assign(measure=measure.code),
    ]
    return MeasureReview(
        measure=measure,
        error=m.error,
        importance=m.importance,
        flow=m.flow,
        judged=judged,
        everyone=everyone,
        improvement=mean_change(
            judged,
            better=measure.better,
            confidence=confidence,
            measure=measure.code,
            unit=measure.unit,
        ),
        standardised=standardised_change(judged, better=measure.better, confidence=confidence),
        shares=pd.concat(shares, ignore_index=True),
        course=m.course,
        courses=_courses(rows, m),
        values=rows.series(measure.code).drop(columns="error"),
        readings=gather(rows.left("readings", measure.code)),
        notes=m.notes,
    )


def _courses(rows: Rows, m: NetworkMeasure) -> ClientCourses | None:
    code = m.measure.code
    if code not in rows.models:
        return rows.courses[code]
    frames = [pd.read_parquet(path) for path in rows.stages.files(f"verdicts-{code}", "courses")]
    table = pd.concat(frames, ignore_index=True).sort_values(EPISODE, ignore_index=True)
    model = rows.models[code]
    readings = rows_of(rows.series(code), model.centre, model.gap)
    return replace(read_courses(table, model, m.n_readings), rows=readings)
