"""The sheet for a repeatability afternoon: who measures whom, in which order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_count

__all__ = ["recording_sheet"]


def recording_sheet(
    rng: np.random.Generator,
    *,
    clients: Sequence[str],
    raters: Sequence[str],
    trials: int = 2,
    sessions: int = 1,
    sides: Sequence[str] = ("right",),
    measure: str = "",
) -> pd.DataFrame:
    """Lay out the readings of a repeatability study in random order.

    Use it as the printed sheet, one reading a line, the value left empty. Hand each rater his own
    lines, so that nobody sees the other's values or his own first ones.

    Parameters
    ----------
    rng : numpy Generator
        The order is drawn from it: the same seed gives the same sheet.
    clients, raters : sequence of str
        Codes, each once; two clients or more.
    trials : int, default 2
        Readings of each client by each rater in each session. Trials run in rounds: everybody is
        measured once before anybody is measured again, so that the first value is forgotten.
    sessions : int, default 1
        Days.
    sides : sequence of str, default ("right",)
    measure : str
        Written into every line.

    Returns
    -------
    DataFrame
        order, session, trial, client, rater, side, measure, value (empty), one row per reading.
        In every round clients come in a new random order, and the raters take turns at being
        first: over a round each is first equally often, as nearly as the number allows.

    Raises
    ------
    ArgumentError
        Fewer than two clients, repeated codes, nothing repeated.

    References
    ----------
    Random or fixed order with rest is common practice, no source.

    Examples
    --------
    >>> sheet = recording_sheet(np.random.default_rng(5), clients=["a", "b"], raters=["r", "s"])
    >>> len(sheet), sheet.columns.tolist()[:3]
    (8, ['order', 'session', 'trial'])
    """
    people, hands, both = list(clients), list(raters), list(sides)
    for name, codes, least in (("clients", people, 2), ("raters", hands, 1), ("sides", both, 1)):
        if len(codes) < least or len(set(codes)) < len(codes):
            raise ArgumentError(
                f"{name} must be {least} or more different codes, got {len(codes)} codes of which "
                f"{len(set(codes))} differ. Give each once."
            )
    rounds, days = check_count("trials", trials), check_count("sessions", sessions)
    if rounds * days * len(hands) < 2:
        raise ArgumentError(
            "the sheet must repeat readings; one trial by one rater in one session does not. "
            "Give trials=2."
        )
    rows = []
    for session in range(1, days + 1):
        for trial in range(1, rounds + 1):
            turn = rng.permutation(len(hands))
            for position, who in enumerate(rng.permutation(len(people))):
                shift = position % len(hands)
                for hand in np.roll(turn, -shift):
                    for side in rng.permutation(len(both)):
                        rows.append((session, trial, people[who], hands[hand], both[side]))
    sheet = pd.DataFrame(rows, columns=["session", "trial", "client", "rater", "side"])
    sheet.insert(0, "order", np.arange(1, len(sheet) + 1))
    return sheet.assign(measure=measure, value=pd.array([pd.NA] * len(sheet), dtype="Float64"))
