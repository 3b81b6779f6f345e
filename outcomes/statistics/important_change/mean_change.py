"""The smallest important change as the mean change of the slightly better."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import DataError, check_between
from outcomes.results import Estimate
from outcomes.statistics.important_change.anchor import read_anchored

__all__ = ["mean_change_threshold"]


def mean_change_threshold(
    changes: pd.DataFrame,
    *,
    direction: str = "improvement",
    slightly: tuple[float, float] = (2.0, 3.0),
    against_unchanged: bool = False,
    confidence: float = 0.95,
) -> Estimate:
    """Give the mean change of clients who call themselves slightly better (or slightly worse).

    Use it beside `predictive_threshold`, to compare with older papers. Do not use it to class
    single clients: it is the middle of a group, and half of those slightly better lie below it.

    Parameters
    ----------
    changes : DataFrame
        improvement and rating, one row per client.
    direction : {"improvement", "deterioration"}
    slightly : tuple of float, default (2, 3)
        Ratings that mean slightly better; their mirror image means slightly worse.
    against_unchanged : bool, default False
        Subtract the mean change of the clients who rate themselves unchanged.
    confidence : float, default 0.95

    Returns
    -------
    Estimate
        Positive: distance in the direction asked about.

    Raises
    ------
    DataError
        Fewer than two clients in a class; as `read_anchored`.

    Notes
    -----
    Mean and t interval; against unchanged, the difference with Welch's df.

    References
    ----------
    Jaeschke, Singer & Guyatt 1989, Control Clin Trials 10:407, doi:10.1016/0197-2456(89)90005-6.

    Examples
    --------
    >>> changes = pd.DataFrame({"improvement": [1, 2, 6, 8, 7, 20.0], "rating": [0, 0, 2, 3, 2, 6]})
    >>> mean_change_threshold(changes).estimate
    7.0
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    found = read_anchored(changes, direction=direction, slightly=slightly, both_classes=False)
    few = found.change[found.slightly]
    parts = [few]
    if against_unchanged:
        parts.append(found.change[found.unchanged])
    if min(len(part) for part in parts) < 2:
        raise DataError(
            f"ratings must put two or more clients in each class used; they hold "
            f"{' and '.join(str(len(part)) for part in parts)}. Widen slightly, or wait for more "
            "ratings."
        )
    means = [float(part.mean()) for part in parts]
    squares = [float(part.var(ddof=1)) / len(part) for part in parts]
    error = float(np.sqrt(sum(squares)))
    below = sum(q**2 / (len(p) - 1) for q, p in zip(squares, parts, strict=True))
    df = error**4 / below if below > 0 else float(len(few) - 1)
    half = float(stdtrit(df, (1 + level) / 2)) * error
    estimate = means[0] - (means[1] if against_unchanged else 0.0)
    word = "better" if direction == "improvement" else "worse"
    notes = list(found.notes)
    if len(few) < 10:
        notes.append(f"Only {len(few)} clients are slightly {word}.")
    return Estimate(
        measure=f"{found.quantity}: mean change of the slightly {word}",
        estimate=estimate,
        ci_low=estimate - half,
        ci_high=estimate + half,
        ci_level=level,
        n=sum(len(part) for part in parts),
        method="mean, t interval" + (", less the unchanged, Welch" if against_unchanged else ""),
        notes=tuple(notes),
    )
