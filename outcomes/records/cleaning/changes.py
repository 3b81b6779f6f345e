"""Rules about how a client was measured: one instrument, one rater, one mode all along.

Each looks for the first visit at which another word stands than at the visit before. A client in
whom both instruments (or both modes) were used at one visit is not asked about: there the two go
side by side. One question a client and measure is enough.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.records.cleaning.findings import WHOLE, findings
from outcomes.records.cleaning.records import Records, combine, starts_of

__all__ = ["active_mixed_with_passive", "instrument_changed", "rater_changed"]

#: Share of episodes with several raters from which this is the custom of the clinic.
CUSTOM = 0.1


def instrument_changed(records: Records) -> pd.DataFrame:
    """Ask where a client's measure goes on with another instrument."""
    rows = _switches(records, "instrument", ("client", "episode", "measure"))
    reason = (
        "from this visit on another instrument was used; readings of two instruments are never "
        "compared within a client"
    )
    return findings("measurements", rows, reason, column="instrument", old=_words(records, rows))


def rater_changed(records: Records) -> pd.DataFrame:
    """Ask where a client goes on with another rater; once for all where that is the custom."""
    rows = _switches(records, "rater", ("client", "episode"))
    told = records.code("rater") > 0
    episodes = combine(records.code("client")[told], records.code("episode")[told])
    n = len(np.unique(episodes))
    if len(rows) > max(CUSTOM * n, 10):
        reason = (
            f"in {len(rows):,} of {n:,} episodes another person went on measuring: use the error "
            "between raters, which is larger, or let one person measure each client"
        )
        return findings("measurements", [WHOLE], reason, column="rater")
    reason = "from this visit on another person measured; the error between raters is larger"
    return findings("measurements", rows, reason, column="rater")


def active_mixed_with_passive(records: Records) -> pd.DataFrame:
    """Ask where a client's measure goes on in the other mode."""
    rows = _switches(records, "mode", ("client", "episode", "measure"))
    reason = "active and passive movement are two measures and are never compared"
    return findings("measurements", rows, reason, column="mode")


def _words(records: Records, rows: np.ndarray) -> list[str]:
    words = records.words("instrument")
    return [words[code - 1] for code in records.code("instrument")[rows]]


def _switches(records: Records, column: str, group: tuple[str, ...]) -> np.ndarray:
    """Position of the first reading after the first change in each group."""
    reports = np.array([True, *(measure.self_report for measure in records.measures)])
    told = (records.code(column) > 0) & records.before & ~reports[records.code("measure")]
    rows = np.flatnonzero(told)
    if not len(rows):
        return rows
    series = combine(*(records.code(name)[rows] for name in group))
    several = _groups_with_several(series, records.code(column)[rows])
    rows, series = rows[several], series[several]
    if not len(rows):
        return rows

    day = records.day[rows] - records.day[rows].min()
    visit_key = combine(series, day, records.code("visit")[rows])
    order = np.argsort(visit_key, kind="stable")
    rows, series, visit_key = rows[order], series[order], visit_key[order]
    word = records.code(column)[rows]
    new_visit = starts_of(visit_key)
    mixed = np.r_[False, ~new_visit[1:] & (word[1:] != word[:-1])]
    number, _ = pd.factorize(series)
    side_by_side = np.bincount(number, weights=mixed) > 0
    changed = np.r_[False, new_visit[1:] & (word[1:] != word[:-1]) & (series[1:] == series[:-1])]
    changed &= ~side_by_side[number]
    return rows[changed][~pd.Series(series[changed]).duplicated().to_numpy()]


def _groups_with_several(series: np.ndarray, word: np.ndarray) -> np.ndarray:
    """Mark the rows whose group has more than one word (most have not, and are left alone)."""
    number, _ = pd.factorize(series)
    first = np.zeros(int(number.max()) + 1, dtype=np.int64)
    first[number[::-1]] = word[::-1]
    other = word != first[number]
    return (np.bincount(number, weights=other) > 0)[number]
