"""The gain within a visit, and what is left of it at the next.

Notation: ``B_v`` reading before and ``A_v`` after the treatment of visit v, turned so that higher
is better; immediate gain ``I_v = A_v - B_v``; kept gain ``K_v = B_(v+1) - B_v``.

``I_v`` and ``K_v`` share the error of ``B_v``: their plain regression finds a link where there is
none. The share kept is therefore a ratio of sums, which shared error does not touch, and the link
between clients comes from a mixed model of all readings:

    reading ~ h(week) + after + h:after,   client: 1 + h + after,   visit within client: 1

Gains within visits usually shrink as care goes on: without h:after the trend of the before level
would be pulled towards the flatter one of the readings after treatment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import (
    ArgumentError,
    DataError,
    ModelError,
    check_between,
    check_columns,
)
from outcomes.results import Claim
from outcomes.statistics.individual_change._clusters import jackknife_row, sums_by_client
from outcomes.statistics.individual_change._course_parts import time_scale
from outcomes.statistics.individual_change.client_courses import fit_client_courses
from outcomes.statistics.mixed_model import fit_mixed_model
from outcomes.statistics.mixed_model.profile import profile_interval

__all__ = ["KeptGains", "immediate_and_kept"]

_SCALED = ("estimate", "standard_error", "ci_low", "ci_high")
_SERIES = ("client", "episode", "side", "mode", "instrument")


@dataclass(frozen=True, eq=False, kw_only=True)
class KeptGains(Claim):
    """Immediate and kept gains of one measure.

    Attributes
    ----------
    n, n_intervals : int
        Clients, and pairs of consecutive visits.
    per_visit : DataFrame
        One row per client and visit: keys, `visit`, `week`, `immediate_gain`, `days_to_next`,
        `kept_gain` (the last two empty at the latest visit).
    per_client : DataFrame
        One row per client: `n_visits`, `immediate_gain` (mean), `kept_gain` (sum), `share_kept`
        (empty where the immediate gains add up to less than three times their error).
    summary : DataFrame
        One row per `quantity`, with `estimate`, interval, `n`, `method`.
    notes : tuple of str
        What a careful reader must know.
    """

    n: int
    n_intervals: int
    per_visit: pd.DataFrame
    per_client: pd.DataFrame
    summary: pd.DataFrame
    notes: tuple[str, ...] = ()


def immediate_and_kept(
    before: pd.DataFrame,
    after: pd.DataFrame,
    *,
    better: str = "higher",
    confidence: float = 0.95,
    scale: float | None = None,
    link: bool = True,
) -> KeptGains:
    """Tell the gain within each visit apart from the part that is still there at the next.

    Use where readings were taken before and after treatment. A gain within a visit is no outcome:
    only the before-treatment level is.

    Parameters
    ----------
    before, after : DataFrame
        One measure's visits, as `visit_values` gives them for each moment: `client`, `visit`,
        `week`, `value`, and `episode`, `side`, `mode`, `instrument` where present. Visits with one
        of the two readings count where they can.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    confidence : float
        Level of the intervals, in (0, 1).
    scale : float, optional
        Scale of the courses where they were learnt already (`ClientCourses.scale`, infinite for a
        straight course); else it is learnt here.
    link : bool
        Fit the mixed model (half a second for 200 clients); False leaves out its three rows.

    Returns
    -------
    KeptGains
        `summary` has the rows ``immediate gain per visit``, ``kept gain per interval``, ``share
        kept``, ``share kept per extra day``, ``trend of the before level per week``,
        ``correlation of immediate and lasting gain`` and ``lasting gain per unit of immediate
        gain`` (the last two from the mixed model; left out, with a note, where it cannot be
        fitted).

    Raises
    ------
    DataError
        If columns are absent, or fewer than 5 clients have an interval with an immediate gain.

    Notes
    -----
    Share kept: sum K / sum I over visits with both. Per extra day: slope of K on days to the next
    visit, over the mean I. Intervals: delete-one-client jackknife. Lasting gain: the client's own
    slope in h, times h at the clients' mean latest visit; the interval of its correlation with the
    immediate gain is by profile likelihood.

    References
    ----------
    Tuttle (2005) Aust J Physiother 51:43-48 on within- and between-session change (abstract read).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, visit = np.repeat(np.arange(30), 6), np.tile(np.arange(6.0), 30)
    >>> level = 50 + 3 * visit
    >>> table = pd.DataFrame({"client": client, "visit": visit + 1, "week": visit})
    >>> found = immediate_and_kept(table.assign(value=level + rng.normal(0, 1, 180)),
    ...                            table.assign(value=level + 6 + rng.normal(0, 1, 180)))
    >>> round(float(found.summary.set_index("quantity").loc["share kept", "estimate"]), 1)
    0.5

    Checked against: planted shares kept, with and without a link, in the tests.
    """
    if better not in ("higher", "lower"):
        raise ArgumentError(f"better must be 'higher' or 'lower', got {better!r}.")
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    if scale is not None and not scale > 0:
        raise ArgumentError(f"scale must be above 0, got {scale}. Leave it out to learn it.")
    for name, frame in (("before", before), ("after", after)):
        check_columns(frame, ["client", "visit", "week", "value"], thing=f"the {name} readings")
    keys = [c for c in _SERIES if c in before.columns and c in after.columns]
    visits = _pair_visits(before, after, keys, 1.0 if better == "higher" else -1.0)
    series = visits.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    usable = visits["immediate_gain"].notna() & visits["kept_gain"].notna()
    if np.unique(series[usable]).size < 5:
        raise DataError(
            "kept gains must rest on at least 5 clients with readings before and after treatment "
            f"and a later visit, got {np.unique(series[usable]).size}. Record both moments."
        )
    rows = _ratios(visits, series, usable.to_numpy(), confidence)
    notes: list[str] = []
    try:
        rows += _from_model(visits, series, confidence, scale) if link else []
    except ModelError as error:
        notes.append(f"No mixed model of both moments: {error}")
    return KeptGains(
        n=int(np.unique(series).size),
        n_intervals=int(np.isfinite(visits["kept_gain"].to_numpy(float)).sum()),
        per_visit=visits.drop(columns=["before_value", "after_value"]),
        per_client=_per_client(visits, keys),
        summary=pd.DataFrame(rows),
        notes=tuple(notes),
    )


def _pair_visits(
    before: pd.DataFrame, after: pd.DataFrame, keys: list[str], sign: float
) -> pd.DataFrame:
    """Put both moments of a visit on one row, and look ahead to the next visit's before reading."""
    taken = [*keys, "visit", "week", "value"]
    found = (
        before.loc[before["value"].notna(), taken]
        .merge(
            after.loc[after["value"].notna(), taken],
            on=[*keys, "visit"],
            how="outer",
            suffixes=("", "_after"),
            validate="one_to_one",
        )
        .sort_values([*keys, "visit"], kind="stable", ignore_index=True)
    )
    found["week"] = found["week"].fillna(found["week_after"])
    found["before_value"] = sign * found["value"]
    found["after_value"] = sign * found["value_after"]
    found["immediate_gain"] = found["after_value"] - found["before_value"]
    groups = found.groupby(keys, sort=False, dropna=False)
    found["days_to_next"] = 7 * (groups["week"].shift(-1) - found["week"])
    found["kept_gain"] = groups["before_value"].shift(-1) - found["before_value"]
    return found.drop(columns=["value", "value_after", "week_after"])


def _ratios(
    visits: pd.DataFrame, series: np.ndarray, usable: np.ndarray, confidence: float
) -> list[dict[str, Any]]:
    """Give the rows that need no model, with jackknife intervals over clients."""
    immediate = visits["immediate_gain"].to_numpy(float)
    kept, days = visits["kept_gain"].to_numpy(float), visits["days_to_next"].to_numpy(float)
    has = np.isfinite(immediate)
    one = np.ones(has.sum())
    method = "delete-one-client jackknife t interval"
    rows = [
        {
            "quantity": "immediate gain per visit",
            **jackknife_row(
                _sums(series[has], immediate[has], one), lambda t: t[..., 0] / t[..., 1], confidence
            ),
            "method": f"mean of after minus before; {method}",
        }
    ]
    has = np.isfinite(kept)
    rows.append(
        {
            "quantity": "kept gain per interval",
            **jackknife_row(
                _sums(series[has], kept[has], np.ones(has.sum())),
                lambda t: t[..., 0] / t[..., 1],
                confidence,
            ),
            "method": f"mean change of the before level to the next visit; {method}",
        }
    )
    i, k, d, who = immediate[usable], kept[usable], days[usable], series[usable]
    rows.append(
        {
            "quantity": "share kept",
            **jackknife_row(_sums(who, k, i), lambda t: t[..., 0] / t[..., 1], confidence),
            "method": f"sum of kept over sum of immediate gains; {method}",
        }
    )
    if np.ptp(d) > 0:
        d = d - d.mean()

        def decay(t: np.ndarray) -> np.ndarray:
            n, sk, sd, skd, sdd, si = np.moveaxis(t, -1, 0)
            return (skd - sk * sd / n) / (sdd - sd**2 / n) / (si / n)

        rows.append(
            {
                "quantity": "share kept per extra day",
                **jackknife_row(
                    _sums(who, np.ones(d.size), k, d, k * d, d * d, i), decay, confidence
                ),
                "method": f"slope of kept gain on days to the next visit / mean gain; {method}",
            }
        )
    return rows


def _sums(series: np.ndarray, *terms: np.ndarray) -> np.ndarray:
    codes = np.unique(series, return_inverse=True)[1]
    return sums_by_client(codes, np.column_stack(terms))


def _per_client(visits: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    both = visits["immediate_gain"].notna() & visits["kept_gain"].notna()
    paired = visits.assign(
        i=visits["immediate_gain"].where(both), k=visits["kept_gain"].where(both)
    )
    table = (
        paired.groupby(keys, sort=False, dropna=False)
        .agg(
            n_visits=("visit", "size"),
            immediate_gain=("immediate_gain", "mean"),
            kept_gain=("kept_gain", "sum"),
            sum_i=("i", "sum"),
            sum_k=("k", "sum"),
            n_both=("i", "count"),
            spread=("immediate_gain", "var"),
        )
        .reset_index()
    )
    own = table["spread"].to_numpy(float)
    pooled = float(np.sqrt(np.mean(own[np.isfinite(own)]))) if np.isfinite(own).any() else np.inf
    clear = table["sum_i"].to_numpy() > 3 * pooled * np.sqrt(table["n_both"].to_numpy())
    ratio = table["sum_k"].to_numpy() / np.where(clear, table["sum_i"].to_numpy(), 1)
    table["share_kept"] = np.where(clear, ratio, np.nan)
    return table.drop(columns=["sum_i", "sum_k", "n_both", "spread"])


def _from_model(
    visits: pd.DataFrame, series: np.ndarray, confidence: float, scale: float | None
) -> list[dict[str, Any]]:
    """Give the trend, and the link between a client's immediate and lasting gain."""
    if scale is None:
        before = pd.DataFrame(
            {
                "client": series,
                "visit": visits["visit"],
                "week": visits["week"],
                "value": visits["before_value"],
            }
        )
        scale = fit_client_courses(before).scale
    long = pd.concat(
        [
            pd.DataFrame(
                {
                    "client": series,
                    "at": np.arange(series.size),
                    "h": time_scale(visits["week"].to_numpy(float), scale),
                    "after": moment,
                    "value": visits[column].to_numpy(float),
                }
            )
            for moment, column in ((0.0, "before_value"), (1.0, "after_value"))
        ]
    ).dropna()
    fit = fit_mixed_model(
        long,
        "value ~ h + after + h:after",
        groups=["client", "at"],
        random={"client": "1 + h + after", "at": "1"},
        degrees_of_freedom="satterthwaite",
        ci_level=confidence,
    )
    weeks = np.zeros(series.max() + 1)
    np.maximum.at(weeks, series, visits["week"].to_numpy(float))
    latest = float(weeks.mean())
    level = float(time_scale(np.array([latest]), scale)[0])
    course = fit.fixed.set_index("term").loc["h"]
    per_week = level / latest
    rows = [
        {
            "quantity": "trend of the before level per week",
            **{
                c: course[c] * per_week for c in ("estimate", "standard_error", "ci_low", "ci_high")
            },
            "ci_level": confidence,
            "df": course["df"],
            "p_value": course["p_value"],
            "n": weeks.size,
            "method": "mixed model of all readings, over the mean length of care; "
            "Satterthwaite t interval",
        }
    ]
    return rows + _link(fit, level, weeks.size, confidence)


def _link(fit: Any, level: float, n: int, confidence: float) -> list[dict[str, Any]]:
    """Give correlation and slope between a client's own immediate gain and own lasting gain."""
    spread = fit.random_covariances["client"]
    sds = np.sqrt(np.diag(spread.loc[["h", "after"], ["h", "after"]]))
    if not np.all(sds > 0):
        raise ModelError("clients hardly differ in their immediate or lasting gain.")
    correlation = float(spread.loc["h", "after"] / sds.prod())
    terms = list(spread.index)
    first, second = sorted((terms.index("h"), terms.index("after")))
    at = [level.name for level in fit.design.levels].index("client")
    try:
        low, high = profile_interval(fit, "random", at, (second, first), correlation)
    except (ValueError, np.linalg.LinAlgError):
        raise ModelError("the link's interval was not found.") from None
    if not np.isfinite([low, high]).all():
        raise ModelError("the link's interval was not found.")
    ratio = float(sds[0] / sds[1]) * level
    shared = {"ci_level": confidence, "n": n}
    return [
        {
            "quantity": "correlation of immediate and lasting gain",
            "estimate": correlation,
            "ci_low": low,
            "ci_high": high,
            **shared,
            "method": "correlation of the clients' own gains, mixed model; profile likelihood",
        },
        {
            "quantity": "lasting gain per unit of immediate gain",
            "estimate": correlation * ratio,
            "ci_low": low * ratio,
            "ci_high": high * ratio,
            **shared,
            "method": "that correlation times the ratio of the spreads, taken as known",
        },
    ]
