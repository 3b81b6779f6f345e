"""The clients' own courses over all partitions: what is learnt once, and what each one gets.

Up to 1,500 series of a measure the readings are gathered, and `fit_client_courses` does all of it.
Above, that function takes the likeliest scale and the estimated variances as known, so that passes
over the partitions give the same:

1. the scale of the course, from at most 500 series, evenly picked in the order of their keys;
2. sums per series, which add up to the mixed model (`pooled_fit`);
3. the likelihood of how much clients differ in their scales: a sum over series;
4. each client's posterior and verdict, given all of that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure
from outcomes.network.partition import EPISODE, LONGEST, series_starts
from outcomes.network.pooled_fit import SUMS, SeriesSums, fit_sums, series_sums
from outcomes.network.stages import read_part, write_part
from outcomes.network.tally import Tally, moments
from outcomes.statistics.individual_change import ClientCourses
from outcomes.statistics.individual_change.course_steps import (
    CoursePart,
    CourseRows,
    CourseScale,
    VarianceDraw,
    likeliest_scale,
    offsets_of,
    posteriors,
    scale_heights,
    scale_prior,
    time_scale,
    weigh,
)
from outcomes.statistics.review.judging import with_model
from outcomes.statistics.review.shares import model_shares

__all__ = [
    "CourseTask",
    "Model",
    "VerdictTask",
    "course_sums",
    "learn_prior",
    "learn_scale",
    "learn_variances",
    "model_verdicts",
    "read_courses",
    "rows_of",
    "scale_likelihood",
    "tally_verdicts",
]


@dataclass(frozen=True)
class Model:
    """All that a partition needs to judge its clients.

    Attributes
    ----------
    at : CourseScale
        The likeliest scale of the course, and the variances that go with it.
    centre, gap : float
        Mean of all readings, and median time between visits.
    error2 : float
        Mean squared error of measurement; nan where it is not used.
    by_error : bool
        Whether readings are weighted by their errors.
    notes : tuple of str
        As `ClientCourses.notes`.
    draw : VarianceDraw or None
        Variances and mean course, once they are learnt.
    prior : array
        Chance of each offset of a client's log scale from the caseload's, once it is learnt.
    """

    at: CourseScale
    centre: float
    gap: float
    error2: float
    by_error: bool
    notes: tuple[str, ...]
    draw: VarianceDraw | None = None
    prior: np.ndarray | None = None

    @property
    def offsets(self) -> np.ndarray:
        """Offsets of a client's log scale; none where the course is straight."""
        return offsets_of(self.at.scale)

    def relative(self, rows: CourseRows) -> np.ndarray:
        """Variance of each reading relative to the mean one."""
        if not self.by_error:
            return np.ones(rows.time.size)
        scatter2 = float(np.exp(2 * self.at.variances[3]))
        return (scatter2 - self.error2 + rows.error**2) / scatter2


@dataclass(frozen=True)
class CourseTask:
    """One task's series of a measure, and the model that they are summed for."""

    series: str
    model: Model


@dataclass(frozen=True)
class VerdictTask:
    """One task's series and verdicts by cut-off of a measure, and the model to judge by.

    `every_column`: leave the clients' courses too, for a report that draws them.
    """

    series: str
    judged: str
    measure: Measure
    line: float | None
    model: Model
    confidence: float
    every_column: bool


def _read_series(path: str, *more: str) -> pd.DataFrame:
    return read_part(path, [*EPISODE, "week", "value", "error", *more], coded=["client", *more])


def rows_of(frame: pd.DataFrame, centre: float, gap: float) -> CourseRows:
    """Take readings sorted by series and time, around the network's centre."""
    week, value = frame["week"].to_numpy(float), frame["value"].to_numpy(float)
    first = series_starts(frame)
    last = np.r_[first[1:], len(frame)] - 1
    size = last - first + 1
    code = np.repeat(np.arange(first.size), size)
    series = frame.iloc[first][EPISODE].astype({"client": "str"}).reset_index(drop=True)
    series["n_visits"] = size
    series["first_time"], series["latest_time"] = week[first], week[last]
    series["first_value"], series["latest_value"] = value[first], value[last]
    error = frame["error"].to_numpy(float)
    return CourseRows(
        code, week - week[first][code], value - centre, centre, error, first, last, gap, series
    )


def learn_scale(sample: pd.DataFrame, *, centre: float, gap: float, error: Tally, n: int) -> Model:
    """Learn the scale of a course from a sample of its series.

    Parameters
    ----------
    sample : DataFrame
        Readings of at most 500 series.
    centre, gap : float
        Mean of all readings, and median weeks between visits.
    error : dict
        Readings with a `known` error of measurement, and the sum of its `squares`.
    n : int
        Readings in all.
    """
    at = likeliest_scale(rows_of(sample, centre, gap))
    all_known = error["known"] == n
    error2 = error["squares"] / n if all_known else np.nan
    scatter2 = float(np.exp(2 * at.variances[3]))
    notes: tuple[str, ...] = ()
    if error["known"] and not all_known:
        notes = ("The error of measurement is known for some readings only, and was not used.",)
    elif scatter2 < error2:
        notes = (
            "Readings scatter less around the courses than the given error of measurement says; "
            "the scatter found was used.",
        )
    by_error = bool(all_known and scatter2 > error2)
    return Model(at, centre, gap, error2, by_error, notes)


def course_sums(task: CourseTask, prefix: str) -> Tally:
    """Sum a measure's readings per series, at the scale of the course.

    Leaves ``sums`` (all readings, weighted, over the time since a series' first one: what clients
    are judged by) and ``course`` (those of the first half year, over the time since the episode's
    first visit, with the clinic: what the mean course rests on).
    """
    frame, model = _read_series(task.series, "clinic"), task.model
    rows = rows_of(frame, model.centre, model.gap)
    weight = 1 / model.relative(rows)
    time = time_scale(rows.time, model.at.scale)
    sums = series_sums(rows.first, time, rows.value, weight)
    write_part(prefix, "sums", pd.DataFrame(sums, columns=SUMS))
    found = {"readings": rows.time.size, "log_weights": float(np.log(weight).sum())}
    early = frame["week"].to_numpy(float) <= LONGEST
    code = rows.code[early]
    first = np.flatnonzero(np.r_[True, np.diff(code) != 0][: code.size])
    time = time_scale(frame["week"].to_numpy(float)[early], model.at.scale)
    course = pd.DataFrame(series_sums(first, time, rows.value[early]), columns=SUMS)
    clinic = frame["clinic"].array[early].take(first)
    write_part(prefix, "course", course.assign(clinic=clinic))
    return found


def learn_variances(model: Model, files: Sequence[str], tally: Tally) -> Model:
    """Fit the mixed model to the sums of all partitions."""
    sums = np.concatenate([read_part(path).to_numpy() for path in files])
    data = SeriesSums(sums, 0.0, tally["readings"], log_weights=tally["log_weights"])
    fit = fit_sums(data, degrees_of_freedom="normal")
    g, s2 = fit.random_covariances["series"].to_numpy(), fit.residual_variance
    return replace(model, draw=VarianceDraw(1.0, g, s2, fit.coefficients, fit.covariance))


def _posteriors(rows: CourseRows, model: Model) -> tuple[list[CoursePart], np.ndarray]:
    """Give each client's posterior at every offset of the scale, and how well it fits."""
    relative, draw = model.relative(rows), model.draw
    return posteriors(rows, model.at.scale, relative, draw, model.error2)  # pyright: ignore[reportArgumentType]


def scale_likelihood(task: CourseTask, prefix: str) -> Tally:
    """Sum the log-likelihood of every SD of the clients' log scales over a partition."""
    model = task.model
    _, fits = _posteriors(rows_of(_read_series(task.series), model.centre, model.gap), model)
    return {"likely": scale_heights(fits, model.offsets).tolist()}


def learn_prior(model: Model, tally: Tally) -> Model:
    """Learn how much clients differ in their scales from the likelihood of all of them."""
    if model.offsets.size == 1:
        return replace(model, prior=np.ones(1))
    return replace(model, prior=scale_prior(np.array(tally["likely"]), model.offsets))


def _courses(rows: CourseRows, model: Model) -> ClientCourses:
    """Give the courses of some clients, as `fit_client_courses` does for all."""
    parts, fits = _posteriors(rows, model)
    parts = weigh(parts, fits, model.prior)  # pyright: ignore[reportArgumentType]
    return _assembled(rows.series, parts, model, rows.time.size)


def _assembled(
    series: pd.DataFrame, parts: Sequence[CoursePart], model: Model, n_readings: int
) -> ClientCourses:
    curved = bool(np.isfinite(model.at.scale))
    return ClientCourses(
        series=series,
        parts=tuple(parts),
        scatter_sd=float(np.sqrt(sum(p.weight.mean() * p.scatter for p in parts))),
        shape="flattening" if curved else "straight",
        scale=float(model.at.scale),
        clock="week",
        usual_gap=model.gap,
        n=len(series),
        n_readings=n_readings,
        notes=model.notes,
    )


def model_verdicts(task: VerdictTask, prefix: str) -> Tally:
    """Judge a partition's clients by the network's model; leaves ``verdicts`` and ``courses``."""
    rows = rows_of(_read_series(task.series), task.model.centre, task.model.gap)
    courses = _courses(rows, task.model)
    judged = read_part(task.judged)
    table = with_model(judged, courses, task.measure, task.line, task.confidence)
    write_part(prefix, "verdicts", table)
    if task.every_column:
        write_part(prefix, "courses", _posterior_table(courses))
    return tally_verdicts(table, task.confidence)


def tally_verdicts(table: pd.DataFrame, confidence: float) -> Tally:
    """Count the model's verdicts of the quarter, and the sums that expected shares rest on."""
    now = table[table["in_quarter"]]
    found: Tally = {"worse": int(now["worse"].sum()), "model": {}, "model_verdicts": {}}
    if "chance_improved" not in now:
        return found
    shares = model_shares(now, confidence=confidence)
    for quantity, count, n in zip(shares["quantity"], shares["count"], shares["n"], strict=True):
        if quantity.startswith("surely"):
            found["model"][quantity] = {"count": int(count), "n": int(n)}
            continue
        name = "chance_important" if quantity.endswith("importantly") else "chance_improved"
        chance = now[name].to_numpy(float, na_value=np.nan)
        found["model"][quantity] = {"chances": moments(chance[np.isfinite(chance)][:, None])}
    words = now["model_verdict"].value_counts()
    found["model_verdicts"] = {str(word): int(n) for word, n in words.items() if word}
    return found


_POSTERIOR = ("weight", "mean0", "mean1", "cov00", "cov01", "cov11", "change", "change_variance")


def _posterior_table(courses: ClientCourses) -> pd.DataFrame:
    columns: dict[str, np.ndarray] = {}
    for k, part in enumerate(courses.parts):
        own = part.mean.T, part.covariance[:, 0].T, part.covariance[:, 1, 1]
        cells = (part.weight, *own[0], *own[1], own[2], part.change, part.change_variance)
        columns |= {f"{n}_{k}": cell for n, cell in zip(_POSTERIOR, cells, strict=True)}
    return pd.concat([courses.series, pd.DataFrame(columns)], axis=1)


def read_courses(table: pd.DataFrame, model: Model, n_readings: int) -> ClientCourses:
    """Give back the courses that `model_verdicts` left, for all clients of a measure."""
    keys = [*EPISODE, "n_visits", "first_time", "latest_time", "first_value", "latest_value"]
    parts = []
    for k, offset in enumerate(model.offsets):
        cell = {name: table[f"{name}_{k}"].to_numpy() for name in _POSTERIOR}
        spread = np.column_stack([cell["cov00"], cell["cov01"], cell["cov01"], cell["cov11"]])
        parts.append(
            CoursePart(
                scale=model.at.scale * float(np.exp(offset)),
                weight=cell["weight"],
                mean=np.column_stack([cell["mean0"], cell["mean1"]]),
                covariance=spread.reshape(-1, 2, 2),
                change=cell["change"],
                change_variance=cell["change_variance"],
                scatter=model.draw.scatter,  # pyright: ignore[reportOptionalMemberAccess]
            )
        )
    return _assembled(table[keys], parts, model, n_readings)
