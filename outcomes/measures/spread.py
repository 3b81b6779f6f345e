"""How far the published values of one threshold lie apart.

Notation: y_i is the natural logarithm of the value of study i, v_i its sampling variance, tau the
standard deviation between studies. For a standard error of measurement from n people measured
twice, v = 1 / (2 n): the variance of the logarithm of a standard deviation on n degrees of
freedom. Where the size of a study is not known, and for important changes, whose sampling
variance papers do not give, every study weighs the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np
import pandas as pd

from outcomes.errors import check_between, check_choice
from outcomes.measures.catalogue import get
from outcomes.measures.matching import KINDS, all_thresholds, same_instrument
from outcomes.measures.thresholds import ERROR_KINDS
from outcomes.results import Claim

__all__ = ["Spread", "threshold_spread"]

LEAST_TO_POOL = 3


@dataclass(frozen=True, eq=False, kw_only=True)
class Spread(Claim):
    """The spread of published values; pooled only where at least three are comparable.

    Attributes
    ----------
    measure, kind, unit : str
        What the values are of.
    minimum, maximum : float
        Range over studies.
    n_studies : int
        Studies that the row rests on.
    estimate, ci_low, ci_high : float or None
        Pooled value and its interval; None where nothing was pooled.
    other_study_low, other_study_high : float or None
        Range in which the value of another such study would fall.
    ci_level : float
        Level of both.
    method : str
        What was done.
    notes : tuple of str
        What a careful reader must know.
    studies : DataFrame
        The values used, from `all_thresholds`; of a publication with several, the largest.
    """

    measure: str
    kind: str
    unit: str
    minimum: float
    maximum: float
    n_studies: int
    estimate: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    other_study_low: float | None = None
    other_study_high: float | None = None
    ci_level: float = 0.95
    method: str = ""
    notes: tuple[str, ...] = ()
    studies: pd.DataFrame


def threshold_spread(
    measure: str,
    *,
    kind: str,
    mode: str | None = None,
    instrument: str | None = None,
    rater: str | None = None,
    confidence: float = 0.95,
    ci_level: float = 0.95,
) -> Spread | None:
    """Show how much the published values of one threshold differ, and pool them where that is fair.

    Use to see how the verdict might move under another study. Do not use the pooled value for a
    clinic that has its own error.

    Parameters
    ----------
    measure : str
        Code in the catalogue.
    kind : str
        One of `outcomes.measures.matching.KINDS`.
    mode, instrument, rater : str, optional
        Keep only studies that state this.
    confidence : float in (0, 1)
        Level of detectable changes.
    ci_level : float in (0, 1)
        Level of the interval of the pooled value.

    Returns
    -------
    Spread or None
        None where no study remains. Where fewer than three remain, or they differ in mode,
        instrument or rater, the range alone.

    Raises
    ------
    ArgumentError
        If an argument lies outside its rule.

    Notes
    -----
    Random effects on the logarithm, tau by Paule and Mandel, interval by Hartung and Knapp with
    n - 1 df; where the sampling variances are not known, equal weights, whose interval is the
    t interval of the mean logarithm. Prediction: mean +/- t(n-2) sqrt(tau^2 + se^2), or with equal
    weights mean +/- t(n-1) s sqrt(1 + 1/n).

    References
    ----------
    Paule and Mandel 1982, J Res Natl Bur Stand 87:377. Hartung and Knapp 2001, Stat Med 20:3875.
    Higgins, Thompson and Spiegelhalter 2009, J R Stat Soc A 172:137 (prediction).

    Examples
    --------
    >>> spread = threshold_spread("ndi", kind="minimal_important_change")
    >>> spread.n_studies, spread.minimum, spread.maximum, round(spread.estimate, 1)
    (7, 7.0, 19.0, 12.5)

    Checked against: R metafor 3.8.1 (BCG vaccine trials), tests/measures/test_spread.py.
    """
    check_choice("kind", kind, KINDS)
    check_between("ci_level", ci_level, 0, 1, remedy="Give 0.95")
    studies = all_thresholds(measure, kind, confidence=confidence)
    for column, wanted in (("mode", mode), ("rater", rater)):
        if wanted is not None:
            has = [wanted in stated for stated in studies[column]]
            studies = studies.loc[np.array(has, dtype=bool)]
    if instrument is not None:
        fits = [bool(o) and same_instrument(instrument, o) for o in studies["instrument"]]
        studies = studies.loc[np.array(fits, dtype=bool)]
    doubtful = [figure.source for figure in get(measure).published if figure.doubtful]
    studies = studies.loc[~studies["source"].isin(doubtful)]
    studies = studies.drop_duplicates("source", keep="last").reset_index(drop=True)
    if studies.empty:
        return None
    values = studies["value"].to_numpy(dtype=float)
    notes = _differences(studies)
    few = len(studies) < LEAST_TO_POOL
    spread = Spread(
        measure=measure,
        kind=kind,
        unit=get(measure).unit,
        minimum=float(values.min()),
        maximum=float(values.max()),
        n_studies=len(studies),
        ci_level=ci_level,
        method="range over studies",
        notes=(*notes, *_few(few)),
        studies=studies,
    )
    return spread if few or notes else _pooled(spread)


def _differences(studies: pd.DataFrame) -> tuple[str, ...]:
    """Name the conditions in which the studies differ, so that they are not pooled."""
    said = []
    for column in ("mode", "rater", "instrument"):
        found = sorted(studies[column].unique())
        if len(found) > 1:
            listed = ", ".join(word or "not stated" for word in found)
            said.append(f"Not pooled: the studies differ in {column} ({listed}).")
    return tuple(said)


def _few(few: bool) -> tuple[str, ...]:
    return (f"Not pooled: fewer than {LEAST_TO_POOL} studies.",) if few else ()


def _pooled(spread: Spread) -> Spread:
    """Pool the logarithms and turn the result back."""
    size = spread.studies["n"].to_numpy(dtype=float)
    logs = np.log(spread.studies["value"].to_numpy(dtype=float))
    known = spread.kind in ERROR_KINDS and bool(np.all(size > 0))
    mean, half, half_prediction = pool(logs, 1 / (2 * size) if known else None, spread.ci_level)
    how = "Paule-Mandel, Hartung-Knapp interval" if known else "equal weights, t interval"
    notes = spread.notes
    people = len(set(spread.studies["population"]))
    if people > 1:
        notes += (f"The studies differ in people ({people} kinds): read the prediction range.",)
    return replace(
        spread,
        estimate=exp(mean),
        ci_low=exp(mean - half),
        ci_high=exp(mean + half),
        other_study_low=exp(mean - half_prediction),
        other_study_high=exp(mean + half_prediction),
        method=f"random effects on the logarithm: {how}",
        notes=notes,
    )


def pool(
    effects: np.ndarray, variances: np.ndarray | None, ci_level: float
) -> tuple[float, float, float]:
    """Mean over studies, half width of its interval, half width of the prediction interval."""
    from scipy import stats

    n = len(effects)
    level = (1 + ci_level) / 2
    if variances is None:
        sd = float(effects.std(ddof=1))
        half = float(stats.t.ppf(level, n - 1)) * sd / sqrt(n)
        return float(effects.mean()), half, half * sqrt(n + 1)
    tau2 = between_variance(effects, variances)
    weight = 1 / (variances + tau2)
    mean = float(np.average(effects, weights=weight))
    scatter = float((weight * (effects - mean) ** 2).sum() / (n - 1))
    error = sqrt(scatter / weight.sum())
    prediction = float(stats.t.ppf(level, n - 2)) * sqrt(tau2 + error**2)
    return mean, float(stats.t.ppf(level, n - 1)) * error, prediction


def between_variance(effects: np.ndarray, variances: np.ndarray) -> float:
    """Variance between studies by Paule and Mandel: the tau2 at which Q equals its df, or 0."""
    from scipy.optimize import root_scalar

    def excess(tau2: float) -> float:
        weight = 1 / (variances + tau2)
        mean = (weight * effects).sum() / weight.sum()
        return float((weight * (effects - mean) ** 2).sum()) - (len(effects) - 1)

    if excess(0.0) <= 0:
        return 0.0
    most = float(np.ptp(effects)) ** 2  # there excess is below zero: weights are under 1 / most
    return float(root_scalar(excess, bracket=(0.0, most), xtol=1e-14).root)
