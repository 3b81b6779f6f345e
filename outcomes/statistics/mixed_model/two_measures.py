"""Two measures of the same clients at once: whether those who gain one gain, or lose, the other.

The readings of both measures are stacked. Each measure has its own mean course and its own error
variance, and the clients' own starts and slopes in both are correlated freely: a bivariate mixed
model (Verbeke et al. 2014, Stat Methods Med Res 23:42). The correlation of the slopes is free of
measurement error, which that of observed changes is not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import cast

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_columns
from outcomes.results import Claim
from outcomes.statistics.mixed_model.checking import as_numbers
from outcomes.statistics.mixed_model.fit import fit_mixed_model
from outcomes.statistics.mixed_model.profile import profile_interval
from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["TwoMeasures", "fit_two_measures"]


@dataclass(frozen=True, eq=False, kw_only=True)
class TwoMeasures(Claim):
    """How the courses of two measures go together between clients.

    Attributes
    ----------
    first, second : str
        The measures.
    slope_correlation, ci_low, ci_high, ci_level : float
        Correlation between clients of the slopes of the two measures, with its
        profile-likelihood interval.
    start_correlation : float
        Correlation of the starts.
    p_value : float
        Likelihood ratio test that no start or slope of one measure is correlated with any of
        the other (4 df).
    n : int
        Clients.
    fit : MixedModelFit
        The stacked model: columns measure, measure:time.
    notes : tuple of str
        What a careful reader must know.
    """

    first: str
    second: str
    slope_correlation: float
    ci_low: float
    ci_high: float
    ci_level: float
    start_correlation: float
    p_value: float
    n: int
    fit: MixedModelFit = field(repr=False)
    notes: tuple[str, ...] = ()


def fit_two_measures(
    data: pd.DataFrame,
    *,
    first: str,
    second: str,
    time: str = "week",
    groups: str = "client",
    ci_level: float = 0.95,
) -> TwoMeasures:
    """Ask whether clients who gain in one measure gain, or lose, in another.

    Use with at least about 30 clients who have four or more visits. Do not read it as cause: a
    third thing may move both.

    Parameters
    ----------
    data : pandas.DataFrame
        One row per reading: columns of `time` and `groups`, `measure` (holding `first` and
        `second`, other rows are ignored) and `value`, in any units.
    first, second : str
        The two measures.
    time, groups : str
        Columns of the time since the start, and of the client.
    ci_level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    TwoMeasures
        Correlations of slopes and starts, and the fit.

    Notes
    -----
    REML. The errors of the two measures at one visit are taken as independent; if a bad day moves
    both, part of that ends up in the correlation of starts and slopes.

    Raises
    ------
    ArgumentError, DataError, ModelError
        As `fit_mixed_model`; also if one of the measures has no rows.

    Checked against: nlme 3.1-162, two sides of a scan (tests/evidence/mixed_model_agreement.py).
    """
    check_columns(data, [groups, time, "measure", "value"], thing="the data")
    if first == second:
        raise ArgumentError("first and second must be different measures.")
    measure = np.asarray(data["measure"], dtype=object)
    missing = [name for name in (first, second) if not (measure == name).any()]
    if missing:
        raise DataError(f"the data must have rows of both measures; none of {', '.join(missing)}.")
    use = (measure == first) | (measure == second)
    is_first = (measure[use] == first).astype(float)
    moment = as_numbers(cast(pd.Series, data[time]))[use]
    stacked = pd.DataFrame(
        {
            groups: np.asarray(data[groups])[use],
            "which": np.where(is_first > 0, "a", "b"),
            "value": as_numbers(cast(pd.Series, data["value"]))[use],
            "start_first": is_first,
            "slope_first": is_first * moment,
            "start_second": 1.0 - is_first,
            "slope_second": (1.0 - is_first) * moment,
        }
    )
    terms = "0 + start_first + slope_first + start_second + slope_second"
    options = {
        "groups": groups,
        "residual": "variance_per_level",
        "by": "which",
        "ci_level": ci_level,
    }
    fit = fit_mixed_model(stacked, f"value ~ {terms}", random=terms, **options)
    names = list(fit.design.levels[0].terms)
    covariance = fit.random_covariances[groups].to_numpy()
    i, j = names.index("slope_first"), names.index("slope_second")
    k, m = names.index("start_first"), names.index("start_second")
    slope = _correlation(covariance, i, j)
    low, high = np.nan, np.nan
    if np.isfinite(slope):
        low, high = profile_interval(fit, "random", 0, (max(i, j), min(i, j)), slope)
    apart = sum(
        fit_mixed_model(
            cast(pd.DataFrame, stacked[stacked["which"] == which]),
            f"value ~ 0 + start_{name} + slope_{name}",
            groups=groups,
            random=f"0 + start_{name} + slope_{name}",
        ).log_likelihood
        for which, name in (("a", "first"), ("b", "second"))
    )
    from scipy import special

    notes = list(fit.boundary)
    return TwoMeasures(
        first=first,
        second=second,
        slope_correlation=slope,
        ci_low=low,
        ci_high=high,
        ci_level=ci_level,
        start_correlation=_correlation(covariance, k, m),
        p_value=float(special.chdtrc(4, max(2.0 * (fit.log_likelihood - apart), 0.0))),
        n=fit.n_clients,
        fit=fit,
        notes=tuple(notes),
    )


def _correlation(covariance: np.ndarray, i: int, j: int) -> float:
    size = float(np.sqrt(covariance[i, i] * covariance[j, j]))
    return float(covariance[i, j]) / size if size > 0 else float("nan")
