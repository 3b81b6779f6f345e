"""Sums of products per group, and the cutting of many groups into pieces.

The notation is that of `likelihood`. A piece is some thousand groups that follow each other, so
that what is made of them fits the processor's cache and the memory, however many there are. A
group of the next outer level may be cut: its matrices are sums over pieces.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["PIECE", "Elimination", "Level", "State", "Sums", "added_up", "pieces", "too_many"]

Array = NDArray[np.float64]

#: Groups handled at a time.
PIECE = 8_192


@dataclass
class Sums:
    """Sums of products per group: `zz` (q, q, n), `zr` (q, n, r), `rr` (outer groups, r, r).

    `rz` holds the rows-times-z part of a matrix that is not symmetric, shaped like `zr`.
    """

    zz: Array
    zr: Array
    rr: Array
    rz: Array | None = None


@dataclass
class State:
    """All sums at one level, before it is eliminated."""

    s: Sums
    t: list[Sums] = field(default_factory=list)
    u: dict[tuple[int, int], Sums] = field(default_factory=dict)
    curved: dict[tuple[int, int], Sums] = field(default_factory=dict)
    log_det: float = 0.0
    trace: list[float] = field(default_factory=list)
    info: dict[tuple[int, int], float] = field(default_factory=dict)
    curved_trace: dict[tuple[int, int], float] = field(default_factory=dict)


@dataclass(frozen=True)
class Level:
    """How one level is eliminated.

    `pairs` are the free entries (a, b), a >= b, of its covariance; `starts` are the first groups
    of each group of the next outer level (None: there is no outer level, everything is summed);
    `q_outer` is the number of random terms of the next outer level, `starts_outer` its `starts`.
    `partly`: some of the groups only, whose sums are still to be added to others'.
    """

    pairs: tuple[tuple[int, int], ...]
    starts: NDArray[np.intp] | None
    q: int
    q_outer: int = 0
    starts_outer: NDArray[np.intp] | None = None
    partly: bool = False


@dataclass(frozen=True)
class Elimination:
    """What predictions need of a level: K (q, q, n) and B = K S_zr (q, n, r), last column y."""

    k: Array
    b: Array


def too_many(state: State) -> bool:
    """Tell whether the groups of a state are better taken piece by piece."""
    return state.s.zz.shape[2] > PIECE


def pieces(state: State, level: Level) -> Iterator[tuple[State, Level]]:
    """Cut the groups of a level; what holds for an outer group stays with its first piece."""
    n = state.s.zz.shape[2]
    starts = np.zeros(1, dtype=np.intp) if level.starts is None else level.starts
    for i in range(0, n, PIECE):
        outer = _outer(starts, i, min(i + PIECE, n))
        own = np.maximum(starts[outer] - i, 0)
        begun = (starts[outer] >= i).astype(float)[:, None, None]
        first = float(i == 0)

        def cut(sums: Sums, i: int = i, outer: slice = outer, begun: Array = begun) -> Sums:
            rz = None if sums.rz is None else sums.rz[:, i : i + PIECE]
            zz, zr = sums.zz[:, :, i : i + PIECE], sums.zr[:, i : i + PIECE]
            return Sums(zz, zr, begun * sums.rr[outer], rz)

        yield (
            State(
                s=cut(state.s),
                t=[cut(sums) for sums in state.t],
                u={pair: cut(sums) for pair, sums in state.u.items()},
                curved={pair: cut(sums) for pair, sums in state.curved.items()},
                log_det=first * state.log_det,
                trace=[first * number for number in state.trace],
                info={pair: first * number for pair, number in state.info.items()},
                curved_trace={pair: first * one for pair, one in state.curved_trace.items()},
            ),
            replace(level, starts=None if level.starts is None else own, partly=True),
        )


def added_up(parts: list[State], level: Level) -> State:
    """Add up what was made of the pieces, outer group by outer group."""
    starts = np.zeros(1, dtype=np.intp) if level.starts is None else level.starts
    size = parts[0].s.rr.shape[-1]

    def total(found: list[Sums]) -> Sums:
        rr = np.zeros((starts.size, size, size))
        for number, sums in enumerate(found):
            at = _outer(starts, number * PIECE, (number + 1) * PIECE)
            rr[at] += sums.rr
        none = np.zeros((0, 0, 0))
        return Sums(none, none, rr)

    first = parts[0]
    return State(
        s=total([part.s for part in parts]),
        t=[total([part.t[j] for part in parts]) for j in range(len(first.t))],
        u={pair: total([part.u[pair] for part in parts]) for pair in first.u},
        curved={pair: total([part.curved[pair] for part in parts]) for pair in first.curved},
        log_det=sum(part.log_det for part in parts),
        trace=[sum(numbers) for numbers in zip(*(part.trace for part in parts), strict=True)],
        info={pair: sum(part.info[pair] for part in parts) for pair in first.info},
        curved_trace={
            pair: sum(part.curved_trace[pair] for part in parts) for pair in first.curved_trace
        },
    )


def _outer(starts: NDArray[np.intp], first: int, after: int) -> slice:
    """Give the outer groups that have a group from `first` up to `after`."""
    low = int(np.searchsorted(starts, first, side="right")) - 1
    return slice(low, int(np.searchsorted(starts, after, side="left")))
