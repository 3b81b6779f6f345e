"""Which measurement error and which important change a reading is judged by.

The clinic's own values go before published ones, for they were taken by its raters, with its
instruments, on its clients. Every answer says why it was chosen.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from math import sqrt

from outcomes.measures.catalogue import Measure, get
from outcomes.measures.matching import same_instrument
from outcomes.measures.own_thresholds import OwnThreshold
from outcomes.measures.thresholds import (
    Threshold,
    default_error,
    default_importance,
    quantile,
)

__all__ = ["resolve_error", "resolve_importance"]


def resolve_error(
    code: str,
    *,
    own_thresholds: Iterable[OwnThreshold] = (),
    instrument: str = "",
    mode: str = "",
    rater: str = "",
) -> Threshold | None:
    """Find the measurement error to judge by: the clinic's own where it fits, else published.

    Parameters
    ----------
    code : str
        Code of the measure.
    own_thresholds : iterable of OwnThreshold
        From `read_own_thresholds`.
    instrument, mode, rater : str
        How the readings were taken; empty where not known.

    Returns
    -------
    Threshold or None
        A standard error of measurement; its reasons say why this one, and in what the study
        differs from the readings. None where nothing is known.

    Raises
    ------
    ArgumentError
        If the catalogue does not have the measure.

    Examples
    --------
    >>> own = OwnThreshold(measure="tragus_to_wall", value=0.6,
    ...                    kind="standard_error_of_measurement")
    >>> resolve_error("tragus_to_wall", own_thresholds=[own]).source
    'own study'
    >>> resolve_error("tragus_to_wall") is None
    True
    """
    measure = get(code)
    kinds = ("standard_error_of_measurement", "minimal_detectable_change")
    found, why_not = _best_own(code, own_thresholds, kinds, instrument, mode, rater)
    if found is not None:
        return _own_error(measure, found)
    published = default_error(code)
    if published is None:
        return None
    said = list(why_not)
    if mode and published.mode and published.mode != mode:
        said.append(
            f"The study took {published.mode} movement, these readings are {mode}: used for want "
            "of a value of the clinic's own."
        )
    if (
        instrument
        and published.instrument
        and not same_instrument(instrument, published.instrument)
    ):
        said.append(
            f"The study used a {published.instrument}, these readings another instrument: used "
            "for want of a value of the clinic's own."
        )
    return _with_reasons(published, said)


def resolve_importance(
    code: str, *, own_thresholds: Iterable[OwnThreshold] = ()
) -> Threshold | None:
    """Find the smallest important change to judge by: the clinic's own, else published.

    Parameters
    ----------
    code : str
        Code of the measure.
    own_thresholds : iterable of OwnThreshold
        From `read_own_thresholds`.

    Returns
    -------
    Threshold or None
        A minimal important change with its reasons; None where none is defensible.

    Raises
    ------
    ArgumentError
        If the catalogue does not have the measure.
    """
    measure = get(code)
    found, why_not = _best_own(code, own_thresholds, ("minimal_important_change",), "", "", "")
    if found is not None:
        return _own(measure, found, kind=found.kind, value=found.value)
    published = default_importance(code)
    return None if published is None else _with_reasons(published, why_not)


def _with_reasons(threshold: Threshold, said: Iterable[str]) -> Threshold:
    return replace(threshold, reasons=(*threshold.reasons, *said))


def _best_own(
    code: str,
    own: Iterable[OwnThreshold],
    kinds: tuple[str, ...],
    instrument: str,
    mode: str,
    rater: str,
) -> tuple[OwnThreshold | None, tuple[str, ...]]:
    """Choose among the clinic's own values: exact conditions first, then newest, then largest."""
    mine = [entry for entry in own if entry.measure == code and entry.kind in kinds]
    fitting = []
    for entry in mine:
        other_mode = entry.mode and mode and entry.mode != mode
        other = entry.instrument and instrument
        if other_mode or (other and not same_instrument(instrument, entry.instrument)):
            continue
        rank = (
            entry.instrument == instrument,
            bool(entry.instrument and instrument),
            bool(entry.mode and entry.mode == mode),
            bool(entry.rater and entry.rater == rater),
            entry.kind == kinds[0],
            entry.date or date.min,
            entry.n or 0,
        )
        fitting.append((rank, entry))
    if fitting:
        return max(fitting, key=lambda pair: pair[0])[1], ()
    if not mine:
        return None, ()
    held = sorted({" ".join(w for w in (e.mode, e.instrument) if w) for e in mine})
    return None, (f"The clinic's own value is for {', '.join(held)} and does not fit here.",)


def _own_error(measure: Measure, entry: OwnThreshold) -> Threshold:
    if entry.kind == "standard_error_of_measurement":
        return _own(measure, entry, kind=entry.kind, value=entry.value)
    z = quantile(entry.confidence or 0.95)
    level = f"{100 * (entry.confidence or 0.95):g}%"
    why = (f"Derived: detectable change at {level}, divided by {z:.3f} x sqrt(2).",)
    kind = "standard_error_of_measurement"
    return _own(measure, entry, kind=kind, value=entry.value / (z * sqrt(2)), why=why)


def _own(
    measure: Measure, entry: OwnThreshold, *, kind: str, value: float, why: tuple[str, ...] = ()
) -> Threshold:
    reasons = ["Measured in this clinic, so it goes before published values."]
    if entry.design or entry.n:
        size = f", n = {entry.n}" if entry.n else ""
        reasons.append(f"Design: {entry.design or 'not stated'}{size}.")
    if entry.ci_low is not None and entry.ci_high is not None:
        reasons.append(f"95% interval {entry.ci_low:g} to {entry.ci_high:g} {measure.unit}.")
    return Threshold(
        measure=measure.code,
        kind=kind,
        value=value,
        unit=measure.unit,
        rater=entry.rater,
        mode=entry.mode,
        instrument=entry.instrument,
        population="clients of this clinic",
        source=entry.source,
        citation=entry.source + (f" of {entry.date.isoformat()}" if entry.date else ""),
        status="own study",
        reasons=(*reasons, *why),
    )
