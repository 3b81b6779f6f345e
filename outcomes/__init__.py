"""Outcome statistics across a caseload of manual therapy.

The public names load what they need when first used, so that ``import outcomes`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

#: Public name -> module that holds it.
_PUBLIC = {
    "Caseload": "outcomes.records.caseload",
    "course_over_weeks": "outcomes.statistics.review",
    "fit_mixed_model": "outcomes.statistics.mixed_model",
    "judge_change": "outcomes.statistics.individual_change",
    "judged_side": "outcomes.records.readings",
    "look_at_client": "outcomes.statistics.review.one_client",
    "measurement_error": "outcomes.statistics.repeatability",
    "minimal_detectable_change": "outcomes.statistics.repeatability",
    "prepare_meeting": "outcomes.statistics.review",
    "propose_mapping": "outcomes.records.mapping.proposal",
    "read_caseload": "outcomes.records",
    "read_settings": "outcomes.records.settings",
    "review_quarter": "outcomes.statistics.review",
    "standard_error_of_measurement": "outcomes.statistics.repeatability",
    "standardised_change": "outcomes.statistics.effect_size",
    "start_and_latest": "outcomes.statistics.individual_change",
    "synthetic_caseload": "outcomes.carried",
    "synthetic_settings": "outcomes.carried",
    "visit_values": "outcomes.records.readings",
}

__all__ = sorted(_PUBLIC)


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'outcomes' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
