"""From a caseload to a FHIR bundle."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.records.caseload import Caseload
from outcomes.records.fhir.codes import (
    EXTENSIONS,
    MEASURES,
    QUESTIONNAIRES,
    SIDES,
    UCUM,
    UCUM_SYSTEM,
    model_of,
)
from outcomes.records.lookup import measure_of
from outcomes.records.write import write_atomically

__all__ = ["write_bundle"]

Resource = dict[str, Any]


def write_bundle(
    caseload: Caseload,
    path: str | Path,
    *,
    version: str = "R4",
    codes: Mapping[str, str] | None = None,
) -> Path:
    """Write readings and questionnaire answers as a FHIR bundle of type collection.

    Use it to hand checked records to another system, after `anonymise` if they leave the clinic.
    Written are client codes, year of birth and sex, never names.

    Parameters
    ----------
    caseload : Caseload
    path : path
        The JSON file.
    version : str
        ``"R4"`` or ``"R5"``.
    codes : dict, optional
        From a measure to ``"system|code"`` of a terminology, written beside our own code.

    Returns
    -------
    Path

    Raises
    ------
    DataError
        If a resource would break the standard.
    MissingExtraError
        If the library for FHIR is not installed.
    """
    resources = [
        *_patients(caseload),
        *_observations(caseload, codes or {}),
        *_responses(caseload),
    ]
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": resource} for resource in resources],
    }
    models = {kind: model_of(kind, version) for kind in {r["resourceType"] for r in resources}}
    for number, resource in enumerate(resources, start=1):
        try:
            models[resource["resourceType"]].model_validate(resource)
        except ValueError:
            raise DataError(
                f"entry {number} of the bundle must be a valid {resource['resourceType']}, and "
                "is not. Check that client codes, units and dates are plain words."
            ) from None
    text = json.dumps(bundle, indent=1, ensure_ascii=False)
    return write_atomically(path, (text + "\n").encode("utf-8"))


def _patients(caseload: Caseload) -> list[Resource]:
    made = []
    for row in _rows(caseload.clients):
        patient: Resource = {"resourceType": "Patient", "identifier": [{"value": row.client}]}
        if not pd.isna(row.birth_year):
            patient["birthDate"] = str(row.birth_year)
        sex = {"f": "female", "m": "male"}.get(str(row.sex).casefold()[:1])
        if sex:
            patient["gender"] = sex
        made.append(patient)
    return made


def _observations(caseload: Caseload, codes: Mapping[str, str]) -> list[Resource]:
    made = []
    sides = {side: key.split("|") for key, side in SIDES.items()}
    for row in _rows(caseload.measurements):
        measure = measure_of(caseload, str(row.measure))
        coding = [{"system": MEASURES, "code": measure.code, "display": measure.name}]
        if measure.code in codes:
            system, _, code = codes[measure.code].rpartition("|")
            coding.append({"system": system, "code": code})
        resource: Resource = {
            "resourceType": "Observation",
            "extension": _extensions(row, ("episode", "visit", "trial"), ("moment", "mode")),
            "status": "final",
            "code": {"coding": coding, "text": measure.name},
            "subject": {"identifier": {"value": row.client}},
            "effectiveDateTime": _day(row.date),
            "valueQuantity": {
                "value": row.value,
                "unit": row.unit,
                "system": UCUM_SYSTEM,
                "code": UCUM.get(str(row.unit), "{" + "".join(str(row.unit).split()) + "}"),
            },
        }
        if row.side in sides:
            system, code = sides[row.side]
            resource["bodySite"] = {"coding": [{"system": system, "code": code}], "text": row.side}
        if not pd.isna(row.rater):
            resource["performer"] = [{"identifier": {"value": row.rater}}]
        if not pd.isna(row.instrument):
            resource["device"] = {"display": row.instrument}
        made.append(resource)
    return made


def _responses(caseload: Caseload) -> list[Resource]:
    made = []
    keys = ["client", "episode", "visit", "date", "questionnaire"]
    for key, part in caseload.answers.groupby(keys, sort=False):
        first: dict[str, Any] = dict(zip(keys, np.atleast_1d(np.array(key, object)), strict=True))
        items = []
        for row in _rows(part.sort_values("item")):
            item: Resource = {"linkId": str(row.item)}
            if not pd.isna(row.answer):
                item["answer"] = [{"valueDecimal": float(row.answer)}]
            items.append(item)
        made.append(
            {
                "resourceType": "QuestionnaireResponse",
                "extension": [
                    {"url": f"{EXTENSIONS}{name}", "valueInteger": int(first[name])}
                    for name in ("episode", "visit")
                ],
                "questionnaire": f"{QUESTIONNAIRES}{first['questionnaire']}",
                "status": "completed",
                "subject": {"identifier": {"value": first["client"]}},
                "authored": _day(first["date"]),
                "item": items,
            }
        )
    return made


def _rows(frame: pd.DataFrame) -> Iterator[Any]:
    """Give the rows as named tuples."""
    yield from frame.itertuples(index=False)


def _extensions(row: Any, numbers: tuple[str, ...], words: tuple[str, ...]) -> list[Resource]:
    made: list[Resource] = []
    for name in numbers:
        if not pd.isna(getattr(row, name)):
            made.append({"url": f"{EXTENSIONS}{name}", "valueInteger": int(getattr(row, name))})
    for name in words:
        if not pd.isna(getattr(row, name)):
            made.append({"url": f"{EXTENSIONS}{name}", "valueCode": str(getattr(row, name))})
    return made


def _day(date: Any) -> str:
    return pd.Timestamp(date).strftime("%Y-%m-%d")
