"""The smallest important change by predictive modelling, and its adjustments.

Notation
--------
x, y       change of a client; 1 if the client's rating says improved, else 0
C, B       intercept and slope of the logistic regression of y on x
p          share improved; L = log(p / (1 - p))
MIC        (L - C) / B: the change at which a client is as likely to be one of the improved as
           before anything was known (likelihood ratio 1)
r, sd      correlation of x with y, and standard deviation of x
rel        reliability of the anchor's classification

Adjusted: MIC - k L sd, with k = 0.090 + 0.103 r (share improved), (0.8 / rel - 0.5) r
(reliability), 0 (none). Standard error by the delta method from clients' influence on C, B, p, r
and sd, so it holds whatever the shape; normal interval. It supposes the rule k to be right.
Coverage at nominal 95%, 10,000 samples of 60 to 200 clients, 30 to 70% improved: 94.1 to 95.2%
(tests/evidence/results/important_change_coverage.json).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit, ndtri

from outcomes.errors import DataError, ModelError, check_between, check_choice
from outcomes.results import Estimate
from outcomes.statistics.important_change.anchor import read_anchored

__all__ = ["fit_logistic", "predictive_batch", "predictive_threshold", "threshold_by_start"]


def predictive_threshold(
    changes: pd.DataFrame,
    *,
    direction: str = "improvement",
    improved_from: float = 2.0,
    adjust: str = "share improved",
    anchor_reliability: float = 0.7,
    confidence: float = 0.95,
) -> Estimate:
    """Give the smallest important change by predictive modelling, the steadiest of the methods.

    Use it as the clinic's own threshold where its anchor holds (`anchor_adequacy`) and both
    classes have 30 clients or more. Do not use it unadjusted where far from half improved: it
    then drifts towards the mean of the larger class.

    Parameters
    ----------
    changes : DataFrame
        improvement and rating, one row per client.
    direction : {"improvement", "deterioration"}
    improved_from : float, default 2
        Smallest rating that counts as improved.
    adjust : {"share improved", "reliability", "none"}
        Share improved: Terluin 2017. Reliability: the later form that uses the reliability of the
        anchor as well. None: Terluin 2015.
    anchor_reliability : float, default 0.7
        Used by "reliability" only, in (0, 1]. 0.7 is a common guess, no source here.
    confidence : float, default 0.95

    Returns
    -------
    Estimate
        Positive: distance in the direction asked about.

    Raises
    ------
    DataError
        An empty class, and as `read_anchored`.
    ModelError
        Classes that do not overlap (no finite slope), or changes that run against the ratings.

    Notes
    -----
    Formulas, adjustments and coverage: at the head of this module.

    References
    ----------
    Terluin, Eekhout, Terwee & de Vet 2015, J Clin Epidemiol 68:1388,
    doi:10.1016/j.jclinepi.2015.03.015. Terluin, Eekhout & Terwee 2017, J Clin Epidemiol 83:90,
    doi:10.1016/j.jclinepi.2016.12.015. Reliability form: Terluin, Eekhout & Terwee 2022, Qual
    Life Res 31:2045 (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(7)
    >>> better = rng.random(400) < 0.5
    >>> changes = pd.DataFrame({"improvement": rng.normal(np.where(better, 8, 2), 4),
    ...                         "rating": np.where(better, 3, 0)})
    >>> found = predictive_threshold(changes)
    >>> bool(found.ci_low < 5 < found.ci_high)
    True

    Checked against: made normal-quantile data, 3.5, 3.495894, adjusted 2.944704; statsmodels
    Logit.
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    rule = _rule(adjust, anchor_reliability)
    found = read_anchored(changes, direction=direction, improved_from=improved_from)
    x, y = found.change, found.reached.astype(float)
    if x[y == 1].min() > x[y == 0].max() or x[y == 1].max() < x[y == 0].min():
        raise ModelError(
            "changes of improved clients and of the rest must overlap; they do not, so any change "
            "between them is as good. Use cut_points, or wait for more ratings."
        )
    # The slope of the logistic regression has the sign of the difference of the means.
    if not x[y == 1].mean() - x[y == 0].mean() > 1e-9 * np.ptp(x):
        raise ModelError(
            "changes must rise with the ratings; they do not. Check the direction of the measure "
            "and of the rating, and see anchor_adequacy."
        )
    estimate, error, _ = (float(v[0]) for v in predictive_batch(x[None], y[None], rule))
    half = float(ndtri((1 + level) / 2)) * error
    share = float(y.mean())
    notes = list(found.notes)
    if adjust == "none" and not 0.3 <= share <= 0.7:
        notes.append(f"{share:.0%} improved: without adjustment the threshold is off.")
    return Estimate(
        measure=f"{found.quantity}: predictive modelling",
        estimate=estimate,
        ci_low=estimate - half,
        ci_high=estimate + half,
        ci_level=level,
        n=found.n,
        method=f"logistic regression, adjusted: {adjust}; delta interval",
        notes=tuple(notes),
    )


def threshold_by_start(
    changes: pd.DataFrame,
    *,
    direction: str = "improvement",
    improved_from: float = 2.0,
    adjust: str = "share improved",
    bands: int = 3,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Show whether clients who start worse need a larger change to call it important.

    Use it before one threshold serves all. Do not adopt a band's own threshold from a handful of
    clients: look at the intervals.

    Parameters
    ----------
    changes : DataFrame
        improvement, rating and start_value, one row per client.
    direction, improved_from, adjust, confidence
        As `predictive_threshold`.
    bands : int, default 3
        Groups of about equal size, by start value.

    Returns
    -------
    DataFrame
        group, minimum, maximum (start values), estimate, ci_low, ci_high, ci_level, n, share
        (improved), method, notes. A band without a threshold has no row; the notes of the others
        say so. The last row, "change per unit of start value", is the slope of the threshold
        with the start value, from the logistic regression with both.

    Raises
    ------
    DataError
        No start values; no band with a threshold.

    Notes
    -----
    Slope: minus the coefficient of the start over that of the change; delta interval.

    References
    ----------
    Terwee et al. 2021, Qual Life Res 30:2729, doi:10.1007/s11136-021-02925-y.

    Examples
    --------
    >>> rng = np.random.default_rng(8)
    >>> start, x = rng.uniform(20, 60, 600), rng.normal(8, 6, 600)
    >>> better = rng.random(600) < 1 / (1 + np.exp(-(x - 0.2 * start) / 2))
    >>> changes = pd.DataFrame({"improvement": x, "rating": 3 * better, "start_value": start})
    >>> round(float(threshold_by_start(changes)["estimate"].iloc[-1]), 1)
    0.2
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    found = read_anchored(changes, direction=direction, improved_from=improved_from)
    if found.start is None or not np.isfinite(found.start).all():
        raise DataError("start_value must be given for every rated client. Fill it in.")
    start, y = found.start, found.reached.astype(float)
    order = np.argsort(start, kind="stable")
    rows: list[dict[str, Any]] = []
    skipped = 0
    for number, who in enumerate(np.array_split(order, bands), start=1):
        band = pd.DataFrame(
            {
                "improvement": found.sign * found.change[who],
                "rating": found.sign * found.rating[who],
            }
        )
        try:
            one = predictive_threshold(
                band,
                direction=direction,
                improved_from=improved_from,
                adjust=adjust,
                confidence=level,
            )
        except (DataError, ModelError):
            skipped += 1
            continue
        rows.append(
            {
                "group": f"start, band {number} of {bands}",
                "minimum": float(start[who].min()),
                "maximum": float(start[who].max()),
                "estimate": one.estimate,
                "ci_low": one.ci_low,
                "ci_high": one.ci_high,
                "ci_level": level,
                "n": len(who),
                "share": float(y[who].mean()),
                "method": one.method,
                "notes": " ".join(one.notes),
            }
        )
    if not rows:
        raise DataError(
            "no band of start values has clients of both classes that overlap. Ask for fewer "
            "bands, or wait for more ratings."
        )
    if start.max() > start.min():
        rows.append(_slope_row(found.change, start, y, level))
    if skipped:
        rows[0]["notes"] += f" {skipped} of {bands} bands allow no threshold."
    return pd.DataFrame(rows)


def _slope_row(x: np.ndarray, start: np.ndarray, y: np.ndarray, level: float) -> dict[str, Any]:
    """Slope of the threshold with the start value."""
    centre, spread = start.mean(), start.std()
    design = np.column_stack([np.ones_like(x), x, (start - centre) / spread])[None]
    beta, covariance = fit_logistic(design, y[None])
    b, c = beta[0], covariance[0]
    slope = -b[2] / b[1]
    gradient = np.array([0.0, b[2] / b[1] ** 2, -1 / b[1]])
    half = float(ndtri((1 + level) / 2)) * float(np.sqrt(gradient @ c @ gradient))
    return {
        "group": "change per unit of start value",
        "minimum": float(start.min()),
        "maximum": float(start.max()),
        "estimate": float(slope / spread),
        "ci_low": float((slope - half) / spread),
        "ci_high": float((slope + half) / spread),
        "ci_level": level,
        "n": len(x),
        "share": float(y.mean()),
        "method": "logistic regression on change and start; delta interval",
        "notes": "",
    }


def predictive_batch(
    x: np.ndarray, y: np.ndarray, rule: tuple[float, float] = (0.0, 0.0)
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Compute threshold, standard error and slope for many samples at once.

    Parameters
    ----------
    x, y : ndarray, (samples, clients)
        Changes, and 1 for improved. Classes must overlap.
    rule : tuple of float
        k = rule[0] + rule[1] r; see the module's head.

    Returns
    -------
    tuple of ndarray, (samples,)
    """
    n = x.shape[1]
    centre, spread = x.mean(axis=1, keepdims=True), x.std(axis=1, keepdims=True)
    z = (x - centre) / spread
    design = np.stack([np.ones_like(z), z], axis=2)
    beta, _ = fit_logistic(design, y)
    c, b = beta[:, :1], beta[:, 1:]
    p = y.mean(axis=1, keepdims=True)
    odds = logit(p)
    base = (odds - c) / b
    fitted = expit(c + b * z)
    # Influence of each client on (C, B): inverse information times the score.
    w = fitted * (1 - fitted)
    s0, s1, s2 = w.mean(1), (w * z).mean(1), (w * z**2).mean(1)
    det = (s0 * s2 - s1**2)[:, None]
    score = y - fitted
    on_c = (s2[:, None] * score - s1[:, None] * score * z) / det
    on_b = (s0[:, None] * score * z - s1[:, None] * score) / det
    on_odds = (y - p) / (p * (1 - p))
    influence = (on_odds - on_c - base * on_b) / b
    # In units of x: base * spread + centre, whose own influence is (z^2 - 1) / 2 * spread and z.
    sd_y = np.sqrt(p * (1 - p))
    y_z = (y - p) / sd_y
    r = (z * y_z).mean(axis=1, keepdims=True)
    on_r = z * y_z - r * (z**2 + y_z**2) / 2
    # Influence of scaling x: C and B change with it so that base * spread + centre is unmoved.
    k = rule[0] + rule[1] * r
    sample_sd = spread * np.sqrt(n / (n - 1))
    estimate = base * spread + centre - k * odds * sample_sd
    on_adjust = (rule[1] * on_r * odds + k * on_odds + k * odds * (z**2 - 1) / 2) * spread
    total = influence * spread - on_adjust
    error = np.sqrt((total**2).sum(axis=1) / (n - 1) / n)
    return estimate[:, 0], error, beta[:, 1] / spread[:, 0]


def fit_logistic(design: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fit logistic regressions, one per sample, by Newton's method.

    Parameters
    ----------
    design : ndarray, (samples, clients, terms)
    y : ndarray, (samples, clients)

    Returns
    -------
    tuple of ndarray
        Coefficients (samples, terms) and their covariance (samples, terms, terms).

    Raises
    ------
    ModelError
        Some sample has no finite maximum.
    """
    beta = np.zeros((design.shape[0], design.shape[2]))
    for _ in range(60):
        fitted = expit(np.einsum("snk,sk->sn", design, beta))
        w = fitted * (1 - fitted)
        information = np.einsum("snk,sn,snl->skl", design, w, design)
        score = np.einsum("snk,sn->sk", design, y - fitted)
        information += 1e-12 * np.eye(design.shape[2])
        step = np.linalg.solve(information, score[..., None])[..., 0]
        length = np.abs(step).max(axis=1, keepdims=True)
        beta = beta + step * np.minimum(1.0, 4.0 / np.maximum(length, 1e-300))
        if np.abs(step).max() < 1e-10:
            break
    else:
        raise ModelError(
            "the logistic regression must have a finite maximum; it has none. The classes hardly "
            "overlap: use cut_points, or wait for more ratings."
        )
    return beta, np.linalg.inv(information)


def _rule(adjust: str, reliability: float) -> tuple[float, float]:
    """Turn the adjustment's name into k = a + b r."""
    check_choice("adjust", adjust, ("share improved", "reliability", "none"))
    if adjust == "share improved":
        return 0.090, 0.103
    if adjust == "none":
        return 0.0, 0.0
    rel = check_between("anchor_reliability", reliability, 0, 1 + 1e-12, remedy="Give 0.7")
    return 0.0, 0.8 / rel - 0.5
