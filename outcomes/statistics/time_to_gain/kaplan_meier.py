"""Time to gain when it is taken as known to the visit: Kaplan-Meier, medians, restricted mean.

S(t) = prod_{t_j <= t} (1 - d_j / n_j)     share of clients still short of the gain
Greenwood   V = S^2 sum d_j / (n_j (n_j - d_j))
interval    log(-log S) -/+ z sqrt(sum d_j / (n_j (n_j - d_j))) / |log S|
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_between, check_positive, rows_must
from outcomes.results import Estimate

__all__ = ["kaplan_meier", "median_time", "numbers_at_risk", "restricted_mean"]


def kaplan_meier(
    time: pd.Series | np.ndarray, reached: pd.Series | np.ndarray, *, level: float = 0.95
) -> pd.DataFrame:
    """Give the share of clients who have not yet reached the gain, over time.

    Use when visits are close together beside the times of interest. Gains that happen between
    distant visits are dated too late: use `turnbull`. Clients who stop coming are taken to be
    like those who stay; where they are not, see `aalen_johansen`.

    Parameters
    ----------
    time : array of float
        Weeks or visits until the gain, or until the last reading; 0 or more.
    reached : array of bool
        True where the gain was reached.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        time (each distinct one, from 0), at_risk, events, censored, survival, standard_error
        (Greenwood), ci_low, ci_high, ci_level.

    Raises
    ------
    DataError
        If times are negative or missing.

    References
    ----------
    Kaplan & Meier 1958, J Am Stat Assoc 53:457, doi:10.1080/01621459.1958.10501452.

    Examples
    --------
    >>> curve = kaplan_meier([2, 3, 3, 5], [True, True, False, False])
    >>> curve["survival"].tolist()
    [1.0, 0.75, 0.5, 0.5]

    Checked against: Gehan's 6-MP remission times; R's survival (test_time_to_gain_kaplan_meier).
    """
    times, events = checked_times(time, reached)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    points = np.unique(np.concatenate([[0.0], times]))
    place = np.searchsorted(points, times)
    d = np.bincount(place[events], minlength=points.size).astype(float)
    gone = np.bincount(place, minlength=points.size).astype(float)
    n = times.size - np.concatenate([[0], np.cumsum(gone)[:-1]])
    survival = np.cumprod(1 - d / n)
    spare = n * (n - d)
    spread = np.cumsum(np.divide(d, spare, out=np.zeros_like(d), where=spare > 0))
    inside = (survival > 0) & (survival < 1)
    log_s = np.log(np.where(inside, survival, 0.5))
    reach = stats.norm.ppf(0.5 + level / 2) * np.sqrt(spread) / np.abs(log_s)
    low = np.where(inside, survival ** np.where(inside, np.exp(reach), 1), survival)
    high = np.where(inside, survival ** np.where(inside, np.exp(-reach), 1), survival)
    return pd.DataFrame(
        {
            "time": points,
            "at_risk": n.astype("int64"),
            "events": d.astype("int64"),
            "censored": (gone - d).astype("int64"),
            "survival": survival,
            "standard_error": survival * np.sqrt(spread),
            "ci_low": low,
            "ci_high": high,
            "ci_level": level,
        }
    )


def numbers_at_risk(
    time: pd.Series | np.ndarray, *, at: Sequence[float] | np.ndarray
) -> pd.DataFrame:
    """Count the clients still in care and short of the gain at given times, for below a figure.

    Parameters
    ----------
    time : array of float
        As for `kaplan_meier`.
    at : sequence of float
        Times.

    Returns
    -------
    DataFrame
        time, at_risk (clients whose time is at or beyond it).

    Examples
    --------
    >>> numbers_at_risk([2, 3, 3, 5], at=[0, 3, 6])["at_risk"].tolist()
    [4, 3, 0]
    """
    times = np.sort(np.asarray(time, dtype=float))
    asked = np.asarray(list(at), dtype=float)
    left = times.size - np.searchsorted(times, asked, side="left")
    return pd.DataFrame({"time": asked, "at_risk": left})


def median_time(curve: pd.DataFrame, *, share: float = 0.5, unit: str = "weeks") -> Estimate:
    """Give the time by which half of the clients have reached the gain.

    Parameters
    ----------
    curve : DataFrame
        From `kaplan_meier`.
    share : float
        Share that has reached it, in (0, 1); 0.5 gives the median.
    unit : str
        ``"weeks"`` or ``"visits"``.

    Returns
    -------
    Estimate
        Infinite where fewer have been seen to reach it; so may be the ends.

    Notes
    -----
    Brookmeyer & Crowley 1982, Biometrics 38:29: the times whose interval of the curve holds
    1 - share, on the log(-log) scale.

    Examples
    --------
    >>> curve = kaplan_meier([1, 2, 3, 4], [True, True, True, True])
    >>> median_time(curve).estimate
    2.0
    """
    share = check_between("share", share, 0, 1)
    left = 1 - share + 1e-12
    ends = [_first_at_or_below(curve, name, left) for name in ("survival", "ci_low", "ci_high")]
    n = int(curve["at_risk"].iloc[0])
    notes = () if np.isfinite(ends[0]) else (f"Fewer than {share:.0%} were seen to reach it.",)
    return Estimate(
        estimate=ends[0],
        ci_low=ends[1],
        ci_high=ends[2],
        ci_level=float(curve["ci_level"].iloc[0]),
        n=n,
        unit=unit,
        method="Kaplan-Meier, interval by Brookmeyer & Crowley on the log(-log) scale",
        measure=f"time until {share:.0%} have reached the gain",
        notes=notes,
    )


def restricted_mean(
    curve: pd.DataFrame, *, until: float, level: float = 0.95, unit: str = "weeks"
) -> Estimate:
    """Give the mean time short of the gain, counted up to a horizon.

    Use where half of the clients never reach the gain and there is no median.

    Parameters
    ----------
    curve : DataFrame
        From `kaplan_meier`.
    until : float
        Horizon, above 0 and not beyond the last time seen.
    level : float
        Level of the interval, in (0, 1).
    unit : str
        ``"weeks"`` or ``"visits"``.

    Returns
    -------
    Estimate

    Raises
    ------
    DataError
        If the horizon lies beyond what was seen.

    Notes
    -----
    Area under the curve up to the horizon; variance sum_j A_j^2 d_j / (n_j (n_j - d_j)), A_j the
    area from t_j on (Royston & Parmar 2013, BMC Med Res Methodol 13:152,
    doi:10.1186/1471-2288-13-152).

    Examples
    --------
    >>> curve = kaplan_meier([1, 2, 3, 4], [True, True, True, True])
    >>> restricted_mean(curve, until=4).estimate
    2.5
    """
    until = check_positive("until", until)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    if until > curve["time"].iloc[-1] + 1e-12:
        raise DataError(
            "until must not lie beyond the last time at which a client was seen. "
            "Choose an earlier horizon."
        )
    times = curve["time"].to_numpy(float)
    ends = np.minimum(np.append(times[1:], until), until)
    pieces = curve["survival"].to_numpy(float) * np.maximum(ends - times, 0)
    after = np.cumsum(pieces[::-1])[::-1]
    d, n = curve["events"].to_numpy(float), curve["at_risk"].to_numpy(float)
    used = (times <= until) & (n > d)
    terms = np.divide(d, n * (n - d), out=np.zeros_like(d), where=used)
    error = float(np.sqrt((after**2 * terms)[used].sum()))
    reach = float(stats.norm.ppf(0.5 + level / 2)) * error
    return Estimate(
        estimate=float(pieces.sum()),
        ci_low=float(pieces.sum()) - reach,
        ci_high=float(pieces.sum()) + reach,
        ci_level=level,
        n=int(n[0]),
        unit=unit,
        method=f"restricted mean up to {until:g}, normal interval",
        measure="mean time short of the gain",
    )


def checked_times(time: object, reached: object) -> tuple[np.ndarray, np.ndarray]:
    """Turn times and endings into arrays; refuse unequal lengths and impossible times."""
    times, events = np.asarray(time, dtype=float), np.asarray(reached, dtype=bool)
    if times.size != events.size or times.size == 0:
        raise DataError(
            f"time and reached must have one entry per client, got {times.size} and {events.size}."
        )
    wrong = ~(np.isfinite(times) & (times >= 0))
    if wrong.any():
        raise rows_must("time", "be zero or more", wrong, "Leave these clients out")
    return times, events


def _first_at_or_below(curve: pd.DataFrame, column: str, left: float) -> float:
    reached = curve[column].to_numpy(float) <= left
    return float(curve["time"].iloc[int(np.argmax(reached))]) if reached.any() else float("inf")
