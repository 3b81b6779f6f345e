"""From a FHIR bundle to raw tables: measurements, answers and clients.

Taken are Observation (value or components), QuestionnaireResponse (numbers by item) and, of
Patient, the year of birth and the sex: names, addresses and the day of birth are not looked at.
A row number is the place of the entry in the bundle, from 1.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError
from outcomes.measures import catalogue
from outcomes.records.fhir.codes import (
    EXTENSIONS,
    MEASURES,
    QUESTIONNAIRES,
    SIDES,
    STATUSES,
    UCUM,
    USED_STATUSES,
    model_of,
)
from outcomes.records.sources.raw import FileSettings, RawTable, Remark, build_raw, digest

__all__ = ["read_bundle"]

_COLUMNS = {
    "measurements": (
        "client", "episode", "visit", "date", "measure", "side", "moment", "trial", "value",
        "unit", "rater", "instrument", "mode",
    ),
    "answers": ("client", "episode", "visit", "date", "questionnaire", "item", "answer"),
    "clients": ("client", "birth_year", "sex"),
}  # fmt: skip
_UNITS = {code: unit for unit, code in UCUM.items()}

Row = dict[str, Any]


def read_bundle(data: bytes, *, file: str, settings: FileSettings) -> list[RawTable]:
    """Read a bundle.

    Parameters
    ----------
    data : bytes
    file : str
        File name for the ledger.
    settings : FileSettings
        Its `codes`: ``version`` ("R4", the default, or "R5"); ``measures`` and ``sides``, from
        ``"system|code"`` to our words; ``questionnaires``, from the address of a questionnaire
        to our code; ``items``, from linkId to item number (by default the last number in it).

    Raises
    ------
    DataError
        If the file is not a bundle.
    MissingExtraError
        If the library for FHIR is not installed.
    """
    try:
        bundle = json.loads(data.decode("utf-8-sig"), parse_constant=_refuse)
        entries = bundle["entry"]
        if bundle["resourceType"] != "Bundle" or not isinstance(entries, list):
            raise TypeError
    except (ValueError, KeyError, TypeError, RecursionError):
        raise DataError(
            f"{file}: a JSON file must be a FHIR bundle with entries, and is not. Export it as a "
            "Bundle of Observation and QuestionnaireResponse."
        ) from None
    reader = _BundleReader(settings.codes)
    for number, entry in enumerate(entries, start=1):
        reader.read(entry, number)
    return reader.tables(file, digest(data))


def _refuse(text: str) -> None:
    raise ValueError(text)


class _BundleReader:
    """Collects rows, and the entries that give none."""

    def __init__(self, codes: Mapping[str, Any]) -> None:
        self.codes = codes
        version = codes.get("version", "R4")
        self.models = {
            name: model_of(name, version)
            for name in ("Observation", "QuestionnaireResponse", "Patient")
        }
        self.rows: dict[str, list[Row]] = {name: [] for name in _COLUMNS}
        self.torn: dict[str, list[tuple[int, str]]] = {name: [] for name in _COLUMNS}
        self.others: dict[str, int] = {}

    def read(self, entry: Any, number: int) -> None:
        resource = entry.get("resource") if isinstance(entry, dict) else None
        kind = resource.get("resourceType") if isinstance(resource, dict) else None
        if not isinstance(resource, dict) or kind not in self.models:
            name = kind if isinstance(kind, str) and kind.isalpha() else "entries without a type"
            self.others[name[:40]] = self.others.get(name[:40], 0) + 1
            return
        table = {"Observation": "measurements", "QuestionnaireResponse": "answers"}.get(
            str(kind), "clients"
        )
        why = self.unusable(str(kind), resource)
        if why:
            self.torn[table].append((number, why))
            return
        rows = list(getattr(self, f"_{table}")(resource))
        if not rows:
            self.torn[table].append((number, f"the {kind} holds nothing that can be read"))
        self.rows[table] += [{**row, "row": number} for row in rows]

    def unusable(self, kind: str, resource: Row) -> str:
        try:
            self.models[kind].model_validate(resource)
        except (ValueError, TypeError, RecursionError, AttributeError, KeyError):
            return f"no valid {kind} of this release"
        if kind in STATUSES:
            status = resource.get("status")
            if status not in STATUSES[kind]:
                return "its status is none of the standard's"
            if status not in USED_STATUSES[kind]:
                return f"its status is {status}"
        return ""

    def _clients(self, resource: Row) -> Iterator[Row]:
        code = resource.get("id") or _first_identifier(resource)
        if code:
            born = str(resource.get("birthDate") or "")[:4] or None
            yield {"client": code, "birth_year": born, "sex": resource.get("gender")}

    def _measurements(self, resource: Row) -> Iterator[Row]:
        common = self.common(resource)
        parts = resource.get("component") or []
        for part in [resource, *parts]:
            value, unit = _value(part)
            if value is None and (part is resource and parts):
                continue
            if value is None and "dataAbsentReason" not in part:
                continue
            side = self.side(part) or self.side(resource)
            yield {
                **common,
                "measure": self.code(part),
                "side": side,
                "value": value,
                "unit": unit,
                **_extensions(resource, ("moment", "trial", "mode")),
                **_extensions(part, ("moment", "trial", "mode")),
            }

    def _answers(self, resource: Row) -> Iterator[Row]:
        common = self.common(resource)
        form = str(resource.get("questionnaire") or "").split("|")[0]
        named = self.codes.get("questionnaires", {})
        code = named.get(form, form.removeprefix(QUESTIONNAIRES))
        for item in _items(resource.get("item")):
            link = str(item.get("linkId"))
            number = self.codes.get("items", {}).get(link)
            if number is None:
                digits = re.findall(r"\d+", link)
                number = digits[-1] if digits else link
            answers = item.get("answer") or []
            value = _answer(answers[0]) if answers else None
            if answers and value is None:
                continue
            yield {**common, "questionnaire": code, "item": number, "answer": value}

    def common(self, resource: Row) -> Row:
        performer = resource.get("performer") or resource.get("author")
        performer = performer[0] if isinstance(performer, list) and performer else performer
        return {
            "client": _reference(resource.get("subject")),
            "date": _date(resource),
            "rater": _reference(performer),
            "instrument": (resource.get("device") or {}).get("display"),
            **_extensions(resource, ("episode", "visit")),
        }

    def code(self, part: Row) -> str | None:
        named = self.codes.get("measures", {})
        first = None
        for coding in (part.get("code") or {}).get("coding") or []:
            system, code = coding.get("system") or "", coding.get("code") or ""
            key = f"{system}|{code}"
            if key in named:
                return named[key]
            if system == MEASURES:
                return code
            first = first or key
        text = (part.get("code") or {}).get("text")
        return named.get(text, first or (text if text in catalogue.measures() else None) or "none")

    def side(self, part: Row) -> str | None:
        body = part.get("bodySite") or {}
        known = {**SIDES, **self.codes.get("sides", {})}
        for coding in body.get("coding") or []:
            side = known.get(f"{coding.get('system') or ''}|{coding.get('code') or ''}")
            if side:
                return side
        words = set(re.findall(r"[a-z]+", str(body.get("text") or "").casefold()))
        found = words & {"left", "right", "midline"}
        return found.pop() if len(found) == 1 else None

    def tables(self, file: str, sha256: str) -> list[RawTable]:
        made = []
        for name, headers in _COLUMNS.items():
            rows, torn = self.rows[name], self.torn[name]
            if not rows and not torn:
                continue
            columns = [[_cell(row.get(header)) for row in rows] for header in headers]
            table = build_raw(
                columns,
                list(headers),
                np.array([row["row"] for row in rows], dtype=np.int64),
                name=name,
                file=file,
                sha256=sha256,
                torn=pd.DataFrame(
                    {
                        "source_row": pd.array([number for number, _ in torn], dtype="Int64"),
                        "reason": pd.Series([why for _, why in torn], dtype="str"),
                    }
                ),
            )
            made.append(table)
        if not made:
            raise DataError(
                f"{file}: the bundle must hold Observation or QuestionnaireResponse resources; it "
                "holds none. Export it with them."
            )
        for kind, count in sorted(self.others.items()):
            reason = f"{count:,} {kind} resources were not read"
            made[0].remarks.append(Remark("resources not read", reason))
        return made


def _cell(value: Any) -> str | None:
    return None if value is None else str(value)


def _value(part: Row) -> tuple[str | None, str | None]:
    quantity = part.get("valueQuantity")
    if isinstance(quantity, dict) and quantity.get("value") is not None:
        code = quantity.get("code") or quantity.get("unit")
        text = _number(quantity["value"])
        comparator = quantity.get("comparator")
        return (f"{comparator}{text}" if comparator else text), _UNITS.get(str(code), code)
    for key in ("valueInteger", "valueString"):
        if part.get(key) is not None:
            return str(part[key]), None
    return None, None


def _number(value: Any) -> str:
    """Write a number so that three decimals cannot be taken for thousands."""
    text = str(value)
    return text + "0" if re.fullmatch(r"-?\d{1,3}\.\d{3}", text) else text


def _answer(answer: Row) -> str | None:
    for key in ("valueInteger", "valueDecimal"):
        if answer.get(key) is not None:
            return _number(answer[key])
    if isinstance(answer.get("valueQuantity"), dict):
        return _value(answer)[0]
    coding = answer.get("valueCoding")
    if isinstance(coding, dict) and re.fullmatch(r"-?\d+(\.\d+)?", str(coding.get("code"))):
        return str(coding["code"])
    return None


def _items(items: Any) -> Iterator[Row]:
    stack = list(reversed(items or []))
    while stack:
        item = stack.pop()
        if not isinstance(item, dict):
            continue
        inner = item.get("item") or []
        if inner:
            stack.extend(reversed(inner))
        if "answer" in item or not inner:
            yield item


def _reference(subject: Any) -> str | None:
    if not isinstance(subject, dict):
        return None
    if isinstance(subject.get("reference"), str):
        return subject["reference"].rstrip("/").split("/")[-1].removeprefix("urn:uuid:")
    identifier = subject.get("identifier")
    return identifier.get("value") if isinstance(identifier, dict) else None


def _first_identifier(resource: Row) -> str | None:
    for identifier in resource.get("identifier") or []:
        if isinstance(identifier, dict) and identifier.get("value"):
            return str(identifier["value"])
    return None


def _date(resource: Row) -> str | None:
    for key in ("effectiveDateTime", "effectiveInstant", "authored"):
        if resource.get(key):
            return str(resource[key])
    period = resource.get("effectivePeriod")
    return str(period["start"]) if isinstance(period, dict) and period.get("start") else None


def _extensions(part: Row, names: tuple[str, ...]) -> Row:
    found = {}
    for extension in part.get("extension") or []:
        name = str(extension.get("url") or "").removeprefix(EXTENSIONS)
        if name in names:
            value = extension.get("valueCode", extension.get("valueInteger"))
            if value is not None:
                found[name] = str(value)
    return found
