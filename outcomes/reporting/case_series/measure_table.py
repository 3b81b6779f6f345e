"""Table 2: what was measured, with which error, and what counts as a change that matters."""

from __future__ import annotations

import math
from statistics import NormalDist

from outcomes.measures.thresholds import Threshold
from outcomes.reporting.case_series.formats import DASH, digits_of, unit_words, value_cell
from outcomes.reporting.case_series.paper_table import Cell, Column, PaperTable
from outcomes.statistics.single_case.summary import MeasureSeries

__all__ = ["how_taken", "measure_table"]


def measure_table(found: list[MeasureSeries], *, confidence: float) -> PaperTable:
    """Build Table 2, sources as numbered notes."""
    notes: list[str] = []

    def source(threshold: Threshold | None) -> str:
        if threshold is None:
            return DASH
        words = _source_note(threshold)
        if words not in notes:
            notes.append(words)
        return chr(ord("a") + notes.index(words))

    rows = []
    for one in found:
        digits = digits_of(one.measure)
        error, importance = one.error, one.importance
        detectable = math.nan
        if error is not None:
            detectable = NormalDist().inv_cdf((1 + confidence) / 2) * math.sqrt(2) * error.value
        rows.append(
            {
                "measure": Cell(one.measure.name),
                "unit": Cell(_unit_and_direction(one)),
                "taken": Cell(how_taken(one)),
                "error": value_cell(None if error is None else error.value, digits),
                "detectable": value_cell(detectable, digits),
                "error_source": Cell(source(error)),
                "important": value_cell(None if importance is None else importance.value, digits),
                "important_source": Cell(source(importance)),
            }
        )
    level = f"{confidence * 100:g}%"
    legend = [
        "SEM: standard deviation of the error of one recorded value. MDC: minimal detectable "
        f"change at {level} confidence, z \N{MULTIPLICATION SIGN} \N{SQUARE ROOT}2 "
        "\N{MULTIPLICATION SIGN} SEM. MIC: minimal important change. A dash: none is defensible, "
        "and the second question is not asked.",
    ]
    listed = [f"{chr(ord('a') + i)}: {note}" for i, note in enumerate(notes)]
    return PaperTable(
        "2",
        "Measures, their measurement error and the smallest change that matters",
        (
            Column("measure", "Measure"),
            Column("unit", "Unit; better"),
            Column("taken", "How taken"),
            Column("error", "SEM", numeric=True),
            Column("detectable", "MDC", numeric=True),
            Column("error_source", "Source"),
            Column("important", "MIC", numeric=True),
            Column("important_source", "Source"),
        ),
        tuple(rows),
        notes=(*legend, *listed),
    )


def how_taken(one: MeasureSeries) -> str:
    """Words on instrument, mode and trials, as recorded."""
    frame = one.values
    parts = []
    for column in ("mode", "instrument"):
        kinds = sorted({str(v) for v in frame[column].dropna() if str(v)})
        if kinds:
            parts.append(", ".join(kinds) if len(kinds) < 4 else f"{len(kinds)} {column}s")
    if "n_trials" in frame.columns and int(frame["n_trials"].max()) > 1:
        most = int(frame["n_trials"].mode().iloc[0])
        parts.append(f"mean of {most} trials" if most > 1 else "one to several trials")
    return "; ".join(parts) if parts else DASH


def _unit_and_direction(one: MeasureSeries) -> str:
    unit = {"deg": "degrees", "": "score"}.get(one.measure.unit, unit_words(one.measure.unit))
    return f"{unit}; {one.measure.better}"


def _source_note(threshold: Threshold) -> str:
    words = threshold.citation or threshold.source or "source not stated"
    words = words.rstrip(".") + "."
    if threshold.population:
        words += f" Population: {threshold.population.rstrip('.')}."
    if threshold.status == "memory":
        words += " Figure recalled, to be checked against the publication."
    elif threshold.status == "common practice":
        words += " Common practice, without a source."
    elif threshold.status == "derived":
        words += " Derived from the published figure."
    return words
