"""One published number against ours, and how digits are counted."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Check", "against", "load", "series"]


@dataclass(frozen=True, kw_only=True)
class Check:
    """One published number and ours."""

    topic: str
    source: str
    what: str
    published: str
    found: float
    known: str = "printed"
    least: int | None = None
    why: str = ""

    @property
    def digits_given(self) -> int:
        """Significant digits of the published number."""
        digits = self.published.lstrip("-+").replace(".", "").lstrip("0")
        return max(len(digits.split("e")[0]), 1)

    @property
    def agrees(self) -> bool:
        """Whether ours, rounded as the published number is, equals it."""
        decimals = len(self.published.partition(".")[2])
        half = 0.5 * 10.0**-decimals
        return abs(self.found - float(self.published)) <= half * (1 + 1e-9)

    @property
    def digits(self) -> int:
        """Significant digits that agree: all that are given, or fewer."""
        if self.agrees:
            return self.digits_given
        given = float(self.published)
        if given == 0:
            return 0
        return max(0, math.floor(-math.log10(abs(self.found / given - 1))))

    @property
    def holds(self) -> bool:
        """Whether the check is as it is stated to be."""
        if self.why:
            return not self.agrees and self.least is not None and self.digits >= self.least
        return self.agrees


def load(path: Path) -> Any:
    """Import a script or a module of tests by its path."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def against(
    name: str, source: str, numbers: Mapping[str, tuple[str, Any]], **how: Any
) -> Iterator[Check]:
    """Make one check of each entry of `numbers`: what, (as published, ours)."""
    for what, (published, found) in numbers.items():
        yield Check(
            topic=name, source=source, what=what, published=published, found=float(found), **how
        )


def series(names: str, published: str, found: Any) -> dict[str, tuple[str, Any]]:
    """Pair names, printed numbers and ours, given in one order and separated by blanks."""
    return {
        name.replace("_", " "): pair
        for name, *pair in zip(names.split(), published.split(), list(found), strict=True)
    }  # type: ignore[return-value]
