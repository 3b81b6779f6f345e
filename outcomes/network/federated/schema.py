"""The schema of a summary file (JSON Schema, draft 2020-12), with the meaning of every field."""

from __future__ import annotations

from typing import Any

from outcomes.statistics.individual_change import VERDICTS

__all__ = ["SUMMARY_SCHEMA", "SUMMARY_VERSION"]

SUMMARY_VERSION = 1


def _hidden(meaning: str) -> dict[str, Any]:
    return {
        "type": ["integer", "null"],
        "minimum": 0,
        "description": f"{meaning}; null where hidden because it, or one that it would give away, "
        f"is small.",
    }


_NUMBERS = {"type": "array", "items": {"type": "number"}}
_MOMENTS: dict[str, Any] = {
    "n": {"type": "integer", "minimum": 1, "description": "Episodes of care."},
    "mean": _NUMBERS | {"description": "Means."},
    "m2": {
        "type": "array",
        "items": _NUMBERS,
        "description": "Sums of products of deviations from the means.",
    },
}

_CELL = {
    "type": "object",
    "required": ["occasions", "n", "mean", "m2"],
    "additionalProperties": False,
    "properties": {
        "occasions": _NUMBERS | {"description": "Nominal weeks of the readings, in order."},
        **_MOMENTS,
    },
}

_MEASURE = {
    "type": "object",
    "required": ["unit", "better", "error", "important", "flow", "change", "verdicts", "cells"],
    "additionalProperties": False,
    "properties": {
        "unit": {"type": "string"},
        "better": {"enum": ["higher", "lower"]},
        "error": {
            "type": ["number", "null"],
            "description": "Standard error of measurement that verdicts rest on.",
        },
        "important": {
            "type": ["number", "null"],
            "description": "Smallest important change that verdicts rest on.",
        },
        "flow": {
            "type": "object",
            "required": ["analysed", "total", "not_measured", "measured_once", "not_comparable"],
            "additionalProperties": False,
            "properties": {
                "analysed": {"type": "integer", "description": "With start and latest value."},
                "total": _hidden("Episodes seen in the quarter but not analysed"),
                "not_measured": _hidden("Of these, without a reading"),
                "measured_once": _hidden("Of these, without a second reading"),
                "not_comparable": _hidden("Of these, without two readings of one series"),
            },
        },
        "change": {
            "type": "object",
            "required": ["n", "mean", "m2"],
            "additionalProperties": False,
            "properties": _MOMENTS,
            "description": "Start and latest value of the quarter's episodes, signed so that more "
            "is better.",
        },
        "verdicts": {
            "type": "object",
            "required": ["total", VERDICTS[-1]],
            "additionalProperties": False,
            "properties": {
                "total": {"type": "integer", "minimum": 0, "description": "Episodes judged."},
                VERDICTS[-1]: {"type": "integer", "minimum": 0},
                **{verdict: _hidden("Episodes with this verdict") for verdict in VERDICTS[:-1]},
            },
        },
        "cells": {
            "type": "array",
            "items": _CELL,
            "description": "Readings at the occasions, by the set of occasions that clients have.",
        },
    },
}

SUMMARY_SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Summary of a clinic's quarter",
    "type": "object",
    "required": ["format", "schema_version", "clinic", "quarter", "minimum", "reveals", "measures"],
    "additionalProperties": False,
    "properties": {
        "format": {"const": "outcomes clinic summary"},
        "schema_version": {"const": SUMMARY_VERSION},
        "clinic": {"type": "string", "minLength": 1, "description": "Code of the clinic."},
        "quarter": {"type": "string", "description": "As 2026Q2, or all."},
        "minimum": {
            "type": "integer",
            "minimum": 5,
            "description": "Fewest clients in any group that is summed, and fewest that a count "
            "may show unless it is zero.",
        },
        "reveals": {"type": "array", "items": {"type": "string"}},
        "left_out": {
            "type": "array",
            "items": {"type": "string"},
            "description": "Measures with fewer clients than the minimum, and measures that the "
            "clinic declares itself.",
        },
        "measures": {"type": "object", "additionalProperties": _MEASURE},
    },
}
