"""Who comes: clients, their episodes of care, and what each would gain in the end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from data_synthetic.scenario import day_number, words

__all__ = ["Episodes", "make_people"]

AFFECTED = ["left", "right", "both", "midline"]
GROUPS = ["improver", "non_improver", "worsener"]

#: Share of left, right, both, midline by complaint (neck, upper back, shoulder).
_SIDE_SHARES = np.array([[0.32, 0.38, 0.15, 0.15], [0.15, 0.15, 0.30, 0.40], [0.38, 0.54, 0.08, 0]])


@dataclass
class Episodes:
    """One entry per episode of care, in every array.

    `response` is what the client gains in the end on an average measure, in fractions of a
    measure's full gain: own response + practitioner + site + change at the site + exercise.
    `baseline` is the number of visits without treatment before the first treatment: mostly none.
    """

    client: np.ndarray
    episode: np.ndarray
    site: np.ndarray
    practitioner: np.ndarray
    complaint: np.ndarray
    affected: np.ndarray
    group: np.ndarray
    start_day: np.ndarray
    own_response: np.ndarray
    added_response: np.ndarray
    severity: np.ndarray
    adherence: np.ndarray
    scale: np.ndarray
    baseline: np.ndarray

    def __len__(self) -> int:
        return len(self.client)

    @property
    def response(self) -> np.ndarray:
        """Own response and everything added to it."""
        return self.own_response + self.added_response


@dataclass(frozen=True)
class _Traits:
    """What belongs to a client whatever the episode; one entry per client in every array."""

    site: np.ndarray
    practitioner: np.ndarray
    complaint: np.ndarray
    affected: np.ndarray


def make_people(
    rng: np.random.Generator, scenario: dict[str, Any], n_clients: int
) -> tuple[pd.DataFrame, Episodes]:
    """Draw the clients (table `clients`) and their episodes."""
    site = rng.choice(len(scenario["sites"]["codes"]), n_clients, p=scenario["sites"]["share"])
    practitioner = _practitioners(rng, scenario, site)
    complaint = rng.choice(3, n_clients, p=scenario["complaints"]["share"])
    affected = np.array([rng.choice(4, p=_SIDE_SHARES[kind]) for kind in complaint])
    traits = _Traits(site, practitioner, complaint, affected)
    first, last = day_number(scenario["first_day"]), day_number(scenario["last_day"])
    start = np.sort(rng.integers(first, last - 10, n_clients))
    clients = _clients_table(rng, scenario, traits)

    again = _who_returns(rng, scenario, start, last)
    low, high = scenario["second_episode"]["days_after"]
    index = np.concatenate([np.arange(n_clients), again])
    starts = np.concatenate([start, start[again] + rng.integers(low, high, len(again))])
    order = np.lexsort((starts, index))
    return clients, _courses(rng, scenario, traits, index[order], starts[order])


def _practitioners(
    rng: np.random.Generator, scenario: dict[str, Any], site: np.ndarray
) -> np.ndarray:
    sites = scenario["sites"]["codes"]
    home = np.array([sites.index(code) for code in scenario["practitioners"]["site"]])
    result = np.zeros(len(site), dtype=int)
    for number in range(len(sites)):
        here = np.flatnonzero(home == number)
        members = site == number
        result[members] = rng.choice(here, members.sum())
    return result


def _clients_table(
    rng: np.random.Generator, scenario: dict[str, Any], traits: _Traits
) -> pd.DataFrame:
    n = len(traits.site)
    return pd.DataFrame(
        {
            "client": words([f"C{i:04d}" for i in range(1, n + 1)], np.arange(n)),
            "clinic": words(scenario["sites"]["codes"], traits.site),
            "practitioner": words(scenario["practitioners"]["codes"], traits.practitioner),
            "birth_year": pd.array(
                np.clip(np.rint(rng.normal(1982, 13, n)), 1945, 2006).astype(int), dtype="Int64"
            ),
            "sex": words(["female", "male"], (rng.random(n) > 0.56).astype(int)),
            "dominant_side": words(["left", "right"], (rng.random(n) > 0.11).astype(int)),
            "affected_side": words(AFFECTED, traits.affected),
            "complaint": words(scenario["complaints"]["names"], traits.complaint),
            "onset_weeks": np.rint(np.clip(rng.lognormal(2.3, 1.0, n), 1, 400)),
            "consent_case_report": pd.array(
                rng.random(n) < scenario["consent"]["share"], dtype="boolean"
            ),
        }
    )


def _who_returns(
    rng: np.random.Generator, scenario: dict[str, Any], start: np.ndarray, last: int
) -> np.ndarray:
    early = np.flatnonzero(start + scenario["second_episode"]["days_after"][1] < last - 60)
    wanted = min(round(scenario["second_episode"]["share"] * len(start)), len(early))
    return np.sort(rng.choice(early, wanted, replace=False)) if wanted else np.array([], dtype=int)


def _courses(
    rng: np.random.Generator,
    scenario: dict[str, Any],
    traits: _Traits,
    client: np.ndarray,
    start: np.ndarray,
) -> Episodes:
    """Draw what each episode would gain, and how fast; episodes are ordered by client and start."""
    n = len(client)
    episode = np.ones(n, dtype=int)
    episode[1:][client[1:] == client[:-1]] = 2
    site, practitioner = traits.site[client], traits.practitioner[client]
    groups = [scenario["response"][name] for name in GROUPS]
    group = rng.choice(3, n, p=[kind["share"] for kind in groups])
    mean, sd, least = (
        np.array([kind[name] for kind in groups])[group] for name in ("mean", "sd", "least")
    )
    gift = rng.standard_normal(n)
    own = np.maximum(mean + sd * gift, least)

    exercise = scenario["exercise"]
    tie = exercise["selection"]
    willing = tie * gift + np.sqrt(1 - tie**2) * rng.standard_normal(n)
    typical = np.log(exercise["typical"] / (1 - exercise["typical"]))
    adherence = 1 / (1 + np.exp(-(typical + exercise["between_sd"] * willing)))

    change = scenario["site_change"]
    changed = (site == scenario["sites"]["codes"].index(change["site"])) & (
        start >= day_number(change["date"])
    )
    added = (
        np.array(scenario["practitioners"]["effect"])[practitioner]
        + np.array(scenario["sites"]["effect"])[site]
        + change["effect"] * changed
        + exercise["total_effect"] * (adherence - exercise["typical"])
    )
    scale = scenario["course"]["scale_visits"]
    least, most = scenario["baseline"]["visits"]
    waits = rng.random(n) < scenario["baseline"]["share"]
    return Episodes(
        client=client,
        episode=episode,
        site=site,
        practitioner=practitioner,
        complaint=traits.complaint[client],
        affected=traits.affected[client],
        group=group,
        start_day=start,
        own_response=own,
        added_response=added,
        severity=rng.standard_normal(n),
        adherence=adherence,
        scale=np.clip(
            scale["median"] * np.exp(scale["log_sd"] * rng.standard_normal(n)),
            scale["least"],
            scale["most"],
        ),
        baseline=np.where(waits, rng.integers(least, most + 1, n), 0),
    )
