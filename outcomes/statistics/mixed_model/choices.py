"""The arguments of a fit, carried from `fit_mixed_model` to wherever a refit needs them."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Choices"]


@dataclass(frozen=True, kw_only=True)
class Choices:
    """How a design is fitted and judged; see `fit_mixed_model` for the meaning of each."""

    method: str = "REML"
    degrees_of_freedom: str | None = None
    ci_level: float = 0.95
    residual: str = "independent"
    by: str | None = None
    time: str | None = None
    weights: str | None = None
