"""One run of the scenario: its chance, its numbers, its people, and the rows made so far."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from data_synthetic.people import Episodes
from data_synthetic.schedule import Schedule

__all__ = ["Rows", "World", "limit_gain", "sign_of"]


@dataclass
class Rows:
    """Pieces of long tables, kept as arrays until all are there."""

    pieces: dict[str, list[dict[str, Any]]] = field(default_factory=dict)

    def add(self, table: str, **columns: Any) -> None:
        """Keep one piece; `unit` gives its length, a number stands for a whole column."""
        self.pieces.setdefault(table, []).append(columns)

    def arrays(self, table: str) -> dict[str, np.ndarray]:
        """All pieces of one table, end to end."""
        pieces = self.pieces[table]
        length = [len(piece["unit"]) for piece in pieces]
        return {
            name: np.concatenate(
                [np.broadcast_to(piece[name], n) for piece, n in zip(pieces, length, strict=True)]
            )
            for name in pieces[0]
        }


@dataclass
class World:
    """What the makers of readings and scores share. Rows name an episode by its position, `unit`.

    Attributes
    ----------
    rng : numpy Generator
    scenario : dict
        The planted numbers.
    episodes : Episodes
    schedule : Schedule
    rows : Rows
        "measurements", "answers" (what the clinic records), "courses" and "levels" (the truth).
    """

    rng: np.random.Generator
    scenario: dict[str, Any]
    episodes: Episodes
    schedule: Schedule
    rows: Rows = field(default_factory=Rows)

    @property
    def measures(self) -> list[str]:
        """Codes of all measures; rows name a measure by its position here."""
        return [*self.scenario["ranges"], *self.scenario["scales"], "groc"]

    @property
    def units(self) -> list[str]:
        """Unit of each of `measures`."""
        known = {**self.scenario["ranges"], **self.scenario["scales"]}
        return [*(measure["unit"] for measure in known.values()), "points"]

    @property
    def instruments(self) -> list[str]:
        """Every instrument: goniometer, tape, an inclinometer a site, and forms."""
        inclinometers = self.scenario["instruments"]["inclinometer"]
        sites = self.scenario["sites"]["codes"]
        return ["goniometer", "tape", *(inclinometers[site] for site in sites), "form"]

    def members(self, who: dict[str, float]) -> np.ndarray:
        """Positions of the episodes that get a measure; a client keeps it in a later episode."""
        share = np.array([who.get(name, 0.0) for name in self.scenario["complaints"]["names"]])
        draw = self.rng.random(self.episodes.client.max() + 1)[self.episodes.client]
        return np.flatnonzero(draw < share[self.episodes.complaint])

    def true_starts(self, measure: dict[str, Any], unit: np.ndarray) -> np.ndarray:
        """Draw true starts; who is severe starts worse on every measure (correlation 0.6)."""
        mean, sd = measure["start"]
        worse = 0.6 * self.episodes.severity[unit] + 0.8 * self.rng.standard_normal(len(unit))
        return mean - sign_of(measure) * sd * np.clip(worse, -2.5, 2.5)

    def improvements(self, measure: dict[str, Any], unit: np.ndarray) -> np.ndarray:
        """Draw what each would gain in the end, better is positive, before any limit."""
        spread = self.scenario["response"]["sd_between_measures"]
        scatter = 1 + spread * self.rng.standard_normal(len(unit))
        own, added = self.episodes.own_response[unit], self.episodes.added_response[unit]
        return measure["gain"] * (own * scatter + added)


def sign_of(measure: dict[str, Any]) -> int:
    """+1 where higher is better, -1 where lower is."""
    return 1 if measure["better"] == "higher" else -1


def limit_gain(measure: dict[str, Any], start: np.ndarray, improvement: np.ndarray) -> np.ndarray:
    """Total change, signed in the measure's unit, that never passes the measure's limit."""
    sign = sign_of(measure)
    room = np.maximum(sign * (measure["limit"] - start), 0)
    return sign * np.minimum(improvement, room)
