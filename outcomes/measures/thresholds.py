"""From published figures to the two numbers that a verdict rests on.

Notation
--------
SEM, spelled `standard_error_of_measurement` everywhere: standard deviation of the error of one
recorded value. MDC, `minimal_detectable_change`: ``z * sqrt(2) * SEM``, where z is the two-sided
standard normal quantile of the confidence (1.645 at 90%, 1.960 at 95%), and sqrt(2) stands for
the two values that a change is made of. MIC, `minimal_important_change`: the smallest change that
clients call important.

Limits of agreement between two raters, ``bias +/- half_width`` at 95%, spread by the error of two
readings, so ``SEM = half_width / (z * sqrt(2))`` as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from outcomes.measures.catalogue import Measure, Published, get, sources
from outcomes.measures.units import convert_size

__all__ = ["ERROR_KINDS", "Threshold", "default_error", "default_importance"]

#: Kinds of figure from which a standard error of measurement follows.
ERROR_KINDS = (
    "standard_error_of_measurement",
    "minimal_detectable_change",
    "limits_of_agreement",
)


@dataclass(frozen=True)
class Threshold:
    """A number that a change is held against, where it is from, and why it was taken.

    Attributes
    ----------
    measure : str
        Code of the measure.
    kind : str
        ``"standard_error_of_measurement"``, ``"minimal_detectable_change"``,
        ``"minimal_important_change"`` or another kind of the catalogue.
    value : float
        In `unit`.
    unit : str
        The measure's own unit.
    confidence : float or None
        Level, in (0, 1), of a detectable change; None for the other kinds.
    rater, mode, instrument, population : str
        Conditions of the study; empty where it does not say.
    source, citation : str
        Key and citation of the publication, or ``"own study"``.
    status : str
        ``"read"``, ``"memory"``, ``"common practice"``, ``"derived"`` (computed from a figure
        that was read or recalled; the reasons say which) or ``"own study"``.
    reasons : tuple of str
        Why this figure, and what was done to it, one sentence each.
    """

    measure: str
    kind: str
    value: float
    unit: str
    confidence: float | None = None
    rater: str = ""
    mode: str = ""
    instrument: str = ""
    population: str = ""
    source: str = ""
    citation: str = ""
    status: str = ""
    reasons: tuple[str, ...] = ()


def default_error(code: str) -> Threshold | None:
    """Give the measurement error that a clinic without a study of its own should assume.

    Use it to judge whether a client's change is detectable. Do not use it where the clinic has
    estimated its own error: `outcomes.measures.own_thresholds.resolve_error` prefers that.

    Parameters
    ----------
    code : str
        Code of the measure.

    Returns
    -------
    Threshold or None
        A standard error of measurement in the unit of the measure, with the reasons for the
        choice; None where nothing usable is published.

    Raises
    ------
    ArgumentError
        If the catalogue does not have the measure.

    Examples
    --------
    >>> error = default_error("quickdash")
    >>> round(error.value, 2), error.unit, error.source
    (5.52, 'points', 'franchignoni2014')
    >>> default_error("shoulder_extension") is None
    True

    Checked against: Franchignoni 2014, whose detectable change 12.85 at 90% comes back.
    """
    measure = get(code)
    for figure in measure.published:
        if figure.default_because and figure.kind in ERROR_KINDS:
            return as_error(measure, figure, (figure.default_because,))
    return None


def default_importance(code: str) -> Threshold | None:
    """Give the smallest important change that a clinic should assume.

    Parameters
    ----------
    code : str
        Code of the measure.

    Returns
    -------
    Threshold or None
        A minimal important change in the unit of the measure, with the reasons for the choice;
        None where none is defensible, as for most ranges of motion.

    Raises
    ------
    ArgumentError
        If the catalogue does not have the measure.

    Examples
    --------
    >>> default_importance("ndi").value
    15.0
    >>> default_importance("cervical_rotation") is None
    True
    """
    measure = get(code)
    for figure in measure.published:
        if figure.default_because and figure.kind == "minimal_important_change":
            return as_change(measure, figure, (figure.default_because,))
    return None


def quantile(confidence: float) -> float:
    """Two-sided standard normal quantile: 1.96 for 0.95."""
    return NormalDist().inv_cdf((1 + confidence) / 2)


def single_value(figure: Published) -> tuple[float | None, tuple[str, ...]]:
    """Take one number from a figure: the value, or the upper end of a printed range."""
    if figure.kind == "limits_of_agreement":
        return figure.figures.get("half_width"), ()
    if figure.value is not None:
        return float(figure.value), ()
    if figure.high is not None:
        low = f"{figure.low:g} to {figure.high:g} {figure.unit}".strip()
        return float(figure.high), (f"Printed as {low}; the upper end is used.",)
    return None, ()


def as_error(
    measure: Measure, figure: Published, reasons: tuple[str, ...] = ()
) -> Threshold | None:
    """Turn a figure into a standard error of measurement, or None where that cannot be done."""
    number, why = single_value(figure)
    if number is None:
        return None
    converted, unit_why = convert_size(number, measure, figure.unit)
    if converted is None:
        return None
    status = figure.status
    if figure.kind != "standard_error_of_measurement":
        if figure.confidence is None:
            return None
        converted /= quantile(figure.confidence) * sqrt(2)
        status = "derived"
        why += (_derivation(figure, number),)
    return _threshold(
        measure,
        figure,
        kind="standard_error_of_measurement",
        value=converted,
        status=status,
        reasons=reasons + why + unit_why + _caution(figure),
    )


def as_change(
    measure: Measure, figure: Published, reasons: tuple[str, ...] = ()
) -> Threshold | None:
    """Turn a figure of any kind into a threshold in the unit of the measure, or None."""
    number, why = single_value(figure)
    if number is None:
        return None
    converted, unit_why = convert_size(number, measure, figure.unit)
    if converted is None:
        return None
    return _threshold(
        measure,
        figure,
        kind=figure.kind,
        value=converted,
        status=figure.status,
        confidence=figure.confidence,
        reasons=reasons + why + unit_why + _caution(figure),
    )


def _threshold(
    measure: Measure,
    figure: Published,
    *,
    kind: str,
    value: float,
    status: str,
    reasons: tuple[str, ...],
    confidence: float | None = None,
) -> Threshold:
    return Threshold(
        measure=measure.code,
        kind=kind,
        value=value,
        unit=measure.unit,
        confidence=confidence,
        rater=figure.rater,
        mode=figure.mode,
        instrument=figure.instrument,
        population=figure.population,
        source=figure.source,
        citation=sources()[figure.source].citation,
        status=status,
        reasons=reasons,
    )


def _derivation(figure: Published, number: float) -> str:
    level = f"{100 * (figure.confidence or 0):g}%"
    if figure.kind == "limits_of_agreement":
        what = f"limits of agreement of +/-{number:g} at {level}"
    else:
        basis = figure.confidence_basis
        basis = "" if basis in ("", "stated") else f", level {basis}"
        what = f"the published detectable change of {number:g} at {level}{basis}"
    z = quantile(figure.confidence or 0.95)
    return f"Derived: {what}, divided by {z:.3f} x sqrt(2)."


def _caution(figure: Published) -> tuple[str, ...]:
    said = []
    if figure.note:
        said.append(f"Of the study: {figure.note}.")
    if figure.status == "memory":
        said.append("The figure is from memory and was not checked in the publication.")
    return tuple(said)
