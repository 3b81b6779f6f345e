"""The steps of `fit_client_courses`, for caseloads whose rows do not lie in one place.

Up to `VARIANCES_KNOWN` series the variances are integrated out, and all rows are needed at once.
Above, the likeliest scale and the estimated variances count as known, and these steps, on any part
of the series and added up, are all there is:

1. `likeliest_scale` of a sample (at most `PROFILED` series, evenly picked in their order);
2. the mixed model at that scale: sums per series;
3. `posteriors` of every series at every offset of its own scale, with how well each fits;
4. `scale_heights` of the fits: log-likelihoods, which add up over parts, and `scale_prior` of them;
5. `weigh`: the posteriors, weighted by prior and fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from outcomes.statistics.individual_change._course_parts import (
    _OFFSETS,
    _PROFILED,
    _VARIANCES_KNOWN,
    _posterior,
    _sums,
    _weigh_scales,
    scale_heights,
    scale_prior,
    time_scale,
)
from outcomes.statistics.individual_change._course_parts import (
    _Part as CoursePart,
)
from outcomes.statistics.individual_change._course_parts import (
    _Rows as CourseRows,
)
from outcomes.statistics.individual_change._course_parts import (
    _Scale as CourseScale,
)
from outcomes.statistics.individual_change._variance_draws import VarianceDraw

__all__ = [
    "PROFILED",
    "VARIANCES_KNOWN",
    "CoursePart",
    "CourseRows",
    "CourseScale",
    "VarianceDraw",
    "likeliest_scale",
    "offsets_of",
    "posteriors",
    "scale_heights",
    "scale_prior",
    "time_scale",
    "weigh",
]

#: Series above which the variances count as known.
VARIANCES_KNOWN = _VARIANCES_KNOWN
#: Series that the choice of the scale rests on, at most.
PROFILED = _PROFILED


def likeliest_scale(rows: CourseRows) -> CourseScale:
    """Give the scale of the course with most weight, and the variances that go best with it."""
    return replace(max(_weigh_scales(rows), key=lambda scale: scale.weight), weight=1.0)


def offsets_of(scale: float) -> np.ndarray:
    """Give the offsets of a client's log scale that are tried; none where courses are straight."""
    return _OFFSETS if np.isfinite(scale) else np.zeros(1)


def posteriors(
    rows: CourseRows, scale: float, relative: np.ndarray, draw: VarianceDraw, error2: float
) -> tuple[list[CoursePart], np.ndarray]:
    """Give each series' posterior at every offset of its scale, and how well it fits there.

    Parameters
    ----------
    rows : CourseRows
        Readings of some series.
    scale : float
        Of the caseload's course.
    relative : array
        Variance of each reading relative to the mean one.
    draw : VarianceDraw
        Variances and mean course of the whole caseload.
    error2 : float
        Mean squared error of measurement; nan where it is not used.

    Returns
    -------
    parts : list of CoursePart
    fits : array (offsets, series)
    """
    found = []
    for offset in offsets_of(scale):
        own = scale * float(np.exp(offset))
        z, sums = _sums(rows, own, relative)
        found.append(_posterior(rows, own, z, sums, relative, draw, error2))
    return [part for part, _ in found], np.stack([fit for _, fit in found])


def weigh(parts: Sequence[CoursePart], fits: np.ndarray, prior: np.ndarray) -> list[CoursePart]:
    """Weigh each series' posteriors by prior and fit."""
    own = prior[:, None] * np.exp(fits - fits.max(axis=0))
    own /= own.sum(axis=0)
    return [replace(part, weight=own[j]) for j, part in enumerate(parts)]
