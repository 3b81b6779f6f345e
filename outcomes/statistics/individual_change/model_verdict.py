"""The model's verdict: how sure one can be that a client truly gained, from all of the visits.

Notation: ``d`` true improvement from first to latest visit, positive is better; ``MIC`` minimal
important change with standard error ``q``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_between, check_columns
from outcomes.statistics.individual_change._rows import per_row
from outcomes.statistics.individual_change.client_courses import ClientCourses, fit_client_courses

__all__ = ["MODEL_VERDICTS", "judge_with_model", "reconcile", "verdict_from_courses"]

#: The model's verdicts in words, a decline first.
MODEL_VERDICTS = (
    "worse",
    "probably worse",
    "no clear change",
    "probably improved",
    "improved, but too little to matter",
    "improved",
    "improved, importance unsure",
    "improved importantly",
    "cannot be judged: one visit",
)
(_WORSE, _LIKELY_WORSE, _UNCLEAR, _LIKELY, _LITTLE, _BETTER, _UNSURE, _IMPORTANT, _ONCE) = (
    MODEL_VERDICTS
)


def judge_with_model(
    values: pd.DataFrame,
    *,
    better: str = "higher",
    standard_error_of_measurement: Any = None,
    minimal_important_change: float | None = None,
    minimal_important_change_error: float = 0.0,
    confidence: float = 0.95,
    sure: float = 0.95,
    probable: float = 0.80,
    clock: str = "week",
) -> pd.DataFrame:
    """Give the chance that each client truly improved, by how much, and whether it matters.

    Use as the default verdict where the caseload has a mixed model: it uses every visit and knows
    how clients like this one usually do. Do not use it for a client unlike the rest of the
    caseload: the model draws such a client towards them.

    Parameters
    ----------
    values, standard_error_of_measurement, clock
        One measure's visits, as `fit_client_courses` takes them.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    minimal_important_change : float or None
        Smallest change that clients call important, > 0; None where none is defensible.
    minimal_important_change_error : float
        Standard error of that threshold, >= 0; widens what is known about importance.
    confidence : float
        Level of the interval, in (0, 1).
    sure, probable : float
        Chances from which the verdict speaks plainly, and from which it says "probably".
    clock : ``"week"`` or ``"visit"``
        What the course runs over.

    Returns
    -------
    DataFrame
        One row per client and episode: keys, `n_visits`, `estimate` (true improvement), `ci_low`,
        `ci_high`, `ci_level`, `minimal_important_change`, `chance_improved`, `chance_important`,
        `chance_worse`, `chance_importantly_worse`, `model_verdict`, one of `MODEL_VERDICTS`.

    Raises
    ------
    DataError, ModelError
        As `fit_client_courses`.
    ArgumentError
        If a number is outside its range.

    Notes
    -----
    chance_important = P(d - MIC > 0) with variance Var(d) + q^2. Intervals are equal-tailed
    quantiles of the posterior mixture over scales. A chance is only as good as the normal shape of
    the clients' gains; its calibration is measured in tests/evidence.

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
    >>> judged = judge_with_model(values, minimal_important_change=5)
    >>> judged["model_verdict"].value_counts().idxmax()
    'improved importantly'

    Checked against: `MixedModelFit.predict_contrast`; planted truth and calibration in
    tests/evidence.
    """
    courses = fit_client_courses(
        values, standard_error_of_measurement=standard_error_of_measurement, clock=clock
    )
    return verdict_from_courses(
        courses,
        better=better,
        minimal_important_change=minimal_important_change,
        minimal_important_change_error=minimal_important_change_error,
        confidence=confidence,
        sure=sure,
        probable=probable,
    )


def verdict_from_courses(
    courses: ClientCourses,
    *,
    better: str = "higher",
    minimal_important_change: float | None = None,
    minimal_important_change_error: float = 0.0,
    confidence: float = 0.95,
    sure: float = 0.95,
    probable: float = 0.80,
) -> pd.DataFrame:
    """Give the verdicts of `judge_with_model` from courses already fitted."""
    if better not in ("higher", "lower"):
        raise ArgumentError(f"better must be 'higher' or 'lower', got {better!r}.")
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_between("sure", sure, 0.5, 1, remedy="Give 0.95")
    check_between("probable", probable, 0.5, sure, remedy="Give 0.8", closed=True)
    frame = courses.series
    line = per_row("minimal_important_change", minimal_important_change, frame)
    line_error = per_row(
        "minimal_important_change_error", minimal_important_change_error, frame, zero=True
    )
    gain = courses.first_to_latest().turned(1.0 if better == "higher" else -1.0)
    once = frame["n_visits"].to_numpy() < 2
    tail = (1 - confidence) / 2
    doubtful = gain.widened(line_error**2)
    table = pd.DataFrame(
        {
            "estimate": gain.mean,
            "ci_low": gain.quantile(tail),
            "ci_high": gain.quantile(1 - tail),
            "ci_level": confidence,
            "minimal_important_change": line,
            "chance_improved": gain.chance_above(0.0),
            "chance_important": doubtful.chance_above(line),
            "chance_worse": 1 - gain.chance_above(0.0),
            "chance_importantly_worse": doubtful.turned(-1.0).chance_above(line),
        }
    )
    unknown = [c for c in table.columns if c not in ("ci_level", "minimal_important_change")]
    table.loc[once, unknown] = np.nan
    keys = [c for c in ("client", "episode", "n_visits") if c in frame.columns]
    table = pd.concat([frame[keys], table], axis=1)
    table["model_verdict"] = pd.array(_words(table, once, sure, probable), dtype="str")
    return table


def _words(table: pd.DataFrame, once: np.ndarray, sure: float, probable: float) -> np.ndarray:
    up = table["chance_improved"].to_numpy()
    down = table["chance_worse"].to_numpy()
    matters = table["chance_important"].to_numpy()
    no_line = np.isnan(matters)
    return np.select(
        [
            once,
            down >= sure,
            matters >= sure,
            (up >= sure) & no_line,
            (up >= sure) & (matters <= 1 - sure),
            up >= sure,
            down >= probable,
            up >= probable,
        ],
        [_ONCE, _WORSE, _IMPORTANT, _BETTER, _LITTLE, _UNSURE, _LIKELY_WORSE, _LIKELY],
        default=_UNCLEAR,
    )


def reconcile(judged: pd.DataFrame, by_model: pd.DataFrame) -> pd.DataFrame:
    """Set the cut-off's verdict beside the model's, and say in words why they differ.

    Use whenever both are shown. The model's verdict leads; a difference is no error of either, but
    a reason to look at the client's course.

    Parameters
    ----------
    judged : DataFrame
        What `judge_change` gave, for one measure.
    by_model : DataFrame
        What `judge_with_model` gave, for the same measure.

    Returns
    -------
    DataFrame
        The rows of `by_model` with the cut-off's `improvement`, `minimal_detectable_change`,
        `verdict` joined by client (and episode), `verdicts_differ` and `reconciliation`. Clients
        who are in `by_model` alone have them empty.

    Raises
    ------
    DataError
        If a column is absent.

    Examples
    --------
    >>> judged = pd.DataFrame({"client": ["a"], "improvement": [2.0], "verdict": ["-"],
    ...     "minimal_detectable_change": [8.0], "detectable": [False], "worsened": [False],
    ...     "important": [False]})
    >>> by_model = pd.DataFrame({"client": ["a"], "n_visits": [8], "estimate": [6.0],
    ...     "model_verdict": ["improved"]})
    >>> bool(reconcile(judged, by_model)["verdicts_differ"][0])
    True
    """
    keys = [c for c in ("client", "episode") if c in judged.columns and c in by_model.columns]
    taken = ["improvement", "minimal_detectable_change", "detectable", "worsened", "verdict"]
    check_columns(judged, ["client", *taken], thing="the cut-off's verdicts")
    check_columns(by_model, ["client", "estimate", "model_verdict"], thing="the model's verdicts")
    table = by_model.merge(judged[keys + taken], on=keys, how="left", validate="one_to_one")
    detectable = table["detectable"].astype("boolean")
    worsened = table["worsened"].astype("boolean").fillna(False).to_numpy(bool)
    known = detectable.notna().to_numpy(bool)
    up_cut = detectable.fillna(False).to_numpy(bool) & ~worsened
    model = table["model_verdict"]
    up_model = model.isin([_LITTLE, _BETTER, _UNSURE, _IMPORTANT]).to_numpy()
    down_model = (model == _WORSE).to_numpy()
    beyond = (table["improvement"] - table["estimate"]).to_numpy(float)
    words = np.select(
        [
            ~known,
            (up_cut & down_model) | (worsened & up_model),
            (up_cut & up_model) | (worsened & down_model),
            up_cut & (beyond > 0),
            up_cut,
            worsened & (beyond < 0),
            worsened,
            up_model,
            down_model,
        ],
        [
            "No cut-off verdict.",
            "The two contradict each other: look at the course before saying anything.",
            "Both agree.",
            "The cut-off sees an improvement; the other visits do not bear out all of it.",
            "The cut-off sees an improvement; the visits leave room for doubt.",
            "The cut-off sees a decline; the other visits do not bear it all out. Measure again.",
            "The cut-off sees a decline; the visits leave room for doubt. Measure again.",
            "First against latest stays within measurement error, but the visits together show an "
            "improvement.",
            "First against latest stays within measurement error, but the visits together show a "
            "decline.",
        ],
        default="Both see no clear change.",
    )
    differ = known & ((up_cut != up_model) | (worsened != down_model))
    return table.drop(columns=["detectable", "worsened"]).assign(
        verdicts_differ=differ, reconciliation=pd.array(words, dtype="str")
    )
