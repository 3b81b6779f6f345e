"""Home exercise and kept gain: weeks done against weeks not done, within and between clients.

Notation: between two visits of a client, ``x`` share of the prescribed exercise done, ``y`` gain of
the before-treatment level per week, ``t`` time of the middle of the interval. Clients who exercise
differ from those who do not; the within-client comparison sets each client against themself.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_between, check_columns
from outcomes.statistics.individual_change._clusters import jackknife_row, sums_by_client

__all__ = ["exercise_intervals", "home_exercise_link"]

_SERIES = ("client", "episode", "side", "mode", "instrument")


def exercise_intervals(
    values: pd.DataFrame, diary: pd.DataFrame, *, better: str = "higher"
) -> pd.DataFrame:
    """Put beside every interval between two visits how much exercise was done in it.

    Parameters
    ----------
    values : DataFrame
        One measure's before-treatment visits: `client`, `visit`, `date`, `value`, and `episode`,
        `side`, `mode`, `instrument` where present.
    diary : DataFrame
        The table `home_exercise`: `client`, `date`, `prescribed`, `done`. Lines without either
        number are passed over.
    better : ``"higher"`` or ``"lower"``
        The good direction.

    Returns
    -------
    DataFrame
        One row per client and interval with diary lines: keys, `visit` (at its start), `week` (its
        middle), `days_to_next`, `adherence` (done / prescribed, at most 1), `diary_days`,
        `gain_per_week`.

    Raises
    ------
    DataError
        If a column is absent.

    Examples
    --------
    >>> day = pd.to_datetime(["2026-01-05", "2026-01-12", "2026-01-07"])
    >>> values = pd.DataFrame({"client": "a", "visit": [1, 2], "date": day[:2],
    ...                        "value": [50.0, 54.0]})
    >>> diary = pd.DataFrame({"client": ["a"], "date": day[2:], "prescribed": [3.0], "done": [2.0]})
    >>> exercise_intervals(values, diary)["gain_per_week"].tolist()
    [4.0]
    """
    if better not in ("higher", "lower"):
        raise ArgumentError(f"better must be 'higher' or 'lower', got {better!r}.")
    check_columns(values, ["client", "visit", "date", "value"], thing="the table of readings")
    check_columns(diary, ["client", "date", "prescribed", "done"], thing="the exercise diary")
    sign = 1.0 if better == "higher" else -1.0
    keys = [c for c in _SERIES if c in values.columns]
    visits = values.loc[values["value"].notna(), [*keys, "visit", "date", "value"]]
    visits = visits.sort_values([*keys, "date"], kind="stable", ignore_index=True)
    groups = visits.groupby(keys, sort=False, dropna=False)
    series = groups.ngroup().to_numpy()
    day = visits["date"].to_numpy("datetime64[s]").astype(np.int64) / 86400
    value = visits["value"].to_numpy(float)
    last = np.r_[series[1:] != series[:-1], True] if len(visits) else np.array([], dtype=bool)
    days = np.where(last, np.nan, np.r_[day[1:], np.nan][: day.size] - day)
    first = np.full(series.max(initial=-1) + 1, np.inf)
    np.minimum.at(first, series, day)
    gain = np.r_[value[1:], np.nan][: value.size] - value
    usable = days > 0
    rows = visits.loc[:, [*keys, "visit", "date"]].assign(
        days_to_next=days,
        week=(day - first[series] + days / 2) / 7,
        gain_per_week=sign * gain / np.where(usable, days, np.nan) * 7,
    )
    rows = rows.loc[rows["days_to_next"] > 0].reset_index(drop=True)
    done = _diary_sums(rows, diary)
    rows = pd.concat([rows, done], axis=1)
    columns = [*keys, "visit", "week", "days_to_next", "adherence", "diary_days", "gain_per_week"]
    return rows.loc[rows["diary_days"] > 0, columns].reset_index(drop=True)


def _diary_sums(rows: pd.DataFrame, diary: pd.DataFrame) -> pd.DataFrame:
    """Sum the diary over [start, next visit) of every interval, by cumulative sums per client."""
    lines = diary.loc[diary["prescribed"].gt(0) & diary["done"].notna()]
    clients = pd.Index(rows["client"]).append(pd.Index(lines["client"])).unique()
    who = clients.get_indexer(pd.Index(lines["client"]))
    when = lines["date"].to_numpy("datetime64[D]").astype(np.int64)
    order = np.lexsort([when, who])
    span = np.int64(1_000_000)  # days; keeps the clients apart on one axis
    axis = who[order] * span + when[order]
    amounts = np.column_stack(
        [lines["prescribed"].to_numpy(float), lines["done"].to_numpy(float), np.ones(len(lines))]
    )[order]
    running = np.vstack([np.zeros(3), np.cumsum(amounts, axis=0)])
    start = rows["date"].to_numpy("datetime64[D]").astype(np.int64)
    code = clients.get_indexer(pd.Index(rows["client"])) * span
    low = np.searchsorted(axis, code + start)
    high = np.searchsorted(axis, code + start + np.rint(rows["days_to_next"]).astype(np.int64))
    prescribed, done, lines_in = (running[high] - running[low]).T
    share = np.divide(done, prescribed, out=np.full(done.size, np.nan), where=prescribed > 0)
    return pd.DataFrame({"adherence": np.minimum(share, 1), "diary_days": lines_in.astype(int)})


def home_exercise_link(
    intervals: pd.DataFrame, *, done_share: float = 0.5, confidence: float = 0.95
) -> pd.DataFrame:
    """Set the gain of weeks with exercise against weeks without, in the same client and between.

    Use as a hint for the talk with the client. It is no proof that exercise works: who is willing
    differs from who is not, and within a client good weeks may bring the exercise, not the other
    way round. Diaries flatter.

    Parameters
    ----------
    intervals : DataFrame
        What `exercise_intervals` gave.
    done_share : float
        Share of the prescribed exercise from which a week counts as done, in (0, 1).
    confidence : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        Rows ``within client``, ``between clients`` (gain per week of full against no exercise),
        ``difference between and within``, ``weeks done minus weeks not done, same client``; columns
        `quantity`, `question`, `estimate`, `standard_error`, interval, `df`, `p_value`, `n`,
        `method`.

    Raises
    ------
    DataError
        If fewer than 10 clients have two intervals each, or exercise does not vary.

    Notes
    -----
    Within: y and x less the client's means, adjusted for time in care (log of 1 + week) so that
    fading gain and fading diligence are not mistaken for a link. Between: client means, weighted
    by intervals, likewise adjusted. Delete-one-client jackknife intervals.

    References
    ----------
    Mundlak (1978) Econometrica 46:69-85, doi:10.2307/1913646.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> frame = pd.DataFrame({"client": np.repeat(np.arange(30), 6), "week": np.tile(np.arange(6.0),
    ...                       30), "adherence": rng.uniform(size=180)})
    >>> frame["gain_per_week"] = 1 + 2 * frame["adherence"] + rng.normal(0, 0.2, 180)
    >>> round(float(home_exercise_link(frame)["estimate"][0]), 1)
    2.1

    Checked against: statsmodels' OLS; planted links within and between in the tests.
    """
    check_between("done_share", done_share, 0, 1, remedy="Give 0.5")
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    check_columns(intervals, ["client", "week", "adherence", "gain_per_week"])
    frame = intervals.dropna(subset=["week", "adherence", "gain_per_week"])
    code = frame.groupby("client", sort=False).ngroup().to_numpy()
    size = np.bincount(code)
    frame, code = frame.loc[size[code] >= 2], code[size[code] >= 2]
    code = np.unique(code, return_inverse=True)[1]
    if code.size == 0 or code.max() < 9:
        raise DataError(
            "a home-exercise comparison must rest on at least 10 clients with two intervals, got "
            f"{0 if code.size == 0 else int(code.max()) + 1}. Wait for more diaries."
        )
    data = np.column_stack(
        [
            frame["gain_per_week"].to_numpy(float),
            frame["adherence"].to_numpy(float),
            np.log1p(frame["week"].to_numpy(float)),
        ]
    )
    size = np.bincount(code)
    means = sums_by_client(code, data) / size[:, None]
    within = _cross(code, data - means[code])
    between = _cross(np.arange(size.size), means, weights=size)
    if within[:, 1, 1].sum() < 1e-9 or np.var(means[:, 1]) < 1e-9:
        raise DataError("the exercise done must vary between weeks and clients. Check the diary.")
    joined = np.concatenate([within.reshape(len(size), -1), between.reshape(len(size), -1)], axis=1)
    k = within[0].size
    rows = [
        (
            "within client",
            "Do a client's weeks with more exercise bring more gain than their other weeks?",
            joined[:, :k],
            _within_slope,
        ),
        (
            "between clients",
            "Do clients who exercise more gain more? (They may differ otherwise.)",
            joined[:, k:],
            _between_slope,
        ),
        (
            "difference between and within",
            "How much of the link between clients is not found within them?",
            joined,
            lambda t: _between_slope(t[..., k:]) - _within_slope(t[..., :k]),
        ),
    ]
    found = [
        {"quantity": name, "question": question, **jackknife_row(sums, statistic, confidence)}
        for name, question, sums, statistic in rows
    ]
    found += _done_against_not(data, code, done_share, confidence)
    return pd.DataFrame(found).assign(
        method="least squares adjusted for time in care; delete-one-client jackknife t interval"
    )


def _cross(code: np.ndarray, rows: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
    """Sum the cross products of (1, y, x, t) or (y, x, t) by client."""
    if weights is None:
        full, scale = rows, np.ones(len(rows))
    else:
        full, scale = np.column_stack([np.ones(len(rows)), rows]), weights
    products = full[:, :, None] * full[:, None, :] * scale[:, None, None]
    flat = sums_by_client(code, products.reshape(len(rows), -1))
    return flat.reshape(len(flat), full.shape[1], full.shape[1])


def _within_slope(total: np.ndarray) -> np.ndarray:
    m = total.reshape(*total.shape[:-1], 3, 3)
    return _solve(m[..., 1:, 1:], m[..., 1:, :1])[..., 0, 0]


def _between_slope(total: np.ndarray) -> np.ndarray:
    m = total.reshape(*total.shape[:-1], 4, 4)
    order = [0, 2, 3]
    inner = m[..., order, :][..., :, order]
    return _solve(inner, m[..., order, 1:2])[..., 1, 0]


def _solve(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve least squares; time drops out where every client came at the same times."""
    return np.linalg.pinv(matrix, rcond=1e-10, hermitian=True) @ right


def _done_against_not(
    data: np.ndarray, code: np.ndarray, done_share: float, confidence: float
) -> list[dict]:
    """Compare, in clients with both, their mean gain in weeks done and in weeks not done."""
    done = data[:, 1] >= done_share
    counts = sums_by_client(code, np.column_stack([done, ~done]).astype(float))
    gains = sums_by_client(code, np.column_stack([data[:, 0] * done, data[:, 0] * ~done]))
    both = (counts > 0).all(axis=1)
    if both.sum() < 5:
        return []
    difference = gains[both, 0] / counts[both, 0] - gains[both, 1] / counts[both, 1]
    sums = np.column_stack([difference, np.ones(both.sum())])
    return [
        {
            "quantity": "weeks done minus weeks not done, same client",
            "question": f"How much more is gained in weeks with at least {done_share:.0%} done?",
            **jackknife_row(sums, lambda t: t[..., 0] / t[..., 1], confidence),
        }
    ]
