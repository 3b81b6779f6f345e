"""Each client's own course, as the caseload's mixed model knows it from all of the visits.

Notation: ``t`` time since the first visit (weeks, or visits), ``h(t)`` its scale: ``t`` for a
straight course, ``1 - exp(-t / s)`` for a flattening one; a client's course is
``c0 + c1 h(t)``, with ``(c0, c1)`` normal around the caseload's mean course with covariance G;
a reading is the course, plus a real deviation of the day (variance ``w2``), plus error of
measurement (variance ``e2``). ``D = w2 + e2``.

Without a known error of measurement, ``w2 = 0``: all scatter around the course counts as error.
Neither the scale ``s`` nor the variances are known: every set that the data leave open is kept with
its weight, and a client's posterior is the mixture over all of them. Clients differ in their scale
too: around the caseload's, each has a few possible scales, weighted by how well the client's own
visits fit them and by how much clients of this caseload seem to differ.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import (
    Faults,
    ModelError,
    check_choice,
    check_columns,
    rows_must,
)
from outcomes.results import Claim
from outcomes.statistics.individual_change._course_parts import (
    _Part,
    _parts,
    _Rows,
    _weigh_scales,
)
from outcomes.statistics.individual_change._form_error import CourseDeviation, learn_deviation
from outcomes.statistics.individual_change._mixture import Mixture
from outcomes.statistics.individual_change._rows import per_row

__all__ = ["ClientCourses", "fit_client_courses"]


@dataclass(frozen=True, eq=False, kw_only=True)
class ClientCourses(Claim):
    """The course of every client of a caseload in one measure.

    Attributes
    ----------
    series : DataFrame
        One row per client and episode: the keys, `n_visits`, `first_time`, `latest_time`,
        `first_value`, `latest_value`, in the order of all arrays given back.
    scatter_sd : float
        Standard deviation of readings around the clients' own courses.
    shape : str
        ``"straight"`` or ``"flattening"``, whichever carries more weight.
    scale : float
        Weighted mean of the scales of a flattening course, in units of time; infinite if straight.
    clock : str
        ``"week"`` or ``"visit"``.
    usual_gap : float
        Median time between visits.
    n, n_readings : int
        Series and readings in the model.
    notes : tuple of str
        What a careful reader must know.
    rows : object or None
        The readings behind it, for `deviation`; None where they lie elsewhere.
    """

    series: pd.DataFrame
    parts: tuple[_Part, ...] = field(repr=False)
    scatter_sd: float
    shape: str
    scale: float
    clock: str
    usual_gap: float
    n: int
    n_readings: int
    notes: tuple[str, ...] = ()
    rows: _Rows | None = field(default=None, repr=False)

    @cached_property
    def deviation(self) -> CourseDeviation | None:
        """How far clients stray from the form of their course, from old forecasts looked up."""
        return None if self.rows is None else learn_deviation(self.rows, self.scale)

    def level(self, time: Any) -> Mixture:
        """Posterior of each client's course at a time (one for all, or one per series)."""
        return self._functional(1.0, self._clocks(time))

    def gain(self, time_from: Any, time_to: Any) -> Mixture:
        """Posterior of the change of each client's course between two times."""
        return self._functional(0.0, self._clocks(time_to) - self._clocks(time_from))

    def first_to_latest(self) -> Mixture:
        """Posterior of each client's true change from the first to the latest visit.

        Where the error of measurement is known, this is the change of the level on the two days;
        otherwise the change of the course.
        """
        return Mixture(
            np.stack([part.weight for part in self.parts]),
            np.stack([part.change for part in self.parts]),
            np.stack([part.change_variance for part in self.parts]),
        )

    def only(self, positions: Any) -> ClientCourses:
        """Keep the courses of some series, by their positions or a mask, in that order."""
        at = np.arange(self.n)[positions]
        keep = ("weight", "mean", "covariance", "change", "change_variance")
        return replace(
            self,
            series=self.series.iloc[at].reset_index(drop=True),
            parts=tuple(
                replace(part, **{name: getattr(part, name)[at] for name in keep})
                for part in self.parts
            ),
            n=at.size,
        )

    def _clocks(self, time: Any) -> np.ndarray:
        """Turn a time (one for all, or one per series) into each part's clock, part x series."""
        scales = np.array([part.scale for part in self.parts])[:, None]
        t = np.broadcast_to(np.asarray(time, float), (1, self.n))
        with np.errstate(divide="ignore"):
            return np.where(np.isinf(scales), t, -np.expm1(-t / scales))

    @cached_property
    def _moments(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Weights, means (c0, c1) and covariances of all parts, stacked once."""
        return (
            np.stack([part.weight for part in self.parts]),
            np.stack([part.mean for part in self.parts]),
            np.stack([part.covariance for part in self.parts]),
        )

    def _functional(self, level: float, slope: np.ndarray) -> Mixture:
        """Posterior of level * c0 + slope * c1."""
        weights, mean, covariance = self._moments
        variance = (
            level**2 * covariance[..., 0, 0]
            + 2 * level * slope * covariance[..., 0, 1]
            + slope**2 * covariance[..., 1, 1]
        )
        return Mixture(weights, level * mean[..., 0] + slope * mean[..., 1], variance)


def fit_client_courses(
    values: pd.DataFrame,
    *,
    standard_error_of_measurement: Any = None,
    clock: str = "week",
) -> ClientCourses:
    """Learn every client's own course of one measure from all visits of the whole caseload.

    Use with at least 10 clients of whom 5 came three times. With fewer, judge first against latest
    value (`judge_change`), or the single-case methods.

    Parameters
    ----------
    values : DataFrame
        One row per client, episode and visit of one measure, one side, one mode and instrument per
        client: `client`, `visit`, `value`, and `week` (since the first visit, >= 0) where the clock
        runs in weeks; `episode` where clients came back. Rows without a value are passed over.
    standard_error_of_measurement : float, one per row, or None
        Error of one recorded value from the clinic's own study, in the unit of the measure; one
        per row where raters, instruments or numbers of trials differ. None takes the column of
        that name if there is one; else all scatter around the courses counts as error.
    clock : ``"week"`` or ``"visit"``
        What the course runs over.

    Returns
    -------
    ClientCourses

    Raises
    ------
    DataError
        If columns are missing, a value is infinite, or a visit has two values.
    ModelError
        If there is too little to learn from.

    Notes
    -----
    Random intercept and slope in h(t) by REML. Scales: profile ML likelihood over a grid, weights
    proportional to it. Variances: integrated out up to 1,500 series (see `_variance_draws`), taken
    as known above. Posterior of (c0, c1): mixture of normals, the uncertainty of the mean course
    included. With a known error e2, w2 = max(0, scatter - e2).

    References
    ----------
    Laird & Ware (1982) Biometrics 38:963-974, doi:10.2307/2529876.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, week = np.repeat(np.arange(30), 6), np.tile(np.arange(6.0), 30)
    >>> gain = rng.normal(12, 4, 30)[client] * (1 - np.exp(-week / 2))
    >>> values = pd.DataFrame({"client": client, "visit": week + 1, "week": week,
    ...                        "value": 50 + gain + rng.normal(0, 3, 180)})
    >>> fit_client_courses(values).shape
    'flattening'

    Checked against: `MixedModelFit.predict_contrast`; planted truth and calibration in
    tests/evidence.
    """
    check_choice("clock", clock, ["week", "visit"])
    rows = _prepare(values, clock, standard_error_of_measurement)
    scales = _weigh_scales(rows)
    notes: list[str] = []
    found = [part for scale in scales for part in _parts(rows, scale, notes)]
    total = np.sum([part.weight for part in found], axis=0)
    parts = tuple(replace(part, weight=part.weight / total) for part in found)
    curved = [(one.weight, one.scale) for one in scales if np.isfinite(one.scale)]
    share_curved = sum(weight for weight, _ in curved)
    scale = sum(w * s for w, s in curved) / share_curved if share_curved >= 0.5 else np.inf
    return ClientCourses(
        series=rows.series,
        parts=parts,
        scatter_sd=float(np.sqrt(sum(p.weight.mean() * p.scatter for p in parts))),
        shape="flattening" if share_curved >= 0.5 else "straight",
        scale=float(scale),
        clock=clock,
        usual_gap=rows.gap,
        n=len(rows.series),
        n_readings=rows.time.size,
        notes=tuple(dict.fromkeys(notes)),
        rows=rows,
    )


def _prepare(values: pd.DataFrame, clock: str, error: Any) -> _Rows:
    needed = ["client", "visit", "value"] + (["week"] if clock == "week" else [])
    check_columns(values, needed, thing="the table of readings")
    errors = per_row("standard_error_of_measurement", error, values)
    keep = values["value"].notna().to_numpy()
    frame, errors = values.loc[keep], errors[keep]
    time = frame.loc[:, clock].to_numpy(float, na_value=np.nan)
    faults = Faults()
    faults.add_if(
        ~np.isfinite(frame["value"].to_numpy(float)), "value", "be finite", "Correct the readings"
    )
    faults.add_if(~np.isfinite(time), clock, "be a number", "Give every visit its time")
    faults.raise_if_any()
    keys = ["client"] + (["episode"] if "episode" in frame.columns else [])
    code = frame.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    order = np.lexsort([time, code])
    frame, code, time = frame.iloc[order], code[order], time[order]
    again = np.r_[False, (np.diff(code) == 0) & (np.diff(time) == 0)]
    if again.any():
        raise rows_must(
            "a visit", "have one value per client", again, "Average the trials, choose one series"
        )
    edges = np.flatnonzero(np.diff(code)) + 1
    first, last = np.r_[0, edges].astype(int), np.r_[edges - 1, code.size - 1].astype(int)
    if code.size == 0 or first.size < 10 or np.sum(last - first >= 2) < 5:
        raise ModelError(
            f"client courses must rest on at least 10 clients of whom 5 came three times, got "
            f"{0 if code.size == 0 else first.size} and {int(np.sum(last - first >= 2))}. "
            "Judge first against latest value, with judge_change."
        )
    start = time[first][code]
    gaps = np.diff(time)[np.diff(code) == 0]
    value = frame["value"].to_numpy(float)
    series = frame.iloc[first][keys].reset_index(drop=True)
    series["n_visits"] = last - first + 1
    series["first_time"], series["latest_time"] = time[first], time[last]
    series["first_value"], series["latest_value"] = value[first], value[last]
    return _Rows(
        code,
        time - start,
        value - value.mean(),
        float(value.mean()),
        errors[order],
        first,
        last,
        float(np.median(gaps)),
        series,
    )
