"""Which published figure fits a clinic's way of measuring, and by what reasons.

A figure taken on passive movement says nothing about active movement, and one taken with a
goniometer little about an inclinometer: such matches are refused unless asked for. What remains
is ranked by how well its conditions agree with those asked for; nothing is averaged here
(`outcomes.measures.spread` does that) and nothing is made up.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import sqrt
from typing import NamedTuple

import pandas as pd

from outcomes.errors import ArgumentError, check_between, check_choice
from outcomes.measures.catalogue import Measure, Published, get
from outcomes.measures.thresholds import (
    ERROR_KINDS,
    Threshold,
    as_change,
    as_error,
    quantile,
)

__all__ = ["KINDS", "RATERS", "all_thresholds", "same_instrument", "threshold"]

#: Kinds that can be asked for.
KINDS = (
    "standard_error_of_measurement",
    "minimal_detectable_change",
    "minimal_important_change",
    "minimal_important_worsening",
    "acceptable_state",
)
RATERS = ("same rater", "between raters")


class _Asked(NamedTuple):
    kind: str
    rater: str
    mode: str
    instrument: str
    population: str
    other_modes: bool
    other_instruments: bool


def threshold(
    measure: str,
    *,
    kind: str,
    rater: str | None = None,
    mode: str | None = None,
    instrument: str | None = None,
    population: str | None = None,
    confidence: float = 0.95,
    source: str = "best match",
    other_modes: bool = False,
    other_instruments: bool = False,
) -> Threshold:
    """Find the published threshold that fits how the clinic measures, with the reasons.

    Use to see or choose a value for given conditions. For the value that reports use when nothing
    is asked for, see `default_error` and `default_importance`.

    Parameters
    ----------
    measure : str
        Code in the catalogue.
    kind : str
        One of `KINDS`. Error and detectable change are found through one another.
    rater : {"same rater", "between raters"}, optional
        Who measured twice. A preference: another value is taken where none fits, and said.
    mode : {"active", "passive"}, optional
        Figures of the other mode are refused.
    instrument : str, optional
        As recorded, e.g. ``"goniometer"``; figures of another instrument are refused.
    population : str, optional
        Words to look for, e.g. ``"neck pain"``. A preference.
    confidence : float in (0, 1)
        Level of a detectable change; converted through the standard error of measurement.
    source : str
        ``"best match"``, ``"default"``, or the key of a publication.
    other_modes, other_instruments : bool
        Allow what is refused otherwise; the reasons then say so.

    Returns
    -------
    Threshold

    Raises
    ------
    ArgumentError
        If nothing published fits; the message names what there is.

    Notes
    -----
    MDC at level c = z(c) * sqrt(2) * SEM, so MDC95 = MDC90 * 1.960 / 1.645.

    Examples
    --------
    >>> found = threshold("quickdash", kind="minimal_detectable_change")
    >>> round(found.value, 2), found.confidence
    (15.31, 0.95)
    >>> threshold("shoulder_flexion", kind="standard_error_of_measurement", mode="active").source
    'kolber2011'

    Checked against: Franchignoni 2014, 12.85 at 90%, times 1.96 / 1.645.
    """
    what = get(measure)
    check_choice("kind", kind, KINDS)
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    if rater is not None:
        check_choice("rater", rater, RATERS)
    if mode is not None:
        check_choice("mode", mode, ("active", "passive"))
    asked = _Asked(
        kind=kind,
        rater=rater or "",
        mode=mode or "",
        instrument=instrument or "",
        population=population or "",
        other_modes=other_modes,
        other_instruments=other_instruments,
    )
    usable = [(f, found) for f in what.published if (found := _as_asked(what, f, asked))]
    if not usable:
        raise _nothing(what, kind)
    fitting = [pair for pair in usable if _source_fits(pair[0], source)]
    if not fitting:
        keys = ", ".join(sorted({figure.source for figure, _ in usable}))
        raise ArgumentError(
            f"source must be 'best match', 'default' or a publication with a usable {_said(kind)} "
            f"of {what.name}, got {source!r}. Give one of: {keys}."
        )
    allowed = [pair for pair in fitting if not _refusal(pair[0], asked)]
    if not allowed:
        raise _refused(what, asked, [figure for figure, _ in fitting])
    figure, found = max(allowed, key=lambda pair: _rank(pair[0], asked))
    found = replace(found, reasons=_agreement(figure, asked) + found.reasons)
    return _at_level(found, figure, confidence) if _is_detectable(kind) else found


def all_thresholds(measure: str, kind: str, *, confidence: float = 0.95) -> pd.DataFrame:
    """Lay every published value of one kind beside each other, in the unit of the measure.

    Parameters
    ----------
    measure : str
        Code in the catalogue.
    kind : str
        One of `KINDS`.
    confidence : float in (0, 1)
        Level to which detectable changes are brought.

    Returns
    -------
    DataFrame
        One row per figure, smallest value first, empty if there is none: measure, kind, value,
        value_low (lower end of a printed range, else equal to value), unit, confidence, rater,
        interval, mode, test_position, instrument, population, n, anchor, source, citation,
        status, default, printed.

    Examples
    --------
    >>> table = all_thresholds("dash", "minimal_important_change")
    >>> table[["value", "source"]].head(2).to_numpy().tolist()
    [[4.4, 'rysstad2017'], [10.0, 'sorensen2013']]
    """
    what = get(measure)
    check_choice("kind", kind, KINDS)
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    asked = _Asked(kind, "", "", "", "", True, True)
    rows = []
    for figure in what.published:
        found = _as_asked(what, figure, asked)
        if found is None:
            continue
        if _is_detectable(kind):
            found = _at_level(found, figure, confidence)
        share = figure.low / figure.high if figure.low and figure.high else 1.0
        rows.append(
            {
                "measure": measure,
                "kind": kind,
                "value": found.value,
                "value_low": found.value * share,
                "unit": found.unit,
                "confidence": found.confidence,
                "rater": figure.rater,
                "interval": figure.interval,
                "mode": figure.mode,
                "test_position": figure.position,
                "instrument": figure.instrument,
                "population": figure.population,
                "n": figure.n,
                "anchor": figure.anchor,
                "source": figure.source,
                "citation": found.citation,
                "status": found.status,
                "default": bool(figure.default_because),
                "printed": _printed(figure),
            }
        )
    table = pd.DataFrame(rows, columns=_COLUMNS)
    return table.sort_values(["value", "source"], ignore_index=True, kind="stable")


_COLUMNS = (
    "measure kind value value_low unit confidence rater interval mode test_position instrument "
    "population n anchor source citation status default printed"
).split()


def same_instrument(recorded: str, published: str) -> bool:
    """Tell whether two names may mean the same kind of instrument; numbers are left aside.

    Examples
    --------
    >>> same_instrument("inclinometer 2", "digital inclinometer")
    True
    >>> same_instrument("goniometer", "digital inclinometer")
    False
    """
    first, second = _words(recorded), _words(published)
    return first <= second or second <= first


def _words(text: str) -> set[str]:
    return {word for word in re.findall(r"[^\W\d_]+", text.lower()) if len(word) > 1} - {"and"}


def _is_detectable(kind: str) -> bool:
    return kind == "minimal_detectable_change"


def _as_asked(measure: Measure, figure: Published, asked: _Asked) -> Threshold | None:
    if figure.compares:
        return None
    if asked.kind in ERROR_KINDS:
        return as_error(measure, figure) if figure.kind in ERROR_KINDS else None
    return as_change(measure, figure) if figure.kind == asked.kind else None


def _source_fits(figure: Published, source: str) -> bool:
    if source == "default":
        return bool(figure.default_because)
    if source == "best match":
        return not figure.doubtful
    return figure.source == source


def _refusal(figure: Published, asked: _Asked) -> str:
    """Say why a figure may not be used for what is asked, or nothing."""
    if asked.mode and not asked.other_modes and figure.mode not in ("", asked.mode):
        return f"{figure.mode} movement"
    clash = figure.instrument and not same_instrument(asked.instrument, figure.instrument)
    if asked.instrument and not asked.other_instruments and clash:
        return figure.instrument
    return ""


def _rank(figure: Published, asked: _Asked) -> tuple[float, ...]:
    wanted = _words(asked.population)
    found = len(wanted & _words(figure.population)) / len(wanted) if wanted else 0.0
    return (
        float(bool(asked.mode) and figure.mode == asked.mode),
        float(
            bool(asked.instrument) and same_instrument(asked.instrument, figure.instrument or " ")
        ),
        float(bool(asked.rater) and asked.rater in figure.rater),
        found,
        float(bool(figure.default_because)),
        float(figure.status == "read"),
        float(figure.kind == asked.kind),
        float(figure.value is not None),
        float(figure.n),
    )


def _agreement(figure: Published, asked: _Asked) -> tuple[str, ...]:
    """Say, condition by condition, how the figure fits."""
    said = []
    if figure.default_because:
        said.append(figure.default_because)
    for name, want, have, fits in (
        ("mode", asked.mode, figure.mode, figure.mode == asked.mode),
        (
            "instrument",
            asked.instrument,
            figure.instrument,
            same_instrument(asked.instrument, figure.instrument),
        ),
        ("rater", asked.rater, figure.rater, asked.rater in figure.rater),
    ):
        if not want:
            said += [f"No {name} was asked for; the study's is: {have}."] if have else []
        elif not have:
            said.append(f"The study does not state the {name}; {want} was asked for.")
        elif fits:
            said.append(f"The {name} fits: {have}.")
        else:
            said.append(f"The {name} differs: {want} was asked for, the study's is {have}.")
    people = f"Studied in: {figure.population}." if figure.population else "People not stated."
    missing = _words(asked.population) - _words(figure.population)
    if missing:
        people += f" Asked for: {asked.population}."
    return (*said, people)


def _at_level(error: Threshold, figure: Published, confidence: float) -> Threshold:
    """Turn a standard error into a detectable change at a level."""
    z = quantile(confidence)
    reasons = tuple(r for r in error.reasons if not r.startswith("Derived:"))
    if figure.kind == "standard_error_of_measurement":
        step = f"Standard error of measurement times {z:.3f} x sqrt(2)."
        status = "derived"
    elif figure.confidence is not None and abs(figure.confidence - confidence) < 1e-9:
        step = f"Published at {100 * confidence:g}%."
        status = figure.status
    else:
        level = f"{100 * (figure.confidence or 0):g}%"
        step = f"Brought from {level} to {100 * confidence:g}% through the standard error."
        status = "derived"
    return replace(
        error,
        kind="minimal_detectable_change",
        value=error.value * z * sqrt(2),
        confidence=confidence,
        status=status,
        reasons=(*reasons, step),
    )


def _printed(figure: Published) -> str:
    if figure.kind == "limits_of_agreement":
        text = f"limits of agreement +/-{figure.figures['half_width']:g}"
    elif figure.value is not None:
        text = f"{figure.value:g}"
    else:
        text = f"{figure.low:g} to {figure.high:g}"
    text += f" {figure.unit}"
    return text + (f" at {100 * figure.confidence:g}%" if figure.confidence else "")


def _said(kind: str) -> str:
    return kind.replace("_", " ")


def _nothing(measure: Measure, kind: str) -> ArgumentError:
    """Word the error for a measure without any usable figure, naming what exists."""
    there: dict[str, set[str]] = {}
    for figure in measure.published:
        name = _said(figure.kind)
        if figure.kind == "minimal_detectable_change" and figure.confidence is None:
            name += " without its level"
        there.setdefault(name, set()).add(figure.source)
    listed = "; ".join(f"{name} ({', '.join(sorted(keys))})" for name, keys in there.items())
    found = f"There is: {listed}." if listed else "Nothing is published about it."
    return ArgumentError(
        f"kind must be one that can be had; no usable {_said(kind)} is published for "
        f"{measure.name}. {found} Estimate your own, from routine visits or a "
        "repeatability study."
    )


def _refused(measure: Measure, asked: _Asked, figures: list[Published]) -> ArgumentError:
    """Word the error where everything that exists is of another mode or instrument."""
    there = sorted({f"{f.source}: {_refusal(f, asked)}" for f in figures})
    want = ", ".join(word for word in (asked.mode, asked.instrument) if word)
    remedies = []
    if asked.mode and any(f.mode not in ("", asked.mode) for f in figures):
        remedies.append("other_modes=True")
    if asked.instrument and any(
        f.instrument and not same_instrument(asked.instrument, f.instrument) for f in figures
    ):
        remedies.append("other_instruments=True")
    return ArgumentError(
        f"threshold must fit {want}; no {_said(asked.kind)} of {measure.name} does. There is: "
        f"{'; '.join(there)}. Estimate your own, or give {' and '.join(remedies)} to take one of "
        "these all the same."
    )
