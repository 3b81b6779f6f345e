"""How much worse leavers must be before the conclusion changes, visit by visit.

Notation: the package. Improvement at visit k in set m is ``q_m - delta w``, w the mean number of
times that delta counts; its variance is quadratic in delta. All sets are kept, so that one set of
draws answers for every delta.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import root_scalar
from scipy.special import stdtrit

from outcomes.errors import check_between
from outcomes.statistics.effect_size.imputation import pool_imputations
from outcomes.statistics.effect_size.missing_visits.stories import CourseImputations

__all__ = ["course_tipping_point"]


def course_tipping_point(
    sets: CourseImputations,
    *,
    line: float = 0.0,
    grows: bool = False,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Say for every visit how much worse leavers must be before the conclusion changes.

    Use after `course_sensitivity`. Hold the answer against what is plausible: leavers who are worse
    by more than the whole gain must have lost ground.

    Parameters
    ----------
    sets : CourseImputations
        From `impute_course`.
    line : float
        Mean improvement that the conclusion claims to exceed.
    grows : bool
        Whether delta is added again at every visit after leaving.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        One row per visit after the first: `visit`, `estimate` and interval missing at random,
        `share_left`, `delta` (where the interval's lower end meets the line), `delta_estimate`
        (where the estimate does). Infinite where nobody had left, empty where the interval does
        not lie above the line even missing at random.

    Notes
    -----
    Rubin's rules at every delta, on the same draws.

    References
    ----------
    Yan, Lee & Li (2009) J Biopharm Stat 19:1085-1098, doi:10.1080/10543400903243009.

    Examples
    --------
    >>> from outcomes.statistics.effect_size import impute_course
    >>> rng = np.random.default_rng(1)
    >>> client, visit = np.repeat(np.arange(40), 4), np.tile(np.arange(1, 5), 40)
    >>> values = pd.DataFrame({"client": client, "visit": visit, "week": visit - 1.0,
    ...     "value": rng.normal(50, 8, 40)[client] + 2 * visit + rng.normal(0, 2, 160)})
    >>> sets = impute_course(values[(client > 9) | (visit < 3)], rng=rng)
    >>> course_tipping_point(sets)["delta"].round(-1).tolist()
    [inf, 10.0, 10.0]

    Checked against: `course_sensitivity` at the delta found.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    completed = sets.complete()
    weight = sets.leaving_weight(grows=grows)
    upper = 1 - (1 - confidence) / 2
    rows = []
    for k in range(1, sets.n_visits):
        gain = completed[..., k] - completed[..., 0]
        w = weight[:, k]
        q, u = gain.mean(axis=1), gain.var(axis=1, ddof=1)
        with_w = (gain - q[:, None]) @ (w - w.mean()) / (sets.n - 1)
        own = float(w.var(ddof=1))

        def ends(delta: float, q=q, u=u, with_w=with_w, own=own, w=w) -> tuple[float, float, float]:
            variance = np.maximum(u - 2 * delta * with_w + delta**2 * own, 0) / sets.n
            p = pool_imputations(q - delta * w.mean(), variance, complete_df=sets.n - 1)
            half = float(stdtrit(p.df, upper)) * p.standard_error
            return p.estimate - half, p.estimate, p.estimate + half

        low, estimate, high = ends(0.0)
        tip = at_estimate = np.nan
        if low > line:
            at_estimate = (estimate - line) / w.mean() if w.any() else np.inf
            tip = np.inf
            if w.any():
                tip = float(
                    root_scalar(lambda d: ends(d)[0] - line, bracket=(0.0, at_estimate)).root
                )
        rows.append((int(sets.visits[k]), estimate, low, high, confidence,
                     float(sets.share_left[k]), tip, at_estimate, sets.n))  # fmt: skip
    columns = ["visit", "estimate", "ci_low", "ci_high", "ci_level", "share_left", "delta",
               "delta_estimate", "n"]  # fmt: skip
    return pd.DataFrame(rows, columns=pd.Index(columns))
