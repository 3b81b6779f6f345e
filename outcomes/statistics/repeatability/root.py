"""One root of a monotone function, as a plain float."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from scipy.optimize import brentq

__all__ = ["root"]


def root(gap: Callable[[float], float], low: float, high: float, *, xtol: float = 1e-12) -> float:
    """Return where `gap` crosses zero between `low` and `high`, where its signs differ.

    Examples
    --------
    >>> round(root(lambda x: x * x - 2, 0, 2), 6)
    1.414214
    """
    found: Any = brentq(gap, low, high, xtol=xtol)
    return float(found)
