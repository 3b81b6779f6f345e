"""Time to gain when leaving care is an ending of its own: Aalen-Johansen.

Clients who are discharged, or stop coming, before the gain was seen can no longer reach it in our
sight. Kaplan-Meier takes them to gain later like those who stay; here each ending has its own
share, and the shares and those still in care add up to one.

    F_k(t) = sum_{t_j <= t} S(t_j -) d_kj / n_j      S: still in care and short of the gain
    variance by the delta method (Greenwood-type; Marubini & Valsecchi 1995, section 10.2)
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_between, rows_must

__all__ = ["aalen_johansen"]


def aalen_johansen(
    time: pd.Series | np.ndarray,
    ending: pd.Series | np.ndarray,
    *,
    censored: tuple[str, ...] = ("no further record",),
    level: float = 0.95,
) -> pd.DataFrame:
    """Give, over time, the share of clients who gained, and who left in each way before it.

    Use to say what to expect of 100 clients who start: so many gain, so many are discharged, so
    many stop coming. Do not use its share of gain to judge the treatment alone: it falls when more
    clients leave.

    Parameters
    ----------
    time : array of float
        Weeks or visits until the ending; 0 or more.
    ending : array of str
        How it ended for each client: ``"gain"``, ``"discharged"``, ``"stopped coming"`` ...
    censored : tuple of str
        Endings that only end the record.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        Per ending and distinct time: ending, time (from 0), at_risk, events, share (cumulated
        incidence), standard_error, ci_low, ci_high (log(-log) scale), ci_level.

    Raises
    ------
    DataError
        If times are negative or missing, or every client is censored.

    References
    ----------
    Aalen & Johansen 1978, Scand J Stat 5:141.

    Examples
    --------
    >>> found = aalen_johansen([1, 2, 3, 4], ["gain", "discharged", "gain", "no further record"])
    >>> found[found["ending"] == "gain"]["share"].tolist()
    [0.0, 0.25, 0.25, 0.5, 0.5]

    Checked against: R's survival (test_time_to_gain_competing).
    """
    times, words = np.asarray(time, dtype=float), np.asarray(ending, dtype=object).astype(str)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    if times.size != words.size or times.size == 0:
        raise DataError(
            f"time and ending must have one entry per client, got {times.size} and {words.size}."
        )
    wrong = ~(np.isfinite(times) & (times >= 0))
    if wrong.any():
        raise rows_must("time", "be zero or more", wrong, "Leave these clients out")
    causes = sorted(set(words) - set(censored))
    if not causes:
        raise DataError("at least one client must have an ending; all are censored.")
    points = np.unique(np.concatenate([[0.0], times]))
    place = np.searchsorted(points, times)
    gone = np.bincount(place, minlength=points.size).astype(float)
    n = times.size - np.concatenate([[0], np.cumsum(gone)[:-1]])
    falls = {
        cause: np.bincount(place[words == cause], minlength=points.size).astype(float)
        for cause in causes
    }
    d = np.sum(list(falls.values()), axis=0)
    before = np.concatenate([[1.0], np.cumprod(1 - d / n)[:-1]])
    z = float(stats.norm.ppf(0.5 + level / 2))
    parts = []
    for cause in causes:
        share = np.cumsum(before * falls[cause] / n)
        error = np.sqrt(np.maximum(_variance(share, before, falls[cause], d, n), 0))
        inside = (share > 0) & (share < 1)
        p = np.where(inside, share, 0.5)
        reach = np.exp(z * error / (p * np.abs(np.log(p))))
        parts.append(
            pd.DataFrame(
                {
                    "ending": cause,
                    "time": points,
                    "at_risk": n.astype("int64"),
                    "events": falls[cause].astype("int64"),
                    "share": share,
                    "standard_error": error,
                    "ci_low": np.where(inside, p**reach, share),
                    "ci_high": np.where(inside, p ** (1 / reach), share),
                    "ci_level": level,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _variance(
    share: np.ndarray, before: np.ndarray, own: np.ndarray, d: np.ndarray, n: np.ndarray
) -> np.ndarray:
    """Sum, up to each time t, what each earlier time adds to the variance of F(t).

    A time j moves F(t) by its own step, before_j d_own / n, and, through the clients it takes
    away, by what still comes: (F(t) - F(t_j)) / (1 - d / n). Multinomial variances and covariances
    of the two kinds of endings at j give the sum; expanding in F(t) makes it three running sums.
    """
    left = n - d
    other = d - own
    # influence of one own ending and of one other ending at j: a_j + b_j (F(t) - F_j), b_j (...)
    b = np.divide(-1.0, left, out=np.zeros_like(n), where=left > 0)
    a = before / n
    gain_var = own * (n - own) / n
    other_var = other * (n - other) / n
    both_cov = -own * other / n
    total_var = gain_var + other_var + 2 * both_cov
    square = np.cumsum(a**2 * gain_var)
    mixed = np.cumsum(a * b * (gain_var + both_cov))
    mixed_at = np.cumsum(a * b * (gain_var + both_cov) * share)
    pull = np.cumsum(b**2 * total_var)
    pull_at = np.cumsum(b**2 * total_var * share)
    pull_at2 = np.cumsum(b**2 * total_var * share**2)
    return (
        square + 2 * (share * mixed - mixed_at) + share**2 * pull - 2 * share * pull_at + pull_at2
    )
