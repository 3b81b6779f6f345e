"""Outcome statistics across a caseload of manual therapy.

The public names load what they need when first used, so that ``import outcomes`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_PUBLIC: dict[str, str] = {}

__all__ = sorted(_PUBLIC)


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'outcomes' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
