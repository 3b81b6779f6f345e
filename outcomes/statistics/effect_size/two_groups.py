"""Two groups of clients: whose change was larger, and by how much.

Notation: ``x, y`` start and latest value, ``d`` improvement, ``T, C`` first and second group,
``n`` clients.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from outcomes.errors import ArgumentError, DataError, Faults, check_between, check_columns
from outcomes.results import Estimate
from outcomes.statistics.effect_size.constrained import fit_constrained
from outcomes.statistics.effect_size.ordinal import cliffs_delta, hodges_lehmann_shift
from outcomes.statistics.effect_size.standardised import hedges_correction, noncentral_t_interval
from outcomes.statistics.individual_change._rows import finite_column, signs

__all__ = ["compare_groups", "pre_post_control", "standardised_difference"]


def compare_groups(
    pairs: pd.DataFrame,
    *,
    first: str,
    second: str,
    better: Any = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Compare the improvement of two groups of clients, in six ways.

    Use for two clinics, two quarters or two kinds of care. Groups that were not formed by chance
    may differ for reasons that no row here removes.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `group`, `start_value` and `latest_value`. A client with only one of
        the two values counts in the constrained model alone. Other groups are passed over.
    first, second : str
        Names of the groups; every estimate is first minus second. At least 4 clients measured
        twice in each.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        Rows ``difference in change`` (Welch), ``adjusted for the start value`` (analysis of
        covariance), ``constrained longitudinal model``, ``d_ppc2``, ``Cliff's delta`` and
        ``Hodges-Lehmann shift``; columns `quantity`, `question`, `estimate`, `ci_low`, `ci_high`,
        `ci_level`, `df`, `p_value`, `n`, `method`, `source`.

    Raises
    ------
    DataError
        If values are infinite or a group is too small.
    ArgumentError
        If a group is not in the table.

    Notes
    -----
    Analysis of covariance: y = a + b x + c g, classical standard error. Constrained model:
    `outcomes.statistics.effect_size.constrained`, Kenward-Roger. d_ppc2: difference in change
    over the pooled SD of the start values, exact Hedges correction.

    References
    ----------
    Vickers & Altman (2001) BMJ 323:1123-1124, doi:10.1136/bmj.323.7321.1123. Liang & Zeger (2000)
    Sankhya B 62:134-148. Morris (2008) Organ Res Methods 11:364-386,
    doi:10.1177/1094428106291059.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> pairs = pd.DataFrame({"group": ["a"] * 20 + ["b"] * 20,
    ...                       "start_value": rng.normal(50, 8, 40)})
    >>> gain = np.where(pairs["group"] == "a", 9, 4) + rng.normal(0, 4, 40)
    >>> rows = compare_groups(pairs.assign(latest_value=pairs["start_value"] + gain),
    ...                       first="a", second="b")
    >>> bool((rows["ci_low"] > 0).all())
    True

    Checked against: scipy's Welch test, statsmodels' OLS, R's nlme::gls; simulated coverage.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    x, y, g = _two_groups(pairs, first, second, better)
    both = np.isfinite(x) & np.isfinite(y)
    for name, members in ((first, g), (second, ~g)):
        if (both & members).sum() < 4:
            raise DataError(
                f"group {name!r} must have at least 4 clients measured twice, got "
                f"{int((both & members).sum())}. Show every client."
            )
    gain = y - x
    rows = [
        _welch(gain[both & g], gain[both & ~g], confidence),
        _covariance_adjusted(x[both], y[both], g[both], confidence),
        _constrained(x, y, g, confidence),
        _d_ppc2(x[both], gain[both], g[both], confidence),
    ]
    ranked = {
        "Cliff's delta": (
            cliffs_delta,
            "How much more often does a client of the first group improve more?",
            "Feng & Cliff 2004, J Mod Appl Stat Methods 3:322",
        ),
        "Hodges-Lehmann shift": (
            hodges_lehmann_shift,
            "What is the typical difference between clients of the two groups?",
            "Hodges & Lehmann 1963, Ann Math Stat 34:598",
        ),
    }
    for name, (function, question, source) in ranked.items():
        found: Estimate = function(gain[both & g], gain[both & ~g], confidence=confidence)
        rows.append(
            {
                "quantity": name,
                "question": question,
                "estimate": found.estimate,
                "ci_low": found.ci_low,
                "ci_high": found.ci_high,
                "n": found.n,
                "method": found.method,
                "source": source,
            }
        )
    names = "quantity question estimate ci_low ci_high ci_level df p_value n method source".split()
    return pd.DataFrame(rows).assign(ci_level=confidence).loc[:, names]


def _two_groups(
    pairs: pd.DataFrame, first: str, second: str, better: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start and latest values turned so that higher is better, and who is in the first group."""
    check_columns(pairs, ["group", "start_value", "latest_value"], thing="the table of pairs")
    for name in (first, second):
        if name not in set(pairs["group"]):
            raise ArgumentError(f"group {name!r} must be in the table. Check its spelling.")
    turn = signs(better, pairs)
    rows = pairs["group"].isin([first, second]).to_numpy()
    faults = Faults()
    filled = pairs.loc[:, ["start_value", "latest_value"]].fillna(0)
    for column in filled.columns:
        finite_column(filled, column, faults)
    faults.raise_if_any()
    x, y = (
        (turn * pairs[c].to_numpy(float, na_value=np.nan))[rows]
        for c in ("start_value", "latest_value")
    )
    return x, y, (pairs["group"] == first).to_numpy()[rows]


def _t_row(
    estimate: float, error: float, df: float, confidence: float, **words: Any
) -> dict[str, Any]:
    half = float(stdtrit(df, 1 - (1 - confidence) / 2)) * error
    return {
        "estimate": estimate,
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "df": df,
        "p_value": float(2 * stdtr(df, -abs(estimate) / error)),
        **words,
    }


def _spread(values: np.ndarray) -> float:
    variance = float(values.var(ddof=1))
    if variance <= 0:
        raise DataError("the changes must differ between clients. Report the raw changes.")
    return variance


def _welch(first: np.ndarray, second: np.ndarray, confidence: float) -> dict[str, Any]:
    v, w = _spread(first) / first.size, _spread(second) / second.size
    df = (v + w) ** 2 / (v**2 / (first.size - 1) + w**2 / (second.size - 1))
    return _t_row(
        float(first.mean() - second.mean()),
        float(np.sqrt(v + w)),
        float(df),
        confidence,
        quantity="difference in change",
        question="By how much did the first group improve more?",
        n=first.size + second.size,
        method="difference of mean improvements; Welch's t interval",
        source="Welch 1947, Biometrika 34:28",
    )


def _covariance_adjusted(
    x: np.ndarray, y: np.ndarray, g: np.ndarray, confidence: float
) -> dict[str, Any]:
    design = np.column_stack([np.ones(x.size), x - x.mean(), g])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ y
    df = x.size - 3
    variance = float(np.sum((y - design @ coefficients) ** 2)) / df
    return _t_row(
        float(coefficients[2]),
        float(np.sqrt(variance * inverse[2, 2])),
        df,
        confidence,
        quantity="adjusted for the start value",
        question="By how much is the first group better off among clients who started alike?",
        n=x.size,
        method="analysis of covariance on the start value; t interval",
        source="Vickers & Altman 2001, BMJ 323:1123",
    )


def _constrained(x: np.ndarray, y: np.ndarray, g: np.ndarray, confidence: float) -> dict[str, Any]:
    fit = fit_constrained(x, y, g)
    return _t_row(
        float(fit.coefficients[2]),
        float(np.sqrt(fit.covariance[2, 2])),
        fit.df,
        confidence,
        quantity="constrained longitudinal model",
        question="By how much did the first group improve more, were the starts alike, counting "
        "clients with one reading too?",
        n=int((np.isfinite(x) | np.isfinite(y)).sum()),
        method="one common start mean, free covariance, REML; Kenward-Roger t interval",
        source="Liang & Zeger 2000, Sankhya B 62:134",
    )


def _d_ppc2(x: np.ndarray, gain: np.ndarray, g: np.ndarray, confidence: float) -> dict[str, Any]:
    n, m = int(g.sum()), int((~g).sum())
    df = n + m - 2
    start_sd = np.sqrt(((n - 1) * _spread(x[g]) + (m - 1) * _spread(x[~g])) / df)
    gain_sd = np.sqrt(((n - 1) * _spread(gain[g]) + (m - 1) * _spread(gain[~g])) / df)
    difference = float(gain[g].mean() - gain[~g].mean())
    error = gain_sd * np.sqrt(1 / n + 1 / m)
    low, high = noncentral_t_interval(difference / error, df, confidence=confidence)
    return {
        "quantity": "d_ppc2",
        "question": "How large is the difference in change against the spread of clients before "
        "treatment?",
        "estimate": float(difference / start_sd * hedges_correction(df)),
        "ci_low": float(low * error / start_sd),
        "ci_high": float(high * error / start_sd),
        "df": df,
        "n": n + m,
        "method": "difference in change / pooled SD of start values; exact Hedges correction; "
        "noncentral t interval",
        "source": "Morris 2008, Organ Res Methods 11:364",
    }


def standardised_difference(first: Any, second: Any, *, confidence: float = 0.95) -> Estimate:
    """Give the difference of two separate groups in pooled standard deviations.

    Use for improvements, or any number, of two groups of clients.

    Parameters
    ----------
    first, second : array-like
        Numbers of the clients of each group; at least 2 each.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    Estimate
        Hedges' g_s; a note gives the uncorrected d_s.

    Raises
    ------
    DataError
        If values are missing, too few, or all the same.

    Notes
    -----
    d_s = (mean1 - mean2) / pooled SD; exact noncentral t interval on n + m - 2 df.

    References
    ----------
    Hedges (1981) J Educ Stat 6:107-128, doi:10.3102/10769986006002107.

    Examples
    --------
    >>> result = standardised_difference([9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9],
    ...                                  [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7])
    >>> print(f"{result.estimate:.2f} ({result.ci_low:.2f} to {result.ci_high:.2f})")
    1.08 (0.16 to 2.06)

    Checked against: Lakens 2013.
    """
    x, y = (np.asarray(values, float).ravel() for values in (first, second))
    if not (np.isfinite(x).all() and np.isfinite(y).all()) or min(x.size, y.size) < 2:
        raise DataError("both groups must hold at least 2 numbers and nothing else. Check them.")
    df = x.size + y.size - 2
    pooled = np.sqrt((x.var() * x.size + y.var() * y.size) / df)
    if pooled == 0:
        raise DataError("the values must differ within a group. Report the raw difference.")
    d = float((x.mean() - y.mean()) / pooled)
    root = np.sqrt(x.size * y.size / (x.size + y.size))
    low, high = noncentral_t_interval(d * root, df, confidence=confidence)
    return Estimate(
        estimate=d * float(hedges_correction(df)),
        ci_low=float(low / root),
        ci_high=float(high / root),
        ci_level=confidence,
        n=x.size + y.size,
        method="difference / pooled SD; exact Hedges correction; noncentral t interval",
        notes=(f"Uncorrected: {d:.4g}.",),
    )


def pre_post_control(treated: pd.DataFrame, control: pd.DataFrame) -> pd.DataFrame:
    """Give the standardised difference in change from printed summaries of published studies.

    Use to set a clinic's figure beside published trials. Do not use when the data are at hand.

    Parameters
    ----------
    treated, control : DataFrame
        One row a study, in the same order: `start_mean`, `latest_mean`, `start_sd`, `n` (at least
        2 in a group).

    Returns
    -------
    DataFrame
        `d_ppc1` (each group's change over its own SD) and `d_ppc2` (over the pooled SD), with the
        approximate small-sample correction 1 - 3 / (4 df - 1) of the source.

    Raises
    ------
    DataError
        If a column is absent or the tables differ in length.

    References
    ----------
    Morris (2008) Organ Res Methods 11:364-386, doi:10.1177/1094428106291059, equations 4 and 8.

    Examples
    --------
    >>> rows = pre_post_control(
    ...     pd.DataFrame({"start_mean": [30.6], "latest_mean": [38.5], "start_sd": [15.0],
    ...                   "n": [20]}),
    ...     pd.DataFrame({"start_mean": [23.1], "latest_mean": [19.7], "start_sd": [13.8],
    ...                   "n": [20]}))
    >>> rows.round(2).values.tolist()
    [[0.74, 0.77]]
    """
    needed = ["start_mean", "latest_mean", "start_sd", "n"]
    check_columns(treated, needed, thing="the treated groups")
    check_columns(control, needed, thing="the control groups")
    if len(treated) != len(control):
        raise DataError("the two tables must have one row per study each. Match the studies.")
    t, c = (frame[needed].to_numpy(float).T for frame in (treated, control))
    (change_t, sd_t, n_t), (change_c, sd_c, n_c) = ((m[1] - m[0], m[2], m[3]) for m in (t, c))

    def correction(df: np.ndarray) -> np.ndarray:
        return 1 - 3 / (4 * df - 1)

    pooled = np.sqrt(((n_t - 1) * sd_t**2 + (n_c - 1) * sd_c**2) / (n_t + n_c - 2))
    return pd.DataFrame(
        {
            "d_ppc1": correction(n_t - 1) * change_t / sd_t - correction(n_c - 1) * change_c / sd_c,
            "d_ppc2": correction(n_t + n_c - 2) * (change_t - change_c) / pooled,
        }
    )
