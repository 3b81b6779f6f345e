"""All reasonable analyses: the declared grid, run in full.

Nothing is picked afterwards: the options are declared, every combination is run, and the result is
how much the headline depends on them (Steegen et al. 2016, Perspect Psychol Sci 11:702;
specification curve: Simonsohn, Simmons & Nelson 2020, Nat Hum Behav 4:1208,
doi:10.1038/s41562-020-0912-z). The analyses rest on the same clients, so their number is no
sample size, and no p-value is made of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from outcomes.statistics.sensitivity.choices import (
    CHOICES,
    COURSES,
    MISSING,
    OUTLIERS,
    VERDICTS,
    Headline,
    headline,
    treat_outliers,
    within_window,
)
from outcomes.statistics.time_to_gain.intervals import longest_series

__all__ = ["run_grid"]


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
