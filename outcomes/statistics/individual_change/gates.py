"""The two gates of a client's change: larger than measurement error, and large enough to matter.

Notation: ``e`` standard error of measurement of one recorded value, ``z`` normal quantile of the
confidence level, ``MDC = z * sqrt(2) * e``, ``MIC`` minimal important change.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from outcomes.errors import check_between
from outcomes.statistics.individual_change._rows import GATE_TOLERANCE, improvements, per_row

__all__ = ["VERDICTS", "count_verdicts", "judge_change"]

#: Every verdict in words, a decline first; the middle zones have names of their own.
VERDICTS = (
    "worsened: detectable and as large as an important change",
    "worsened: detectable",
    "decline as large as an important change, but within measurement error",
    "no detectable change",
    "important in size, but within measurement error",
    "improved: detectable, but too small to matter",
    "improved: detectable",
    "improved: detectable and important",
    "cannot be judged: measurement error not known",
)
(_WORSE_MUCH, _WORSE, _DOWN_UNSURE, _NONE, _UP_UNSURE, _SMALL, _BETTER, _BEST, _UNKNOWN) = VERDICTS


def judge_change(
    pairs: pd.DataFrame,
    *,
    standard_error_of_measurement: Any = None,
    minimal_important_change: Any = None,
    better: Any = None,
    confidence: float = 0.95,
    minimal_important_worsening: Any = None,
) -> pd.DataFrame:
    """Say of each client whether the change is beyond measurement error, and whether it matters.

    Use for first against latest reading with a known measurement error. With three or more visits
    the model's verdict knows more. Do not use on a before-treatment against an after-treatment
    reading.

    Parameters
    ----------
    pairs : DataFrame
        One row a client and measure with `start_value` and `latest_value`; other columns stay.
    standard_error_of_measurement : float, one per row, or None
        SD of the error of one recorded value, in the measure's unit, > 0. None takes the column of
        that name. An empty row cannot be judged, and its verdict says so.
    minimal_important_change : float, one per row, or None
        Smallest change that clients call important, > 0. None takes the column of that name; empty
        means that no defensible one exists, and the row gets the first gate only.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction. None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level of the first gate, in (0, 1); two-sided.
    minimal_important_worsening : float, one per row, or None
        Size of an important decline; None mirrors `minimal_important_change`.

    Returns
    -------
    DataFrame
        The columns of `pairs`, then `change`, `improvement`, `standard_error_of_measurement`,
        `minimal_detectable_change`, `minimal_important_change`, `confidence`, `detectable` (either
        direction), `important`, `worsened` (detectably), `chance_improved`, `chance_important`,
        `chance_worse` (from these two readings alone) and `verdict`, one of `VERDICTS`.

    Raises
    ------
    DataError
        If a value is not a number or a threshold not above zero.
    ArgumentError
        If an argument has the wrong length, or `confidence` is outside (0, 1).

    Notes
    -----
    detectable: abs(improvement) >= z(1 - (1 - confidence)/2) * sqrt(2) * e. The chances are
    Phi((improvement - line) / (sqrt(2) * e)) with line 0 or the minimal important change: no
    knowledge of other clients goes in, so a large first deviation is believed too readily.

    References
    ----------
    Weir (2005) J Strength Cond Res 19:231-240, doi:10.1519/15184.1. Terwee et al. (2021) Qual Life
    Res 30:2729-2754, doi:10.1007/s11136-021-02925-y.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": [50.0, 50.0], "latest_value": [62.0, 55.0]})
    >>> judged = judge_change(pairs, standard_error_of_measurement=3.0, minimal_important_change=5)
    >>> judged["verdict"].to_list()
    ['improved: detectable and important', 'important in size, but within measurement error']

    Checked against: Weir 2005's minimal difference; the gates recomputed row by row in the tests.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    _, change, improvement = improvements(pairs, better=better)
    error = per_row("standard_error_of_measurement", standard_error_of_measurement, pairs)
    line = per_row("minimal_important_change", minimal_important_change, pairs)
    decline = per_row("minimal_important_worsening", minimal_important_worsening, pairs)
    decline = np.where(np.isnan(decline), line, decline)
    detectable_change = ndtri(1 - (1 - confidence) / 2) * np.sqrt(2) * error

    up, down = _reaches(improvement, detectable_change), _reaches(-improvement, detectable_change)
    matters, matters_down = _reaches(improvement, line), _reaches(-improvement, decline)
    known, has_line = ~np.isnan(error), ~np.isnan(line)
    words = np.select(
        [~known, down & matters_down, down, matters_down, up & matters, up & has_line, up, matters],
        [_UNKNOWN, _WORSE_MUCH, _WORSE, _DOWN_UNSURE, _BEST, _SMALL, _BETTER, _UP_UNSURE],
        default=_NONE,
    )
    spread = np.sqrt(2) * error
    judged = pairs.drop(columns=[c for c in _ADDED if c in pairs.columns]).assign(
        change=change,
        improvement=improvement,
        standard_error_of_measurement=error,
        minimal_detectable_change=detectable_change,
        minimal_important_change=line,
        confidence=confidence,
        detectable=_truth(up | down, known),
        important=_truth(matters, has_line),
        worsened=_truth(down, known),
        chance_improved=ndtr(improvement / spread),
        chance_important=ndtr((improvement - line) / spread),
        chance_worse=ndtr(-improvement / spread),
        verdict=pd.array(words, dtype="str"),
    )
    return judged


_ADDED = (
    "change improvement standard_error_of_measurement minimal_detectable_change "
    "minimal_important_change confidence detectable important worsened chance_improved "
    "chance_important chance_worse verdict"
).split()


def count_verdicts(judged: pd.DataFrame) -> pd.DataFrame:
    """Count the clients with each verdict, a decline first.

    Parameters
    ----------
    judged : DataFrame
        What `judge_change` gave.

    Returns
    -------
    DataFrame
        `verdict`, `count`, `n`, `share`; every verdict has its row, also those with no client.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": [50.0], "latest_value": [62.0]})
    >>> counts = count_verdicts(judge_change(pairs, standard_error_of_measurement=3.0))
    >>> counts.loc[counts["count"] > 0, "verdict"].item()
    'improved: detectable'
    """
    counts = judged["verdict"].value_counts().reindex(list(VERDICTS), fill_value=0)
    n = len(judged)
    return pd.DataFrame(
        {
            "verdict": list(VERDICTS),
            "count": counts.to_numpy(int),
            "n": n,
            "share": counts.to_numpy(float) / max(n, 1),
        }
    )


def _reaches(size: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Tell where a size is at least the line, to the last bit but one; False where no line."""
    with np.errstate(invalid="ignore"):
        return size >= line - GATE_TOLERANCE * np.abs(line)


def _truth(values: np.ndarray, known: np.ndarray) -> pd.arrays.BooleanArray:
    return pd.arrays.BooleanArray(np.asarray(values, dtype=bool) & known, ~known)
