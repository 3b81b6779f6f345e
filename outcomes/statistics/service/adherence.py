"""Home exercise: how much of it is done over the weeks, and whether more goes with more gain.

More dose with more gain is not proof that dose brings gain. Clients who do well may exercise more
because it works, clients who do badly may be given more visits, and those who keep a diary differ
from those who do not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import check_between, check_columns, check_count, rows_must
from outcomes.statistics.service.casemix import DEFAULT_ADJUSTMENT, case_mix
from outcomes.statistics.service.robust import least_squares, t_interval

__all__ = ["adherence_by_week", "dose_and_gain", "episode_adherence"]

_EPISODE = ["client", "episode"]


def episode_adherence(home_exercise: pd.DataFrame, *, visits: pd.DataFrame) -> pd.DataFrame:
    """Put every day of the diary into its episode and week, and sum up what was done.

    Parameters
    ----------
    home_exercise : DataFrame
        client, date, prescribed, done. Lines where nothing was prescribed are left out; doing more
        than prescribed counts as all of it.
    visits : DataFrame
        client, episode, date. A day belongs to the latest episode that had begun by then; days
        before the first visit are left out.

    Returns
    -------
    DataFrame
        client, episode, week (whole weeks since the episode's first visit, from 0), n_readings
        (diary lines), adherence (mean over lines of done / prescribed, at most 1; an empty `done`
        counts as 0: the line was opened and not filled).

    Examples
    --------
    >>> visits = pd.DataFrame(
    ...     {"client": ["a"], "episode": [1], "date": pd.to_datetime(["2026-01-05"])}
    ... )
    >>> days = pd.to_datetime(["2026-01-06", "2026-01-07", "2026-01-13"])
    >>> diary = pd.DataFrame({"client": "a", "date": days, "prescribed": 3.0, "done": [3, 0, 6]})
    >>> episode_adherence(diary, visits=visits)["adherence"].tolist()
    [0.5, 1.0]
    """
    check_columns(home_exercise, ["client", "date", "prescribed", "done"], thing="the diary")
    check_columns(visits, [*_EPISODE, "date"], thing="the visits")
    lines = home_exercise[(home_exercise["prescribed"] > 0) & home_exercise["date"].notna()]
    begun = visits.groupby(_EPISODE)["date"].min().rename("begun").reset_index()
    rows = pd.merge_asof(
        lines.sort_values("date", kind="stable"),
        begun.sort_values("begun", kind="stable"),
        left_on="date",
        right_on="begun",
        by="client",
    )
    rows = rows[rows["begun"].notna()]
    rows = rows.assign(
        week=(rows["date"] - rows["begun"]).dt.days // 7,
        adherence=(rows["done"].fillna(0) / rows["prescribed"]).clip(0, 1),
    )
    rows["week"] = rows["week"].astype("int64")
    table = rows.groupby([*_EPISODE, "week"])["adherence"].agg(["size", "mean"]).reset_index()
    return table.rename(columns={"size": "n_readings", "mean": "adherence"})


def adherence_by_week(
    adherence: pd.DataFrame, *, least: int = 5, level: float = 0.95
) -> pd.DataFrame:
    """Give the mean share of home exercise done in each week of care.

    Use for the shape over weeks. Do not read a flat line as lasting effort: those who stop
    writing leave the average, which `n` shows.

    Parameters
    ----------
    adherence : DataFrame
        From `episode_adherence`.
    least : int
        Clients that a week must have to be shown, at least 2.
    level : float
        Level of intervals, in (0, 1).

    Returns
    -------
    DataFrame
        week, n (clients' episodes with a diary in that week), share_keeping (of those who kept a
        diary at all), mean, ci_low, ci_high, ci_level. Each client counts once a week, whatever
        the number of lines; intervals are t intervals over clients, cut off at 0 and 1.

    Examples
    --------
    >>> table = pd.DataFrame({"client": range(6), "episode": 1, "week": 0})
    >>> table["adherence"] = [0.5, 0.6, 0.7, 0.8, 0.9, 1.0]
    >>> adherence_by_week(table)[["n", "mean"]].values.tolist()
    [[6.0, 0.75]]
    """
    check_columns(adherence, [*_EPISODE, "week", "adherence"], thing="the adherence")
    least = check_count("least", least, least=2)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    everyone = len(adherence[_EPISODE].drop_duplicates())
    weeks = adherence.groupby("week")["adherence"].agg(["size", "mean", "std"]).reset_index()
    weeks = weeks[weeks["size"] >= least].reset_index(drop=True)
    n = weeks["size"].to_numpy(float)
    reach = stats.t.ppf(0.5 + level / 2, n - 1) * weeks["std"].to_numpy(float) / np.sqrt(n)
    return pd.DataFrame(
        {
            "week": weeks["week"],
            "n": weeks["size"],
            "share_keeping": n / max(everyone, 1),
            "mean": weeks["mean"],
            "ci_low": np.maximum(weeks["mean"] - reach, 0),
            "ci_high": np.minimum(weeks["mean"] + reach, 1),
            "ci_level": level,
        }
    )


def dose_and_gain(
    rows: pd.DataFrame,
    *,
    doses: Sequence[str],
    adjust_for: Sequence[str] = DEFAULT_ADJUSTMENT,
    level: float = 0.95,
) -> pd.DataFrame:
    """Say whether clients with more visits, minutes or home exercise gained more.

    Use to describe. Do not use to set a dose: read the note of each row.

    Parameters
    ----------
    rows : DataFrame
        One row per episode of one measure: client, improvement, the columns of `doses`, and what
        is adjusted for.
    doses : sequence of str
        Columns such as adherence, n_visits, minutes.
    adjust_for : sequence of str
        As for `compare_quarters`.
    level : float
        Level of intervals, in (0, 1).

    Returns
    -------
    DataFrame
        dose, n, correlation (Spearman), correlation_low, correlation_high, estimate (more
        improvement per standard deviation more of the dose, adjusted), standard_error, df, ci_low,
        ci_high, ci_level, sd (of the dose), notes. Rows without the dose are left out of its row;
        fewer than 10 clients, or a dose that is the same for all, give empty numbers.

    Notes
    -----
    Interval of Spearman's correlation: Fisher's z with variance (1 + r^2 / 2) / (n - 3).

    References
    ----------
    Bonett & Wright 2000, Psychometrika 65:23, doi:10.1007/BF02294183.

    Examples
    --------
    >>> rng = np.random.default_rng(2)
    >>> rows = pd.DataFrame({"client": range(40), "adherence": rng.random(40)})
    >>> rows["improvement"] = 5 + 6 * rows["adherence"] + rng.normal(0, 2, 40)
    >>> found = dose_and_gain(rows, doses=["adherence"], adjust_for=())
    >>> bool(found["ci_low"].iloc[0] > 0)
    True
    """
    check_columns(rows, ["client", "improvement", *doses], thing="the rows")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    wrong = ~np.isfinite(rows["improvement"].to_numpy(float))
    if wrong.any():
        raise rows_must("improvement", "be a finite number", wrong, "Leave these rows out")
    names = [
        "dose", "n", "correlation", "correlation_low", "correlation_high", "estimate",
        "standard_error", "df", "ci_low", "ci_high", "ci_level", "sd", "notes",
    ]  # fmt: skip
    found = [_dose(rows, dose, adjust_for, level) for dose in doses]
    return pd.DataFrame(found, columns=names)


def _dose(
    rows: pd.DataFrame, dose: str, adjust_for: Sequence[str], level: float
) -> dict[str, object]:
    own = rows[np.isfinite(rows[dose].to_numpy(float, na_value=np.nan))]
    mix = case_mix(own, adjust_for=[name for name in adjust_for if name != dose])
    own = own[mix.kept]
    given, gain = own[dose].to_numpy(float), own["improvement"].to_numpy(float)
    row: dict[str, object] = {"dose": dose, "n": len(own), "ci_level": level}
    if len(own) < 10 + mix.design.shape[1] or np.ptp(given) == 0 or np.ptp(gain) == 0:
        return row | {"notes": "Too few clients, or no differences between them."}
    correlation = float(stats.spearmanr(given, gain).statistic)
    bounded = min(max(correlation, -1 + 1e-12), 1 - 1e-12)
    reach = stats.norm.ppf(0.5 + level / 2) * np.sqrt((1 + bounded**2 / 2) / (len(own) - 3))
    sd = float(given.std(ddof=1))
    design = np.column_stack([np.ones(len(own)), (given - given.mean()) / sd, mix.design])
    fit = least_squares(design, gain, own["client"].to_numpy())
    estimate, error, df = fit.contrast(np.eye(design.shape[1])[1])
    low, high = t_interval(estimate, error, df, level)
    caution = (
        "Not an effect of the dose: clients who do well may do or get more, or stop sooner, "
        "for that very reason."
    )
    return row | {
        "correlation": correlation,
        "correlation_low": float(np.tanh(np.arctanh(bounded) - reach)),
        "correlation_high": float(np.tanh(np.arctanh(bounded) + reach)),
        "estimate": estimate,
        "standard_error": error,
        "df": df,
        "ci_low": low,
        "ci_high": high,
        "sd": sd,
        "notes": " ".join([caution, *mix.notes]),
    }
