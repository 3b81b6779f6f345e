"""A repeatability study's errors side by side: every comparison, and what more readings buy.

Notation as in `error_design`: a recorded value is the mean of some trials by some raters.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_between, check_choice, check_count
from outcomes.statistics.repeatability.detectable_change import minimal_detectable_change
from outcomes.statistics.repeatability.error_design import comparison
from outcomes.statistics.repeatability.measurement_error import MeasurementError

__all__ = ["averaging_table", "error_table"]

#: Quantity, and what `minimal_detectable_change` calls it ("" for the error itself).
_QUANTITIES: dict[str, Any] = {
    "standard error of measurement": "",
    "minimal detectable change": "change",
    "minimal detectable side difference": "side difference",
    "minimal detectable change of a side difference": "change of side difference",
}


def error_table(
    study: MeasurementError,
    *,
    confidence: float = 0.95,
    trials: Sequence[int] = (1, 2, 3),
    group_sizes: Sequence[int] = (10, 30),
) -> pd.DataFrame:
    """List the error and the detectable change of every comparison that the study can tell.

    Use it to read off the one row that fits the clinic: same or other rater, same or another day,
    single reading or mean. Do not pick the smallest.

    Parameters
    ----------
    study : MeasurementError
    confidence : float, default 0.95
        At which a change counts as detectable; the interval level is the study's.
    trials : sequence of int
        Trials averaged.
    group_sizes : sequence of int
        Clients in a group's mean, for the change of that mean that error alone rarely produces.

    Returns
    -------
    DataFrame
        question (the comparison), quantity, trials_averaged, estimate, ci_low, ci_high, ci_level,
        confidence, unit, n, method.

    Examples
    --------
    >>> from outcomes.statistics.repeatability import measurement_error
    >>> readings = pd.DataFrame({"client": list("aabbcc"), "value": [70, 72, 81, 80, 65, 66.0]})
    >>> table = error_table(measurement_error(readings), trials=[1])
    >>> table.loc[:1, "estimate"].round(2).tolist()
    [1.0, 2.77]

    Checked against: Eliasziw et al. 1994 (tests/statistics/repeatability).
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    rows = []
    for session in ("same", "other"):
        for rater in ("same", "other"):
            for k in trials:
                what = comparison(rater=rater, session=session, trials=k)
                try:
                    error = study.standard_error(rater=rater, session=session, trials=k)
                except DataError:
                    continue
                wanted = {
                    quantity: minimal_detectable_change(1.0, confidence=level, of=of) if of else 1.0
                    for quantity, of in _QUANTITIES.items()
                }
                for size in group_sizes:
                    wanted[f"minimal detectable change, mean of {size} clients"] = (
                        minimal_detectable_change(1.0, confidence=level, clients=size)
                    )
                for quantity, factor in wanted.items():
                    rows.append(
                        {
                            "question": what.words,
                            "quantity": quantity,
                            "trials_averaged": k,
                            "estimate": error.estimate * factor,
                            "ci_low": error.ci_low * factor,
                            "ci_high": error.ci_high * factor,
                            "ci_level": error.ci_level,
                            "confidence": level,
                            "unit": error.unit,
                            "n": error.n,
                            "method": error.method,
                        }
                    )
    return pd.DataFrame(rows)


def averaging_table(
    study: MeasurementError,
    *,
    trials: Sequence[int] = (1, 2, 3, 4, 5),
    raters: Sequence[int] = (1, 2, 3),
    rater: str = "same",
    session: str = "same",
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Show how the detectable change falls with more trials or raters per recorded value.

    Use it to decide whether a second trial or a second rater buys more. Assumed: trials of one
    rater are as independent in practice as they were in the study.

    Parameters
    ----------
    study : MeasurementError
    trials, raters : sequence of int
        Averaged into each recorded value.
    rater, session : {"same", "other"}
        As in `MeasurementError.standard_error`.
    confidence : float

    Returns
    -------
    DataFrame
        trials_averaged, raters_averaged, readings_per_value, standard_error_of_measurement,
        minimal_detectable_change, share_of_single (of the single reading's), bought_per_reading
        (fall of the detectable change per reading added), confidence, unit, n. Among rows with
        as many readings, the smallest detectable change marks what buys more.

    Raises
    ------
    ArgumentError, DataError
        No counts; a comparison that the study cannot tell.

    Notes
    -----
    Components that differ between the two values, each over the number of its levels averaged.
    """
    if not len(trials) or not len(raters):
        raise ArgumentError("trials and raters must name at least one count each. Give [1, 2].")
    check_choice("rater", rater, ("same", "other"))
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    single = study.standard_error(rater=rater, session=session).estimate
    factor = minimal_detectable_change(1.0, confidence=level)
    rows = []
    for m in raters:
        for k in trials:
            readings = check_count("raters", m) * check_count("trials", k)
            error = study.standard_error(rater=rater, session=session, trials=k, raters=m).estimate
            rows.append(
                {
                    "trials_averaged": k,
                    "raters_averaged": m,
                    "readings_per_value": readings,
                    "standard_error_of_measurement": error,
                    "minimal_detectable_change": error * factor,
                    "share_of_single": error / single,
                    "bought_per_reading": (single - error) * factor / max(readings - 1, 1),
                    "confidence": level,
                    "unit": study.unit,
                    "n": study.n,
                }
            )
    return pd.DataFrame(rows)
