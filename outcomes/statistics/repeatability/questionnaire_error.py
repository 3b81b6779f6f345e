"""The error of a questionnaire's total score: overall, and along its scale.

Notation
--------
X          total score of k items
s          standard error of measurement of X
d_pi       answer of client p to item i, less the item's mean
conditional error   sqrt(k * variance over items of d_pi): client p's own error, taken from how
           much the client's answers scatter; its mean square over clients is that of alpha
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_between, check_count, rows_must
from outcomes.results import Estimate
from outcomes.statistics.repeatability.internal_consistency import (
    coefficient_omega,
    cronbach_alpha,
    item_table,
)
from outcomes.statistics.repeatability.measurement_error import measurement_error

__all__ = ["conditional_error", "floor_and_ceiling", "questionnaire_error"]


def questionnaire_error(
    items: Any = None, *, retest: Any = None, confidence: float = 0.95
) -> pd.DataFrame:
    """Give the standard error of measurement of a total score by every route the data allow.

    Use the test-retest row to judge change between visits. Do not use the alpha and omega rows
    for that: they leave out whatever changes from day to day and come out too small.

    Parameters
    ----------
    items : array-like or DataFrame, clients x items, optional
        Complete answers at one sitting.
    retest : array-like or DataFrame, clients x sittings, optional
        Total scores of the same clients, who did not change between sittings; nan where missing.
    confidence : float, default 0.95

    Returns
    -------
    DataFrame
        quantity, estimate, ci_low, ci_high, ci_level, n, method, use_when, do_not_use_when,
        notes: rows for alpha, omega, the error from each, and the error from the retest.

    Raises
    ------
    ArgumentError
        Neither items nor retest.
    DataError, ModelError
        As `cronbach_alpha`, `coefficient_omega`, `measurement_error`.

    Notes
    -----
    ``sd(total) * sqrt(1 - r)`` with the limits of r (the uncertainty of the standard deviation
    is left out); from the retest the within-client mean square, chi-square interval.

    References
    ----------
    de Vet et al. 2006, J Clin Epidemiol 59:1033, doi:10.1016/j.jclinepi.2005.10.015.

    Examples
    --------
    >>> answers = [[1, 2, 1], [3, 3, 4], [2, 2, 3], [5, 4, 5]]
    >>> questionnaire_error(answers)["quantity"].tolist()[0]
    'Cronbach alpha'
    """
    if items is None and retest is None:
        raise ArgumentError("items or retest must be given, got neither. Give at least one.")
    rows: list[dict[str, Any]] = []
    one_sitting = ("scores of one sitting are compared between clients", "change is judged")
    if items is not None:
        table = item_table(items)
        sd = float(table.sum(axis=1).std(ddof=1))
        found = [cronbach_alpha(table, confidence=confidence)]
        if table.shape[1] >= 3 and len(table) > table.shape[1] and (table.std(axis=0) > 0).all():
            found.append(coefficient_omega(table, confidence=confidence))
        rows += [_row(one, one.measure, one_sitting) for one in found]
        rows += [
            _row(
                _error_of(one, sd), f"standard error of measurement from {one.measure}", one_sitting
            )
            for one in found
        ]
    if retest is not None:
        scores = np.asarray(retest, dtype=float)
        client, sitting = np.nonzero(np.isfinite(scores))
        readings = pd.DataFrame({"client": client, "value": scores[client, sitting]})
        error = measurement_error(readings, confidence=confidence).standard_error()
        over_time = (
            "change between visits is judged",
            "clients may truly have changed between the sittings",
        )
        rows.append(_row(error, "standard error of measurement from test and retest", over_time))
    return pd.DataFrame(rows)


def floor_and_ceiling(
    scores: Any, *, minimum: float, maximum: float, confidence: float = 0.95
) -> pd.DataFrame:
    """Count the clients at the ends of a scale, where change cannot show.

    Use it before change is judged: a client at the best score cannot improve. More than 15% at an
    end is the usual warning (Terwee et al. 2007).

    Parameters
    ----------
    scores : array-like, (clients,)
    minimum, maximum : float
        Lowest and highest possible score.
    confidence : float, default 0.95

    Returns
    -------
    DataFrame
        group (floor, ceiling), count, n, share, ci_low, ci_high (Wilson), ci_level, notes.

    Raises
    ------
    DataError
        Scores missing or outside the scale; no scores.

    References
    ----------
    Terwee et al. 2007, J Clin Epidemiol 60:34, doi:10.1016/j.jclinepi.2006.03.012.

    Examples
    --------
    >>> floor_and_ceiling([0, 0, 3, 7, 10], minimum=0, maximum=10)["share"].tolist()
    [0.4, 0.2]
    """
    from outcomes.statistics.effect_size.shares import share_interval

    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    if not minimum < maximum:
        raise ArgumentError(
            f"minimum must be below maximum, got {minimum!r} and {maximum!r}. Exchange them."
        )
    values = np.asarray(scores, dtype=float)
    if values.ndim != 1 or not len(values):
        raise DataError("scores must be one column of numbers. Give one score per client.")
    outside = ~((values >= minimum) & (values <= maximum))
    if outside.any():
        raise rows_must("scores", "lie on the scale", outside, "Correct them or leave them out")
    rows = []
    for group, end in (("floor", minimum), ("ceiling", maximum)):
        count, n = int((values == end).sum()), len(values)
        low, high = map(float, share_interval(count, n, confidence=level))
        warn = "More than 15% at this end: change may be hidden." if count / n > 0.15 else ""
        rows.append(
            {
                "group": group,
                "count": count,
                "n": n,
                "share": count / n,
                "ci_low": low,
                "ci_high": high,
                "ci_level": level,
                "notes": warn,
            }
        )
    return pd.DataFrame(rows)


def conditional_error(items: Any, *, bands: int = 5) -> pd.DataFrame:
    """Show how the error of a total score changes along the scale.

    Use it to see where one error for all misleads: near the ends of a scale answers bunch, the
    error there is smaller than overall, in the middle larger. Do not use it for single clients:
    each band rests on its clients' scatter.

    Parameters
    ----------
    items : array-like or DataFrame, clients x items
        Complete answers at one sitting.
    bands : int, default 5
        Groups of about equal size, by total score.

    Returns
    -------
    DataFrame
        group, minimum, maximum, mean (of totals), standard_error_of_measurement, n, ratio (to
        the overall error of alpha), method.

    Raises
    ------
    DataError
        As `cronbach_alpha`; fewer than three clients per band.

    Notes
    -----
    Squared error of client p: k / (k - 1) * sum over items of (d_pi - mean of d_p)^2, times
    n / (n - 1); its mean over all clients is exactly sd^2 (1 - alpha).

    References
    ----------
    Brennan 1998, Appl Psychol Meas 22:307, doi:10.1177/014662169802200401 (relative conditional
    error).

    Examples
    --------
    >>> rng = np.random.default_rng(2)
    >>> ability = rng.normal(size=(300, 1))
    >>> answers = np.clip(np.round(2 + 1.5 * ability + rng.normal(size=(300, 6))), 0, 4)
    >>> table = conditional_error(answers, bands=5)
    >>> bool(table["ratio"].iloc[2] > table["ratio"].iloc[0])
    True
    """
    count = check_count("bands", bands)
    table = item_table(items)
    n, k = table.shape
    if n < 3 * count:
        raise DataError(
            f"clients must number three or more per band, got {n} for {count} bands. Ask for "
            "fewer bands."
        )
    d = table - table.mean(axis=0)
    square = k / (k - 1) * ((d - d.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) * n / (n - 1)
    total = table.sum(axis=1)
    overall = float(square.mean())
    if overall == 0:
        raise DataError(
            "answers must scatter; every client answers all items alike. No error can be seen."
        )
    order = np.argsort(total, kind="stable")
    rows = []
    for number, who in enumerate(np.array_split(order, count), start=1):
        error = float(np.sqrt(square[who].mean()))
        rows.append(
            {
                "group": f"band {number} of {count}",
                "minimum": float(total[who].min()),
                "maximum": float(total[who].max()),
                "mean": float(total[who].mean()),
                "standard_error_of_measurement": error,
                "n": len(who),
                "ratio": error / float(np.sqrt(overall)),
                "method": "scatter of answers within clients",
            }
        )
    return pd.DataFrame(rows)


def _error_of(reliability: Estimate, sd: float) -> Estimate:
    """Turn a reliability and its limits into an error; the better the smaller."""

    def error(r: float) -> float:
        return sd * float(np.sqrt(max(1 - r, 0.0)))

    return Estimate(
        estimate=error(reliability.estimate),
        ci_low=error(reliability.ci_high),
        ci_high=error(reliability.ci_low),
        ci_level=reliability.ci_level,
        n=reliability.n,
        method=f"sd * sqrt(1 - r), limits of r; {reliability.method}",
        notes=reliability.notes,
    )


def _row(found: Estimate, quantity: str, use: tuple[str, str]) -> dict[str, Any]:
    return {
        "quantity": quantity,
        "estimate": found.estimate,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "ci_level": found.ci_level,
        "n": found.n,
        "method": found.method,
        "use_when": use[0],
        "do_not_use_when": use[1],
        "notes": " ".join(found.notes),
    }
