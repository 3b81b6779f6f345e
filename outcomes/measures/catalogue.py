"""What each measure is, and every published figure about it, read from `catalogue.toml`.

A measure is named by a spelled-out code (``"shoulder_flexion"``, ``"ndi"``). The catalogue holds
facts only; which published figure to rely on is the business of `outcomes.measures.thresholds`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import Any

from outcomes.errors import ArgumentError

__all__ = ["Measure", "Published", "Source", "get", "measures", "sources"]


@dataclass(frozen=True)
class Source:
    """A publication: its citation, whether its figures were read or recalled, and a remark."""

    key: str
    citation: str
    status: str
    seen: str = ""
    note: str = ""


@dataclass(frozen=True)
class Published:
    """One published figure about a measure.

    Attributes
    ----------
    kind : str
        ``"standard_error_of_measurement"``, ``"minimal_detectable_change"``,
        ``"limits_of_agreement"``, ``"minimal_important_change"``,
        ``"minimal_important_worsening"``, ``"intraclass_correlation"``, ``"reference_value"``,
        ``"acceptable_state"``, ``"side_difference"``, ``"relief_tiers"`` or ``"anchor_cut"``.
    value, low, high : float or None
        The figure, or the printed range; a `low` alone means "at least".
    unit : str
        Unit of the figure; ``"not stated"`` where the publication leaves it open.
    confidence : float or None
        Level of a detectable change or of limits, in (0, 1); None where it is not known.
    rater, interval, mode, position, instrument, population, anchor, form, compares : str
        The conditions, as far as they are known; empty where not.
    source, status : str
        Key of the publication, and ``"read"``, ``"memory"`` or ``"common practice"``.
    default_because : str
        Why this figure is the one used unless told otherwise; empty for all others.
    n : int
        People (or limbs) of the study; 0 where not known.
    doubtful : bool
        Far from all others, or of low authority: never taken unless asked for by its source.
    figures : mapping of str to float
        Numbers that only this kind has, such as ``bias`` and ``half_width`` of limits.
    """

    kind: str
    source: str
    status: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    confidence: float | None = None
    confidence_basis: str = ""
    rater: str = ""
    interval: str = ""
    mode: str = ""
    position: str = ""
    instrument: str = ""
    population: str = ""
    anchor: str = ""
    form: str = ""
    compares: str = ""
    note: str = ""
    default_because: str = ""
    n: int = 0
    doubtful: bool = False
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Measure:
    """What one measure is.

    Attributes
    ----------
    code, name, short, region, construct : str
        Code in the catalogue, name, short label for axes, part of the body, what it stands for.
    kind : str
        ``"range"``, ``"distance"``, ``"posture"``, ``"endurance"``, ``"strength"``,
        ``"pressure"``, ``"questionnaire"`` or ``"rating"``.
    unit : str
        Unit in which the caseload holds it.
    hard_min, hard_max, soft_min, soft_max : float
        Values outside the hard limits are refused, outside the soft limits questioned.
    better : str
        ``"higher"`` or ``"lower"``: the direction that is better for the client.
    resolution : float
        Finest step in which it is usually recorded.
    sided : bool
        Taken on the left and on the right.
    items : int
        Number of items of a questionnaire, else 0.
    modes : tuple of str
        ``"active"``, ``"passive"`` or both, where the distinction exists.
    scoring, missing_rule, licence, notes : str
        In words.
    rules : tuple of mapping
        Scoring of the items, one mapping per published variant.
    published : tuple of Published
        Every figure known.
    """

    code: str
    name: str
    short: str
    region: str
    kind: str
    construct: str
    unit: str
    hard_min: float
    hard_max: float
    soft_min: float
    soft_max: float
    better: str
    resolution: float
    sided: bool
    items: int = 0
    modes: tuple[str, ...] = ()
    scoring: str = ""
    missing_rule: str = ""
    licence: str = ""
    notes: str = ""
    scoring_sources: tuple[str, ...] = ()
    further_reading: tuple[str, ...] = ()
    rules: tuple[Mapping[str, Any], ...] = ()
    published: tuple[Published, ...] = ()

    @property
    def sign(self) -> int:
        """+1 where a higher value is better for the client, -1 where a lower one is."""
        return 1 if self.better == "higher" else -1

    @property
    def self_report(self) -> bool:
        """Whether the client answers, instead of a rater taking a reading."""
        return self.kind in ("questionnaire", "rating")


_PLAIN = {item.name for item in fields(Published)} - {"figures"}


def _published(entry: dict[str, Any], unit: str) -> Published:
    plain = {name: value for name, value in entry.items() if name in _PLAIN}
    plain.setdefault("unit", "" if entry["kind"] == "intraclass_correlation" else unit)
    return Published(**plain, figures={k: v for k, v in entry.items() if k not in _PLAIN})


def _measure(code: str, entry: dict[str, Any], families: dict[str, dict[str, Any]]) -> Measure:
    shared = families.get(entry["kind"], {})
    if entry["kind"] not in ("questionnaire", "rating"):
        shared = {**families["physical"], **shared}
    plain = {**shared, **entry}
    hard, soft = plain.pop("hard"), plain.pop("soft")
    published = plain.pop("published", ())
    for name in ("modes", "scoring_sources", "further_reading", "rules"):
        plain[name] = tuple(plain.get(name, ()))
    return Measure(
        code=code,
        hard_min=float(hard[0]),
        hard_max=float(hard[1]),
        soft_min=float(soft[0]),
        soft_max=float(soft[1]),
        published=tuple(_published(line, entry["unit"]) for line in published),
        **plain,
    )


@lru_cache(maxsize=1)
def _load() -> tuple[dict[str, Measure], dict[str, Source]]:
    text = files("outcomes.measures").joinpath("catalogue.toml").read_text(encoding="utf-8")
    page = tomllib.loads(text)
    found = {
        code: _measure(code, entry, page["families"]) for code, entry in page["measures"].items()
    }
    return found, {key: Source(key=key, **entry) for key, entry in page["sources"].items()}


def measures() -> dict[str, Measure]:
    """Give every measure of the catalogue, by its code, in the order of the catalogue.

    Examples
    --------
    >>> measures()["shoulder_flexion"].unit
    'deg'
    """
    return dict(_load()[0])


def sources() -> dict[str, Source]:
    """Give every publication of the catalogue, by its key.

    Examples
    --------
    >>> sources()["dewinter2004"].status
    'read'
    """
    return dict(_load()[1])


def get(code: str) -> Measure:
    """Look one measure up.

    Parameters
    ----------
    code : str
        Code in the catalogue.

    Raises
    ------
    ArgumentError
        If the catalogue does not have it; the message names what comes near.

    Examples
    --------
    >>> get("ndi").better
    'lower'
    >>> get("shoulder_flexon")
    Traceback (most recent call last):
    ...
    outcomes.errors.ArgumentError: measure must be in the catalogue, got 'shoulder_flexon'. \
Did you mean shoulder_flexion, shoulder_flexion_supine or shoulder_extension?
    """
    known = _load()[0]
    if isinstance(code, str) and code in known:
        return known[code]
    near = get_close_matches(str(code), known, n=3, cutoff=0.6)
    if near:
        listed = ", ".join(near[:-1]) + (" or " if len(near) > 1 else "") + near[-1]
        remedy = f"Did you mean {listed}?"
    else:
        remedy = "outcomes.measures.measures() lists all codes."
    raise ArgumentError(f"measure must be in the catalogue, got {code!r}. {remedy}")
