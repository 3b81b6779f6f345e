"""All reasonable analyses: the declared grid, run in full, and what it says as a whole.

Nothing is picked afterwards: the options are declared, every combination is run, and the result is
how much the headline depends on them (Steegen et al. 2016, Perspect Psychol Sci 11:702;
specification curve: Simonsohn, Simmons & Nelson 2020, Nat Hum Behav 4:1208,
doi:10.1038/s41562-020-0912-z). The analyses rest on the same clients, so their number is no
sample size, and no p-value is made of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import (
    ArgumentError,
    DataError,
    ModelError,
    check_between,
    check_choice,
    check_columns,
    check_positive,
    rows_must,
)
from outcomes.results import Claim
from outcomes.statistics.sensitivity.choices import (
    COURSES,
    MISSING,
    OUTLIERS,
    Headline,
    headline,
    treat_outliers,
    within_window,
)
from outcomes.statistics.time_to_gain.intervals import longest_series

__all__ = ["CHOICES", "Agreement", "agreement", "choices_that_move", "run_grid"]

#: Columns of the grid that name a choice.
CHOICES = ("version", "window", "outliers", "missing", "course", "line", "error")
#: Verdicts on the caseload's mean improvement.
VERDICTS = (
    "better, at least by the line",
    "better, size against the line open",
    "better, less than the line",
    "no change shown",
    "worse",
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Agreement(Claim):
    """How far the analyses agree.

    Attributes
    ----------
    n_analyses, n_failed : int
        Analyses declared; and those that could not be run.
    main_estimate, main_low, main_high : float
        Mean improvement in the main analysis (the first option of every choice).
    main_verdict : str
        Its verdict.
    lowest, median, highest : float
        Of the mean improvement over the analyses.
    share_same_sign : float
        Share of analyses whose improvement has the sign of the main one.
    share_same_verdict : float
        Share with the main verdict.
    share_excluding_zero : float
        Share whose interval excludes zero on the side of the main one.
    moves_most : str
        The choice that moves the improvement most.
    moves_verdict_most : str
        The choice that changes the verdict most often.
    """

    n_analyses: int
    n_failed: int
    main_estimate: float
    main_low: float
    main_high: float
    main_verdict: str
    lowest: float
    median: float
    highest: float
    share_same_sign: float
    share_same_verdict: float
    share_excluding_zero: float
    moves_most: str
    moves_verdict_most: str


def run_grid(
    values: Mapping[str, pd.DataFrame] | pd.DataFrame,
    *,
    lines: Mapping[str, float],
    errors: Mapping[str, float],
    better: str = "higher",
    windows: Mapping[str, float] | None = None,
    outliers: Sequence[str] = OUTLIERS,
    missing: Sequence[str] = MISSING,
    courses: Sequence[str] = COURSES,
    level: float = 0.95,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Run every combination of the declared choices on one measure.

    Use after the main analysis, with the choices that a critical colleague would raise. Do not use
    to look for the analysis that one likes.

    Parameters
    ----------
    values : mapping of str to DataFrame, or DataFrame
        Versions of the measure by name, each with one row per reading: client, episode, visit,
        week, value (side, mode, instrument keep series apart; the longest series of an episode
        counts).
    lines, errors : mapping of str to float
        Smallest important changes, and standard errors of measurement, by where they are from;
        above 0.
    better : {"higher", "lower"}
        Direction that is good.
    windows : mapping of str to float, optional
        Weeks of care that count, by name; default whole episode, first 12 and first 6 weeks.
    outliers, missing, courses : sequence of str
        Rules from `OUTLIERS`, `MISSING`, `COURSES`.
    level : float
        Level of intervals, in (0, 1).
    confidence : float
        Level of the detectable change, in (0, 1).

    Returns
    -------
    DataFrame
        One row per analysis, the main one first: analysis (number), the columns of `CHOICES`,
        line_value, error_value, estimate (mean improvement), ci_low, ci_high, ci_level, n,
        share_detectable (improved by at least the minimal detectable change), share_important
        (improved by at least the line), verdict, main (true for the first), notes (why an
        analysis failed; its numbers are empty).

    Raises
    ------
    ArgumentError
        A choice without options, an unknown rule, or a line or error not above zero.
    DataError
        Missing columns or values.

    Notes
    -----
    Shares come from clients' own first-to-latest changes, for mixed models from their shrunken
    courses.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> values = pd.DataFrame({"client": np.repeat(range(30), 4), "week": [0.0, 2, 4, 6] * 30})
    >>> values = values.assign(episode=1, visit=[1, 2, 3, 4] * 30)
    >>> values["value"] = 50 + 2 * values["week"] + rng.normal(0, 4, 120)
    >>> grid = run_grid(values, lines={"published": 8}, errors={"own": 3}, courses=COURSES[:2])
    >>> len(grid), bool((grid["estimate"] > 0).all())
    (54, True)
    """
    versions = {"as given": values} if isinstance(values, pd.DataFrame) else dict(values)
    spans = dict(windows or {"whole episode": np.inf, "first 12 weeks": 12, "first 6 weeks": 6})
    sign = 1.0 if check_choice("better", better, ("higher", "lower")) == "higher" else -1.0
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    confidence = check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    _check_options(versions, spans, lines, errors, outliers, missing, courses)

    found = []
    for version, span, rule in product(versions, spans, outliers):
        rows = _episodes(versions[version])
        rows = within_window(rows, spans[span])
        rows = treat_outliers(rows, rule, sign)
        for lost, course in product(missing, courses):
            try:
                result: Headline | str = headline(
                    rows, course=course, missing=lost, sign=sign, level=level
                )
            except ModelError as reason:
                result = str(reason)
            named = dict(zip(CHOICES, (version, span, rule, lost, course), strict=False))
            for line, error in product(lines, errors):
                row = {**named, "line": line, "error": error}
                row |= {"line_value": float(lines[line]), "error_value": float(errors[error])}
                found.append(row | _judge(result, lines[line], errors[error], confidence))
    table = pd.DataFrame(found)
    table["ci_level"] = level
    table.insert(0, "analysis", np.arange(1, len(table) + 1))
    table["main"] = table["analysis"] == 1
    order = ["analysis", *CHOICES, "line_value", "error_value", "estimate", "ci_low", "ci_high"]
    order += ["ci_level", "n", "share_detectable", "share_important", "verdict", "main", "notes"]
    return table[order]


def agreement(grid: pd.DataFrame) -> Agreement:
    """Sum up how far the analyses agree in sign and in verdict.

    Parameters
    ----------
    grid : DataFrame
        From `run_grid`.

    Returns
    -------
    Agreement

    Raises
    ------
    ModelError
        If the main analysis could not be run.

    Examples
    --------
    >>> grid = pd.DataFrame({name: ["x", "x"] for name in CHOICES})
    >>> grid["course"] = ["a", "b"]
    >>> grid = grid.assign(estimate=[5.0, 3.0], ci_low=[2.0, -1.0], ci_high=[8.0, 7.0])
    >>> grid["verdict"] = [VERDICTS[1], VERDICTS[3]]
    >>> found = agreement(grid)
    >>> found.share_same_sign, found.share_same_verdict, found.moves_most
    (1.0, 0.5, 'course')
    """
    main = grid.iloc[0]
    if not np.isfinite(main["estimate"]):
        raise ModelError(
            "the main analysis must be possible, and it is not. "
            "Put another option first, or choose a measure with more clients."
        )
    run = grid[grid["estimate"].notna()]
    side = np.sign(main["estimate"])
    clear = run["ci_low"] > 0 if side > 0 else run["ci_high"] < 0
    moves = choices_that_move(grid)
    return Agreement(
        n_analyses=len(grid),
        n_failed=len(grid) - len(run),
        main_estimate=float(main["estimate"]),
        main_low=float(main["ci_low"]),
        main_high=float(main["ci_high"]),
        main_verdict=str(main["verdict"]),
        lowest=float(run["estimate"].min()),
        median=float(run["estimate"].median()),
        highest=float(run["estimate"].max()),
        share_same_sign=float((np.sign(run["estimate"]) == side).mean()),
        share_same_verdict=float((run["verdict"] == main["verdict"]).mean()),
        share_excluding_zero=float(clear.mean()),
        moves_most=_top(moves, "shift"),
        moves_verdict_most=_top(moves, "verdicts_changed"),
    )


def choices_that_move(grid: pd.DataFrame) -> pd.DataFrame:
    """Say which choice moves the headline most.

    Parameters
    ----------
    grid : DataFrame
        From `run_grid`.

    Returns
    -------
    DataFrame
        Choices with at least two options, the one that moves most first: choice, n_options,
        shift (largest less smallest mean of the improvement over the options), share_of_variance
        (of the improvement, explained by this choice alone), verdicts_changed (share of pairs of
        analyses that differ in this choice only and disagree in verdict).

    Examples
    --------
    >>> grid = pd.DataFrame(list(__import__("itertools").product("ab", "cd")))
    >>> grid.columns = ["course", "missing"]
    >>> grid = grid.assign(estimate=[1.0, 2.0, 5.0, 6.0], verdict=["x", "x", "y", "y"])
    >>> choices_that_move(grid)["choice"].tolist()
    ['course', 'missing']
    """
    run = grid[grid["estimate"].notna()]
    names = [name for name in CHOICES if name in run and run[name].nunique() > 1]
    total = float(run["estimate"].var(ddof=0)) if len(run) else 0.0
    found = []
    for name in names:
        means = run.groupby(name)["estimate"].transform("mean")
        others = [other for other in names if other != name]
        found.append(
            {
                "choice": name,
                "n_options": int(run[name].nunique()),
                "shift": float(np.ptp(means)),
                "share_of_variance": float(means.var(ddof=0) / total) if total > 0 else 0.0,
                "verdicts_changed": _disagreeing(run, others),
            }
        )
    columns = ["choice", "n_options", "shift", "share_of_variance", "verdicts_changed"]
    table = pd.DataFrame(found, columns=columns)
    return table.sort_values(
        ["shift", "verdicts_changed"], ascending=False, kind="stable"
    ).reset_index(drop=True)


def _top(moves: pd.DataFrame, by: str) -> str:
    """Name the choice with the largest entry; none where no choice moves anything."""
    if moves.empty or moves[by].max() <= 0:
        return ""
    return str(moves.loc[moves[by].idxmax(), "choice"])


def _disagreeing(run: pd.DataFrame, others: list[str]) -> float:
    """Give the share of pairs with equal other choices whose verdicts differ."""
    groups = run.groupby(others, sort=False) if others else [((), run)]
    pairs = differing = 0.0
    for _, own in groups:
        sizes = own["verdict"].value_counts().to_numpy(float)
        whole = sizes.sum()
        pairs += whole * (whole - 1) / 2
        differing += (whole**2 - (sizes**2).sum()) / 2
    return differing / pairs if pairs else 0.0


def _judge(
    result: Headline | str, line: float, error: float, confidence: float
) -> dict[str, object]:
    if isinstance(result, str):
        empty = dict.fromkeys(
            ["estimate", "ci_low", "ci_high", "share_detectable", "share_important"], np.nan
        )
        return {**empty, "n": 0, "verdict": "not possible", "notes": result}
    detectable = float(stats.norm.ppf(0.5 + confidence / 2)) * np.sqrt(2) * error
    slack = 1 - 1e-9
    low, high = result.ci_low, result.ci_high
    if high < 0:
        verdict = VERDICTS[4]
    elif low <= 0:
        verdict = VERDICTS[3]
    elif low >= line:
        verdict = VERDICTS[0]
    else:
        verdict = VERDICTS[2] if high < line else VERDICTS[1]
    return {
        "estimate": result.estimate,
        "ci_low": low,
        "ci_high": high,
        "n": result.n,
        "share_detectable": float((result.improvements >= detectable * slack).mean()),
        "share_important": float((result.improvements >= line * slack).mean()),
        "verdict": verdict,
        "notes": "",
    }


def _episodes(values: pd.DataFrame) -> pd.DataFrame:
    """Give the longest series of each episode, with one number per episode as `unit`."""
    rows = longest_series(values, least=1)
    unit = rows.groupby(["client", "episode"], sort=True).ngroup()
    rows = rows.assign(unit=unit.to_numpy())
    start = rows.groupby("unit")["week"].transform("first")
    return rows.assign(week=rows["week"] - start)[["unit", "week", "value"]]


def _check_options(
    versions: Mapping[str, pd.DataFrame],
    windows: Mapping[str, float],
    lines: Mapping[str, float],
    errors: Mapping[str, float],
    outliers: Sequence[str],
    missing: Sequence[str],
    courses: Sequence[str],
) -> None:
    named = {
        "values": versions,
        "windows": windows,
        "lines": lines,
        "errors": errors,
        "outliers": outliers,
        "missing": missing,
        "courses": courses,
    }
    for name, options in named.items():
        if len(options) == 0:
            raise ArgumentError(f"{name} must hold at least one option.")
    for name, chosen, known in (
        ("outliers", outliers, OUTLIERS),
        ("missing", missing, MISSING),
        ("courses", courses, COURSES),
    ):
        for option in chosen:
            check_choice(name, option, known)
    for name, numbers in (("lines", lines), ("errors", errors)):
        for value in numbers.values():
            check_positive(name, value)
    for name, weeks in windows.items():
        if not weeks > 0:
            raise ArgumentError(f"windows must be above zero weeks, got {weeks!r} for {name!r}.")
    for frame in versions.values():
        check_columns(frame, ["client", "episode", "visit", "week", "value"], thing="the values")
        if "measure" in frame and frame["measure"].nunique() > 1:
            raise DataError("values must hold one measure. Choose the rows of one.")
        wrong = ~np.isfinite(frame[["week", "value"]].to_numpy(float)).all(axis=1)
        if wrong.any():
            raise rows_must("value", "be a finite number", wrong, "Leave these rows out")
