"""Residual structures: what the error of one visit has to do with that of another.

Independent residuals (with known weights or not) need nothing but the per-client sums.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from outcomes.statistics.mixed_model.design import Design
from outcomes.statistics.mixed_model.likelihood import State
from outcomes.statistics.mixed_model.reduction import Work, client_sums, working_columns

__all__ = ["Independent"]

Array = NDArray[np.float64]


class Independent:
    """Residuals without structure; known weights are already in the columns."""

    n_parameters = 0
    names: tuple[str, ...] = ()

    def __init__(self, design: Design, work: Work) -> None:
        self._state = State(s=client_sums(design, working_columns(work)), log_det=-work.log_weights)

    def start(self) -> Array:
        """No parameters."""
        return np.zeros(0)

    def state(self, x: Array) -> State:
        """The same sums at every point."""
        return self._state

    def chain(self, x: Array) -> tuple[Array, Array, Array]:
        """No parameters."""
        return np.zeros(0), np.zeros(0), np.zeros(0)
