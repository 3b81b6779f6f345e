"""All indices of all clients in one frame."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from outcomes.errors import DataError, check_between, check_choice
from outcomes.statistics.single_case import magnitude, nonoverlap, rank
from outcomes.statistics.single_case.facts import INDEX_FACTS, SingleCaseIndex
from outcomes.statistics.single_case.phases import PhasePair, read_series

__all__ = ["case_indices"]

_ROW = (
    "index",
    "estimate",
    "ci_low",
    "ci_high",
    "ci_level",
    "p_value",
    "unit",
    "n_baseline",
    "n_treatment",
    "method",
    "question",
    "use_when",
    "do_not_use_when",
    "source",
)


def case_indices(
    values: pd.DataFrame,
    *,
    better: str | Mapping[str, str] = "higher",
    indices: Iterable[str] = tuple(INDEX_FACTS),
    time: str | None = None,
    ci_level: float = 0.95,
) -> pd.DataFrame:
    """Every single-case index of every client, each with its question and its limits.

    Use for the table of results per client. Do not pick the index afterwards: name the one that
    counts in `indices` before looking.

    Parameters
    ----------
    values : DataFrame
        Readings as for `read_series`.
    better : {"higher", "lower"} or mapping of measure to one of them
        Direction of improvement.
    indices : iterable of str
        Keys of `INDEX_FACTS`.
    time : {"week", "day", "visit"}, optional
        Time column.
    ci_level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        One row per series, phase pair and index: the keys, comparison, index, estimate, ci_low,
        ci_high, ci_level, p_value, unit, n_baseline, n_treatment, method, question, use_when,
        do_not_use_when, source, notes. An index that the data do not allow has an empty estimate
        and the reason in notes, so that no client vanishes.

    Raises
    ------
    ArgumentError, DataError
        Unknown index; faults as in `read_series`.

    Examples
    --------
    >>> values = pd.DataFrame({"client": "A", "week": range(6), "value": [1, 1, 1, 5, 6, 7],
    ...                        "phase": ["baseline"] * 3 + ["treatment"] * 3})
    >>> case_indices(values, indices=["nap", "within_case_smd"])["estimate"].tolist()
    [1.0, nan]

    Checked against: the functions of each index. Test: test_single_case_indices.py.
    """
    check_between("ci_level", ci_level, 0, 1)
    wanted = [check_choice("index", index, INDEX_FACTS) for index in indices]
    rows = []
    for one in read_series(values, better=better, time=time):
        direction = "higher" if one.sign > 0 else "lower"
        for pair in one.pairs():
            for index in wanted:
                rows.append(
                    {
                        **one.key,
                        "comparison": pair.comparison,
                        **_row(index, pair, direction, ci_level),
                    }
                )
    return pd.DataFrame(rows)


def _row(index: str, pair: PhasePair, better: str, ci_level: float) -> dict[str, object]:
    try:
        result = _one(index, pair, better, ci_level)
    except DataError as error:
        facts = INDEX_FACTS[index]
        empty: dict[str, object] = dict.fromkeys(_ROW, float("nan"))
        return empty | {
            "index": index,
            "ci_level": ci_level,
            "unit": "",
            "n_baseline": pair.baseline.size,
            "n_treatment": pair.treatment.size,
            "method": "not computed",
            "question": facts.question,
            "use_when": facts.use_when,
            "do_not_use_when": facts.do_not_use_when,
            "source": facts.source,
            "notes": str(error),
        }
    row: dict[str, object] = {name: getattr(result, name) for name in _ROW}
    return row | {"notes": " ".join(result.notes)}


def _one(index: str, pair: PhasePair, better: str, ci_level: float) -> SingleCaseIndex:
    a, b = pair.baseline, pair.treatment
    if index == "nap":
        return nonoverlap.nonoverlap_of_all_pairs(a, b, better=better, ci_level=ci_level)
    if index == "tau":
        return rank.tau(a, b, better=better, ci_level=ci_level)
    if index == "tau_u":
        return rank.tau_u(a, b, better=better)
    if index == "tau_baseline_corrected":
        return rank.baseline_corrected_tau(
            a,
            b,
            better=better,
            baseline_time=pair.baseline_time,
            treatment_time=pair.treatment_time,
            ci_level=ci_level,
        )
    if index == "pnd":
        return nonoverlap.percent_past_best(a, b, better=better)
    if index == "pem":
        return nonoverlap.percent_past_median(a, b, better=better)
    if index == "ird":
        return nonoverlap.improvement_rate_difference(a, b, better=better)
    if index == "log_response_ratio":
        return magnitude.log_response_ratio(a, b, better=better, ci_level=ci_level)
    if index == "within_case_smd":
        return magnitude.within_case_difference(a, b, better=better, ci_level=ci_level)
    return magnitude.two_sd_band(a, b, better=better)
