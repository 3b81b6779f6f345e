"""Whether groups of clients reach the gain at different times: log-rank, and its interval form.

Both give each client a score that is large for an early gain, and ask whether the sum of scores of
a group is further from its expectation than chance allows.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_choice, rows_must
from outcomes.statistics.time_to_gain.kaplan_meier import checked_times
from outcomes.statistics.time_to_gain.turnbull import checked_ends, contains, turnbull

__all__ = ["interval_score_test", "log_rank"]


def log_rank(
    time: pd.Series | np.ndarray,
    reached: pd.Series | np.ndarray,
    group: pd.Series | np.ndarray,
) -> pd.DataFrame:
    """Compare the times of two or more groups.

    Parameters
    ----------
    time, reached
        As for `kaplan_meier`.
    group : array
        Group of each client, without empty cells.

    Returns
    -------
    DataFrame
        group, n, events, expected (if all groups were alike), statistic (chi-square), df, p_value:
        the last three the same in every row.

    Raises
    ------
    DataError
        If there is one group only, or an empty cell.

    References
    ----------
    Mantel 1966, Cancer Chemother Rep 50:163.

    Examples
    --------
    >>> found = log_rank([1, 2, 3, 4, 5, 6], [True] * 6, [*"aaabbb"])
    >>> round(float(found["statistic"].iloc[0]), 2)
    5.05

    Checked against: Gehan's 6-MP data, 16.79 (test_time_to_gain_kaplan_meier).
    """
    times, events = checked_times(time, reached)
    codes, names = group_codes(group, times.size)
    points = np.unique(times[events])
    at_risk = np.array(
        [[(times[codes == g] >= t).sum() for g in range(len(names))] for t in points]
    )
    fell = np.array(
        [[(events & (times == t) & (codes == g)).sum() for g in range(len(names))] for t in points]
    )
    at_risk = at_risk.reshape(-1, len(names)).astype(float)
    fell = fell.reshape(-1, len(names)).astype(float)
    n, d = at_risk.sum(axis=1), fell.sum(axis=1)
    shares = at_risk / n[:, None] if n.size else at_risk
    expected = (shares * d[:, None]).sum(axis=0)
    factor = np.divide(d * (n - d), n - 1, out=np.zeros_like(d), where=n > 1)
    variance = np.diag((shares * factor[:, None]).sum(axis=0))
    variance -= np.einsum("ti,tj,t->ij", shares, shares, factor)
    gap = fell.sum(axis=0) - expected
    return chi_square_rows(names, np.bincount(codes), fell.sum(axis=0), expected, gap, variance)


def interval_score_test(
    left: pd.Series | np.ndarray,
    right: pd.Series | np.ndarray,
    group: pd.Series | np.ndarray,
    *,
    scores: str = "sun",
) -> pd.DataFrame:
    """Compare the times of two or more groups when gains happen between visits.

    Use where groups are seen at similar intervals. A group that is seen more often shows its gains
    earlier in any test that ignores the intervals; this one does not.

    Parameters
    ----------
    left, right : array of float
        As for `turnbull`.
    group : array
        Group of each client, without empty cells.
    scores : {"sun", "finkelstein"}
        Log-rank scores from the cumulated hazards, or from the log of the curve (the score of
        proportional hazards).

    Returns
    -------
    DataFrame
        group, n, score (positive: earlier gains than all groups together), statistic
        (chi-square), df, p_value.

    Notes
    -----
    With S the curve of all clients and g(S) = S H, H the cumulated hazard (or S log S, negative),
    client i scores [g(R_i) - g(L_i)] / [S(L_i) - S(R_i)] with the sign that makes early gains
    positive. The variance is that of permutations of the groups.

    References
    ----------
    Finkelstein 1986, Biometrics 42:845. Sun 1996, Stat Med 15:1387. Fay & Shaw 2010, J Stat Softw
    36(2), doi:10.18637/jss.v036.i02.

    Examples
    --------
    >>> found = interval_score_test([0, 0, 1, 4, 5, 6], [1, 2, 3, 6, 8, 9], [*"aaabbb"])
    >>> bool(found.loc[0, "score"] > 0)
    True

    Checked against: the breast cosmesis example of Fay & Shaw 2010 (test_time_to_gain_turnbull).
    """
    check_choice("scores", scores, ("sun", "finkelstein"))
    lower, upper = checked_ends(left, right)
    codes, names = group_codes(group, lower.size)
    curve = turnbull(lower, upper)
    support = curve.masses[["left", "right"]].to_numpy(float)
    inside = contains(lower, upper, support)
    mass = curve.masses["mass"].to_numpy(float)
    before = np.append(1.0, np.clip(1 - np.cumsum(mass), 0, 1))
    if scores == "sun":
        hazard = np.divide(mass, before[:-1], out=np.zeros_like(mass), where=before[:-1] > 1e-12)
        total = np.append(0.0, np.cumsum(hazard))
        curved = before * total
    else:
        safe = np.where(before > 1e-12, before, 1.0)
        curved = -before * np.log(safe)
    first = np.argmax(inside, axis=1)
    last = inside.shape[1] - np.argmax(inside[:, ::-1], axis=1)
    chance = before[first] - before[last]
    own = (curved[last] - curved[first]) / chance
    n = np.bincount(codes)
    score = np.bincount(codes, own)
    variance = own.var(ddof=1) * (np.diag(n) - np.outer(n, n) / n.sum())
    gap = score - n * own.mean()
    table = chi_square_rows(names, n, score, score, gap, variance)
    return table.drop(columns="expected").rename(columns={"events": "score"})


def chi_square_rows(
    names: list[str],
    n: np.ndarray,
    events: np.ndarray,
    expected: np.ndarray,
    gap: np.ndarray,
    variance: np.ndarray,
) -> pd.DataFrame:
    """Turn scores that sum to zero into a chi-square statistic, one row per group."""
    inverse = np.linalg.pinv(variance[:-1, :-1], hermitian=True)
    statistic = float(gap[:-1] @ inverse @ gap[:-1])
    df = len(names) - 1
    return pd.DataFrame(
        {
            "group": names,
            "n": n,
            "events": events,
            "expected": expected,
            "statistic": statistic,
            "df": df,
            "p_value": float(stats.chi2.sf(statistic, df)),
        }
    )


def group_codes(group: pd.Series | np.ndarray, size: int) -> tuple[np.ndarray, list[str]]:
    """Code the groups as numbers; refuse empty cells and a single group."""
    words = pd.Series(np.asarray(group, dtype=object))
    if words.size != size:
        raise DataError(f"group must have one entry per client, got {words.size} for {size}.")
    if words.isna().any():
        raise rows_must("group", "be filled in", words.isna(), "Leave these clients out")
    codes, names = pd.factorize(words.astype("str"), sort=True)
    if len(names) < 2:
        raise DataError("group must name at least two groups to compare. Choose another column.")
    return codes, list(names)
