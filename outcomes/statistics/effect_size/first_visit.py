"""Regression to the mean from the model: how far the first reading lies off the later course.

Clients come when they are bad. Part of a bad first reading is error and a bad day, which the later
visits do not share; it shows as a first reading that lies worse than where the course of the later
visits began.

Notation: reading j of client i at time ``t`` since the first visit, turned so that higher is
better, is

    y_ij = b0 + b1 h_c(t_ij) + d [j is the first visit] + u0_i + u1_i h_c(t_ij) + e_ij,

``h_c(t) = (1 - exp(-c t)) / c``: flattening for c > 0, straight for c = 0, gathering speed for
c < 0. ``d`` is the first-visit excess, and ``-d`` the part of the mean improvement that is
regression to the mean.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import (
    ModelError,
    OutcomesError,
    check_between,
    check_choice,
)
from outcomes.results import Estimate
from outcomes.statistics.individual_change._course_model import climb, shrink, solve, sums_of
from outcomes.statistics.individual_change._course_parts import _Rows
from outcomes.statistics.individual_change._variance_draws import _matrices
from outcomes.statistics.individual_change.client_courses import _prepare

__all__ = ["FirstVisitRegression", "first_visit_regression"]

#: Forms of the course that are averaged over: curvatures 1 / s, per usual gap between visits, from
#: quickly flattening over straight (0) to gathering speed.
_CURVATURES = (1.0, 0.67, 0.45, 0.3, 0.2, 0.12, 0.06, 0.0, -0.06, -0.12, -0.2)
_LEAST_CLIENTS, _LEAST_SHARE = 20, 0.5
_MOST = 600  # clients from which the variances and the weights of the forms are learnt


@dataclass(frozen=True, eq=False, kw_only=True)
class FirstVisitRegression(Estimate):
    """Regression to the mean in the mean improvement, from the first-visit excess.

    Attributes
    ----------
    n_three_visits : int
        Clients measured at three visits or more: those who tell it apart from the course.
    scatter_sd : float
        SD of readings around the clients' courses.
    standard_error : float
        Of the estimate: from client to client, and between the forms of the course.
    form_error : float
        The part of it that lies between the forms of the course.
    told_apart : bool
        The standard error is at most half the scatter of a reading: else the visits do not tell a
        bad first day from a quick early gain, and the estimate should not be used.
    influence : DataFrame
        Per client (and episode) what it adds to the estimate.
    """

    n_three_visits: int
    scatter_sd: float
    standard_error: float
    form_error: float
    told_apart: bool
    influence: pd.DataFrame = field(repr=False)


def first_visit_regression(
    values: pd.DataFrame,
    *,
    better: str = "higher",
    clock: str = "week",
    confidence: float = 0.95,
    unit: str = "",
) -> FirstVisitRegression:
    """Say how much of the mean improvement is a bad first day, judged by all later visits.

    Use where clients came at least three times. It needs no usual level from outside, as
    `expected_regression` does. It sees what is over by the second visit (error of the reading, a
    bad day); a flare that fades over weeks looks like a gain. Nor can a quick gain between the
    first two visits be told from a bad first day.

    Parameters
    ----------
    values : DataFrame
        One row per client, episode and visit of one measure, as for `fit_client_courses`.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    clock : ``"week"`` or ``"visit"``
        What the course runs over.
    confidence : float
        Level in (0, 1).
    unit : str
        Carried into the result.

    Returns
    -------
    FirstVisitRegression
        -d of the model: positive where the first reading lay worse than the course.

    Raises
    ------
    DataError
        As `fit_client_courses`.
    ModelError
        If fewer than 20 clients, or fewer than half, came three times.

    Notes
    -----
    Model: head of this module, for 11 curvatures c from 1 to -0.2 per usual gap. REML variances and
    the likelihood that weighs the curvatures come from the visits after the first; d by generalised
    least squares from all. Variance: delete-one-client jackknife within a curvature, plus the
    spread between them; t on clients with three visits less 3. Identified by the course alone: the
    later visits, read back to the first, must follow one of these forms, and be missing at random.
    In simulations (tests/evidence, change_first_visit) it was unbiased and its 95 % intervals held
    the truth in 91 to 99 %; a course that starts late (S-shaped) makes it too low by half the
    scatter of a reading, so that nothing is found and its interval fails.

    References
    ----------
    Regression to the mean as error of the selected reading: Barnett et al. (2005) Int J Epidemiol
    34:215-220, doi:10.1093/ije/dyh299. Model: Laird & Ware (1982) Biometrics 38:963-974. Averaging
    over forms: Buckland, Burnham & Augustin (1997) Biometrics 53:603-618.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, week = np.repeat(np.arange(60), 7), np.tile(np.arange(7.0), 60)
    >>> y = rng.normal(50, 6, 60)[client] + week + rng.normal(0, 3, 420) - 4 * (week == 0)
    >>> found = first_visit_regression(pd.DataFrame(
    ...     {"client": client, "visit": week + 1, "week": week, "value": y}))
    >>> found.ci_low < 4 < found.ci_high and found.told_apart
    True

    Checked against: `fit_mixed_model` with the same columns; planted selection, coverage and no
    false finding in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_choice("better", better, ["higher", "lower"])
    check_choice("clock", clock, ["week", "visit"])
    try:
        rows = _prepare(values, clock, None)
    except ModelError:
        raise _too_few(0, 0) from None
    many = rows.series["n_visits"].to_numpy()
    three = int(np.sum(many >= 3))
    if three < _LEAST_CLIENTS or three < _LEAST_SHARE * many.size:
        raise _too_few(three, many.size)
    sign = 1.0 if better == "higher" else -1.0
    forms = _forms(rows)
    weight = np.exp([f.height - max(f.height for f in forms) for f in forms])
    weight /= weight.sum()
    each = -sign * np.array([form.excess for form in forms])
    influences = np.stack([form.influence for form in forms])
    within = float(weight @ np.sum(influences**2, axis=1))
    estimate = float(weight @ each)
    form_error = float(np.sqrt(weight @ (each - estimate) ** 2))
    error = float(np.sqrt(within + form_error**2))
    half = float(stdtrit(three - 3, 1 - (1 - confidence) / 2)) * error
    scatter = float(weight @ [form.scatter for form in forms])
    keys = [c for c in ("client", "episode") if c in rows.series.columns]
    return FirstVisitRegression(
        estimate=estimate,
        ci_low=estimate - half,
        ci_high=estimate + half,
        ci_level=confidence,
        unit=unit,
        n=many.size,
        method="first-visit excess in a mixed model of all visits; jackknife over clients, "
        "averaged over forms of the course",
        n_three_visits=three,
        scatter_sd=scatter,
        standard_error=error,
        form_error=form_error,
        told_apart=error <= scatter / 2,
        influence=rows.series[keys].assign(influence=-sign * (weight @ influences)),
    )


def _too_few(three: int, clients: int) -> OutcomesError:
    return ModelError(
        f"a first-visit excess must rest on {_LEAST_CLIENTS} clients or more who came three times, "
        f"and half of all; {three:,} of {clients:,} did. Use expected_regression."
    )


@dataclass(frozen=True)
class _Form:
    height: float
    excess: float
    influence: np.ndarray
    scatter: float


def _forms(rows: _Rows) -> list[_Form]:
    """Fit the model once for every form of the course.

    Variances and likelihood of a form come from the later visits alone: choosing clients by their
    first reading ties it to their level, and would pass for a quick early gain.
    """
    is_first = np.zeros(rows.time.size, dtype=bool)
    is_first[rows.first] = True
    step = -(-rows.first.size // _MOST)
    later = ~is_first & (rows.code % step == 0)
    begins = np.flatnonzero(np.diff(rows.code[later], prepend=-1))
    spread = float(np.log(np.std(rows.value[later])))
    top = np.array([spread, spread - 1, 0.0, spread - 1])
    found = []
    for curvature in _CURVATURES:
        t = rows.time / rows.gap
        h = -np.expm1(-curvature * t) / curvature if curvature else t
        h = h / h[rows.last].mean()  # the variances of one form then start the search of the next
        z = np.column_stack([np.ones(h.size), h])
        some = sums_of(z[later], z[later], rows.value[later], begins)
        top = climb(some, np.clip(top, spread - 6, spread + 2), slope_left=0.01)
        height = float(solve(some, top[None], restricted=False).height[0])
        x = np.column_stack([z, is_first])
        found.append(_one_form(sums_of(x, z, rows.value, rows.first, keep=True), top, height))
    return found


def _one_form(sums, theta: np.ndarray, height: float) -> _Form:
    solved = solve(sums, theta[None])
    b, phi = solved.b[0], solved.phi[0]
    g, s2 = _matrices(theta[None])
    (k,), _ = shrink(sums.zz, g, s2)
    k = k[:, [[0, 1], [1, 2]]]
    s2 = float(s2[0])
    # X'V^-1[X y] of every series, then the score at the solution and the delete-one change
    each = (sums.own - np.einsum("nqi,nqr,nrj->nij", sums.zd, k, sums.zd) / s2) / s2
    inner, right = each[:, :-1, :-1], each[:, :-1, -1]
    score = right - inner @ b
    change = np.linalg.solve(np.eye(b.size) - phi @ inner, (score @ phi)[..., None])[..., 0]
    n = len(change)
    return _Form(height, float(b[2]), change[:, 2] * np.sqrt((n - 1) / n), float(np.sqrt(s2)))
