"""The review of a network: stages over partitions, and what is learnt from all between them.

judge      each partition: values, pairs, verdicts by cut-off, counts
scales     per measure with many series: the shape of the course, from a sample
sums       each partition: sums per series; added up, the mixed model and the mean course
verdicts   each partition: every client judged by that model
"""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, ModelError, OutcomesError, check_count
from outcomes.network.courses import (
    CourseTask,
    Model,
    VerdictTask,
    course_sums,
    learn_prior,
    learn_scale,
    learn_variances,
    model_verdicts,
    scale_likelihood,
    tally_verdicts,
)
from outcomes.network.engines import Engine, Here
from outcomes.network.gathering import gather, sample_series
from outcomes.network.mean_course import pooled_course
from outcomes.network.partition import (
    ANCHORS,
    STAGES_OF_FLOW,
    Plan,
    judge_partition,
)
from outcomes.network.planning import chosen_quarter, last_day, most_rows, plan_tasks, task_name
from outcomes.network.quarters import over_quarters
from outcomes.network.results import (
    NetworkMeasure,
    NetworkReview,
    change_of_moments,
    shares_of_counts,
    verdict_table,
)
from outcomes.network.stages import Progress, Stages, stage_key, write_part
from outcomes.network.store import Store
from outcomes.network.tally import Tally, covariance, merge_all, quantile_of_counts
from outcomes.records import Caseload
from outcomes.records.lookup import error_of, importance_of, measure_of
from outcomes.records.settings import Settings
from outcomes.statistics.individual_change import ClientCourses, fit_client_courses
from outcomes.statistics.individual_change.course_steps import PROFILED, VARIANCES_KNOWN
from outcomes.statistics.review import Course, course_over_weeks
from outcomes.statistics.review.judging import with_model

__all__ = ["Rows", "review_network"]

#: Series up to which a measure's readings are gathered: all are needed at once then.
GATHERED = VARIANCES_KNOWN


@dataclass(frozen=True, eq=False)
class Rows:
    """Where the rows of a run lie, measure by measure."""

    stages: Stages
    plan: Plan
    caseload: Caseload
    courses: dict[str, ClientCourses | None]
    models: dict[str, Model]

    def over(self, stage: str, function: Any, tasks: Sequence[Any]) -> list[Tally]:
        """Run a further stage; the first item of a task is a file that `judge` left."""
        return _over(self.stages, stage, function, tasks)

    def series(self, code: str) -> pd.DataFrame:
        """Visits of a measure's series."""
        return gather(self.left("series", code))

    def verdicts(self, code: str) -> pd.DataFrame:
        """Judged episodes of a measure, by cut-off and by the model."""
        return gather(self.stages.files(f"verdicts-{code}", "verdicts"))

    def left(self, kind: str, code: str) -> list[str]:
        """List what `judge` left of a measure."""
        return self.stages.files("judge", f"{kind}-{code}")


def review_network(
    store: Store,
    *,
    quarter: str = "latest",
    measures: Sequence[str] | None = None,
    least_clients: int = 5,
    confidence: float = 0.95,
    engine: Engine | None = None,
    work: str | Path | None = None,
    every_column: bool = False,
    settings: Settings | None = None,
    task_rows: int | None = None,
    progress: Progress | None = None,
) -> NetworkReview:
    """Judge every client seen in a quarter over all clinics of a store, and sum up each measure.

    Use for a store of any size. The numbers are those of `review_quarter` on the same records.

    Parameters
    ----------
    store : Store
        From `open_store`.
    quarter, measures, least_clients, confidence
        As `review_quarter`.
    engine : Engine, optional
        From `open_engine`; this process when left out.
    work : path, optional
        Folder in which finished stages are kept, so that a stopped run goes on; every worker must
        see it under this path. A temporary one when left out.
    every_column : bool
        Keep all that a report with lists of clients needs.
    settings : Settings, optional
        For dated changes, names of sites, and when a client is overdue for measurement.
    task_rows : int, optional
        Readings that one task takes on; settled by the engine's memory when left out.
    progress : callable, optional
        Told rows done, rows in all, and the stage with its time left.

    Returns
    -------
    NetworkReview

    Raises
    ------
    DataError
        If a partition is damaged (it is named), or no measure has enough clients.
    ModelError
        If workers die repeatedly on one partition (it is named).
    """
    check_count("least_clients", least_clients, least=3)
    engine, settings = engine or Here(), settings or Settings()
    chosen = chosen_quarter(store, quarter)
    plan = Plan(
        folder=str(store.folder.absolute()),
        fingerprint=store.fingerprint,
        quarter=chosen,
        measures=tuple(measures or ()),
        confidence=confidence,
        every_column=every_column,
        as_of="" if every_column else last_day(store, chosen),
        remeasure_after_weeks=round(settings.remeasure_after_weeks),
    )
    place = Path(work) if work else Path(tempfile.mkdtemp(prefix="outcomes-"))
    tasks = plan_tasks(store, task_rows or most_rows(store, engine))
    stages = Stages(
        folder=place.absolute() / stage_key(vars(plan), [list(map(tuple, t)) for t in tasks]),
        engine=engine,
        names=tuple(task_name(task) for task in tasks),
        rows=tuple(sum(store.rows("measurements", p) for p in task) for task in tasks),
        progress=progress,
    )
    found = merge_all(stages.run("judge", judge_partition, [(plan, task) for task in tasks]))
    rows = Rows(stages, plan, store.caseload([]), {}, {})
    if not work:  # nobody can come back to it: it goes with the result
        weakref.finalize(rows, shutil.rmtree, place, ignore_errors=True)
    return _summed_up(store, rows, found, measures, least_clients, settings)


def _summed_up(
    store: Store,
    rows: Rows,
    found: Tally,
    measures: Sequence[str] | None,
    least_clients: int,
    settings: Settings,
) -> NetworkReview:
    plan = rows.plan
    codes = sorted(found.get("measures", {})) if measures is None else list(measures)
    codes = [code for code in codes if code not in ANCHORS]
    flows = {code: _flow(found, code) for code in codes}
    enough = [code for code in codes if flows[code]["analysed"] >= least_clients]
    if not enough:
        raise DataError(
            f"a review must rest on at least {least_clients} clients measured twice; no measure "
            f"in {plan.quarter} has them. Choose another quarter, or lower least_clients."
        )
    reviewed = [_measure(rows, found, code, flows[code]) for code in enough]
    reviewed.sort(key=lambda m: (m.measure.kind == "questionnaire", -m.flow["analysed"]))
    quarters = over_quarters(
        found.get("quarters", {}),
        quarter=plan.quarter,
        flow_by_clinic={m.measure.code: m.flow_by_clinic for m in reviewed},
        events_recorded="events" in {source.table for source in rows.caseload.sources}
        or store.rows("events") > 0,
        settings=settings,
    )
    left = [(code, flows[code]["analysed"]) for code in codes if code not in enough]
    return NetworkReview(
        quarter=plan.quarter,
        n_eligible=found["eligible"],
        n_visits=found["visits"],
        n_readings=found["readings"],
        n_clinics=len({p.clinic for p in store.partitions}),
        measures=tuple(reviewed),
        left_out=pd.DataFrame(left, columns=["measure", "analysed"]),
        seconds=rows.stages.seconds,
        quarters=quarters,
        rows=rows,
    )


def _flow(found: Tally, code: str) -> dict[str, int]:
    own = found["flow"].get(code, {})
    counts = {s: sum(row[s] for row in own.values()) for s in STAGES_OF_FLOW[1:]}
    return {"eligible": found["eligible"], **counts}


def _measure(rows: Rows, found: Tally, code: str, flow: dict[str, int]) -> NetworkMeasure:
    tally, confidence = found["measures"][code], rows.plan.confidence
    measure = measure_of(rows.caseload, code)
    by_model, scale, notes = _judged_by_model(rows, code, tally)
    tally = tally | by_model
    course = None
    try:
        course = _course(rows, code, tally, scale)
    except ModelError as reason:
        notes = (*notes, str(reason))
    improvement, standardised = change_of_moments(tally["moments"], measure, confidence)
    clinics = [{"clinic": name, **row} for name, row in sorted(found["flow"][code].items())]
    return NetworkMeasure(
        measure=measure,
        error=error_of(rows.caseload, code),
        importance=importance_of(rows.caseload, code),
        flow=flow,
        flow_by_clinic=pd.DataFrame(clinics),
        improvement=improvement,
        standardised=standardised,
        shares=shares_of_counts(tally, code, confidence),
        verdicts=verdict_table(tally["verdicts"], by_model=False),
        model_verdicts=verdict_table(tally["model_verdicts"], by_model=True),
        worse=tally["worse"],
        course=course,
        shape="" if scale is None else "straight" if np.isinf(scale) else "flattening",
        scale=np.nan if scale is None else scale,
        n_series=tally["series"],
        n_readings=tally["value"]["n"],
        start=_start(tally["moments"], measure.sign),
        notes=notes,
    )


def _start(moments: Tally, sign: float) -> tuple[float, float]:
    """Give mean and SD of the start values, unsigned again."""
    return sign * moments["mean"][0], float(np.sqrt(covariance(moments)[0, 0]))


def _judged_by_model(
    rows: Rows, code: str, tally: Tally
) -> tuple[Tally, float | None, tuple[str, ...]]:
    """Judge all clients by the model; give counts, the scale of the course, and notes."""
    if tally["series"] <= GATHERED:
        return _judged_here(rows, code)
    stages, plan = rows.stages, rows.plan
    series, judged = rows.left("series", code), rows.left("judged", code)
    every = -(-tally["series"] // PROFILED)
    sample = sample_series(series, judged, every=every, memory=stages.engine.memory)
    model = learn_scale(
        sample,
        centre=tally["value"]["mean"][0],
        gap=quantile_of_counts(tally["gap_days"], 0.5) / 7,
        error=tally["error"],
        n=tally["value"]["n"],
    )
    model = _learnt(stages, code, model, series)
    importance = importance_of(rows.caseload, code)
    todo = [
        VerdictTask(
            series=a,
            judged=b,
            measure=measure_of(rows.caseload, code),
            line=importance.value if importance else None,
            model=model,
            confidence=plan.confidence,
            every_column=plan.every_column,
        )
        for a, b in zip(series, judged, strict=True)
    ]
    counts = merge_all(_over(stages, f"verdicts-{code}", model_verdicts, todo))
    rows.models[code] = model
    return counts, float(model.at.scale), ()


def _learnt(stages: Stages, code: str, model: Model, series: Sequence[str]) -> Model:
    """Learn variances, and how much clients differ in their scales, from all partitions."""
    stage = f"sums-{code}"
    found = _over(stages, stage, course_sums, [CourseTask(path, model) for path in series])
    model = learn_variances(model, stages.files(stage, "sums"), merge_all(found))
    if model.offsets.size == 1:
        return learn_prior(model, {})
    again = [CourseTask(path, model) for path in series]
    return learn_prior(model, merge_all(_over(stages, f"scales-{code}", scale_likelihood, again)))


def _over(stages: Stages, stage: str, function: Any, tasks: Sequence[Any]) -> list[Tally]:
    """Run a stage over the tasks that left something to work on."""
    paths = [task[0] if isinstance(task, tuple) else task.series for task in tasks]
    kept = [int(Path(path).name.split(".")[0]) for path in paths]
    some = Stages(
        folder=stages.folder,
        engine=stages.engine,
        names=tuple(stages.names[i] for i in kept),
        rows=tuple(stages.rows[i] for i in kept),
        progress=stages.progress,
        seconds=stages.seconds,
    )
    return some.run(stage, function, tasks)


def _judged_here(rows: Rows, code: str) -> tuple[Tally, float | None, tuple[str, ...]]:
    """Judge a measure with few series as one machine does: gathered, by the same functions."""
    series = rows.series(code)
    judged = gather(rows.left("judged", code))
    measure, importance = measure_of(rows.caseload, code), importance_of(rows.caseload, code)
    error = error_of(rows.caseload, code)
    courses, notes = None, ()
    try:
        own = series["error"].to_numpy() if error and error.source == "own study" else None
        courses = fit_client_courses(series, standard_error_of_measurement=own)
    except OutcomesError as reason:
        notes = (str(reason),)
    confidence = rows.plan.confidence
    line = importance.value if importance else None
    table = with_model(judged, courses, measure, line, confidence)
    write_part(str(rows.stages.folder / f"verdicts-{code}" / "00000"), "verdicts", table)
    rows.courses[code] = courses
    return tally_verdicts(table, confidence), courses.scale if courses else None, notes


def _course(rows: Rows, code: str, tally: Tally, scale: float | None) -> Course:
    if tally["series"] <= GATHERED:
        return course_over_weeks(rows.series(code), scale=scale, confidence=rows.plan.confidence)
    model = rows.models[code]
    return pooled_course(
        rows.stages.files(f"sums-{code}", "course"),
        scale=float(model.at.scale),
        centre=model.centre,
        tally=tally,
        confidence=rows.plan.confidence,
    )
