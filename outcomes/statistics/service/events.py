"""Unwanted events: an exact rate per 1,000 visits, and what no event at all still allows.

rate     1000 d / v, for d events in v visits
interval exact Poisson (Garwood 1936): chi2(a/2; 2d) / 2 to chi2(1 - a/2; 2d + 2) / 2 events
none     with d = 0 the one-sided upper limit is -ln(a) / v, about 3 / v at 95%
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import check_between, check_columns, check_count, check_positive
from outcomes.results import Estimate
from outcomes.statistics.service.quarters import quarters_of

__all__ = ["EventRate", "event_counts", "event_rate", "rate_ratio", "rule_of_three"]


@dataclass(frozen=True, eq=False, kw_only=True)
class EventRate(Estimate):
    """A rate of events: `count` events in `exposure` visits."""

    count: int
    exposure: float


def event_rate(count: int, *, visits: float, per: float = 1000.0, level: float = 0.95) -> EventRate:
    """Give the rate of unwanted events per 1,000 visits with its exact interval.

    Use for events counted over visits. Several events of one client are taken as independent: the
    interval is too narrow where a few clients have most of them.

    Parameters
    ----------
    count : int
        Events, 0 or more.
    visits : float
        Visits kept, above 0.
    per : float
        Visits that the rate refers to.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    EventRate
        estimate and interval in events per `per` visits; notes.

    Raises
    ------
    ArgumentError
        count or visits out of range.

    References
    ----------
    Garwood 1936, Biometrika 28:437, doi:10.1093/biomet/28.3-4.437.

    Examples
    --------
    >>> rate = event_rate(3, visits=600)
    >>> round(rate.estimate, 2), round(rate.ci_low, 2), round(rate.ci_high, 2)
    (5.0, 1.03, 14.61)

    Checked against: scipy's Poisson tails (test_service_events).
    """
    count = check_count("count", count, least=0)
    visits = check_positive("visits", visits)
    per = check_positive("per", per)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    half = (1 - level) / 2
    low = stats.chi2.ppf(half, 2 * count) / 2 if count else 0.0
    high = stats.chi2.isf(half, 2 * count + 2) / 2
    notes = () if count else ("No event was recorded; the upper end is the rate still allowed.",)
    return EventRate(
        estimate=count / visits * per,
        ci_low=float(low) / visits * per,
        ci_high=float(high) / visits * per,
        ci_level=level,
        n=int(visits),
        unit=f"events per {per:,.0f} visits",
        method="Poisson rate, exact interval (Garwood)",
        measure="unwanted events",
        notes=notes,
        count=count,
        exposure=visits,
    )


def rule_of_three(visits: int, *, level: float = 0.95) -> float:
    """Give the largest chance per visit that is compatible with no event in so many visits.

    Parameters
    ----------
    visits : int
        Visits without any event.
    level : float
        Confidence, in (0, 1).

    Returns
    -------
    float
        1 - (1 - level)^(1 / visits), exact and one-sided; close to 3 / visits at 95%.

    References
    ----------
    Hanley & Lippman-Hand 1983, JAMA 249:1743, doi:10.1001/jama.1983.03330370053031.

    Examples
    --------
    >>> round(rule_of_three(300), 5)
    0.00994
    """
    visits = check_count("visits", visits)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    return float(-np.expm1(np.log1p(-level) / visits))


def rate_ratio(
    first: tuple[int, float], second: tuple[int, float], *, level: float = 0.95
) -> Estimate:
    """Compare two event rates (this quarter and last) as a ratio with an exact interval.

    Parameters
    ----------
    first, second : tuple of (count, visits)
        The ratio is first over second.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    Estimate
        Ratio of rates; infinite ends where a count is zero, empty where both are.

    Notes
    -----
    Given the sum of both counts the first is binomial; the interval of that share (Clopper &
    Pearson) is turned into one of the ratio.

    Examples
    --------
    >>> ratio = rate_ratio((6, 600), (3, 600))
    >>> round(ratio.estimate, 1), round(ratio.ci_low, 2), round(ratio.ci_high, 1)
    (2.0, 0.43, 12.4)
    """
    (d1, v1), (d2, v2) = first, second
    d1, d2 = check_count("count", d1, least=0), check_count("count", d2, least=0)
    v1, v2 = check_positive("visits", v1), check_positive("visits", v2)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    half, total = (1 - level) / 2, d1 + d2
    notes = ("Neither period had an event: nothing can be said.",) if total == 0 else ()
    low = 0.0 if d1 == 0 else float(stats.beta.ppf(half, d1, d2 + 1))
    high = 1.0 if d2 == 0 else float(stats.beta.isf(half, d1 + 1, d2))

    def ratio(share: float) -> float:
        return np.inf if share >= 1 else share / (1 - share) * v2 / v1

    if total == 0:
        estimate = float("nan")
    else:
        estimate = np.inf if d2 == 0 else (d1 / v1) / (d2 / v2)
    return Estimate(
        estimate=float(estimate),
        ci_low=float(ratio(low)),
        ci_high=float(ratio(high)),
        ci_level=level,
        n=total,
        unit="ratio",
        method="ratio of Poisson rates, exact conditional interval",
        measure="unwanted events",
        notes=notes,
    )


def event_counts(events: pd.DataFrame, *, visits: pd.DataFrame) -> pd.DataFrame:
    """Count kept visits and unwanted events per quarter, in all and by severity.

    Parameters
    ----------
    events : DataFrame
        client, date, event, and severity where known.
    visits : DataFrame
        client, date, and attended where known.

    Returns
    -------
    DataFrame
        quarter, severity (``"any"`` and each recorded word), count, clients (with such an
        event), visits, rate_per_1000, ci_low, ci_high, ci_level. Quarters without a kept visit
        are left out, with their events.

    Examples
    --------
    >>> visits = pd.DataFrame({"client": list("abab"), "date": pd.to_datetime(["2026-01-05"] * 4)})
    >>> events = visits.head(1).assign(event="soreness", severity="mild")
    >>> event_counts(events, visits=visits)[["severity", "count", "visits"]].values.tolist()
    [['any', 1, 4], ['mild', 1, 4]]
    """
    check_columns(events, ["client", "date", "event"], thing="the events")
    check_columns(visits, ["client", "date"], thing="the visits")
    kept = visits
    if "attended" in visits:
        kept = visits[visits["attended"].astype("boolean").fillna(True).astype(bool)]
    per_quarter = quarters_of(kept["date"]).value_counts().sort_index()
    rows = events.assign(quarter=quarters_of(events["date"]) if len(events) else "")
    word = rows["severity"] if "severity" in rows else pd.Series(None, rows.index, dtype="str")
    rows = rows.assign(severity=word.astype("object").where(word.notna(), "not recorded"))
    found = []
    for quarter, seen in per_quarter.items():
        own = rows[rows["quarter"] == quarter]
        for severity in ["any", *sorted(rows["severity"].unique())]:
            part = own if severity == "any" else own[own["severity"] == severity]
            rate = event_rate(len(part), visits=int(seen))
            found.append(
                {
                    "quarter": quarter,
                    "severity": severity,
                    "count": len(part),
                    "clients": part["client"].nunique(),
                    "visits": int(seen),
                    "rate_per_1000": rate.estimate,
                    "ci_low": rate.ci_low,
                    "ci_high": rate.ci_high,
                    "ci_level": rate.ci_level,
                }
            )
    names = ["quarter", "severity", "count", "clients", "visits", "rate_per_1000"]
    return pd.DataFrame(found, columns=[*names, "ci_low", "ci_high", "ci_level"])
