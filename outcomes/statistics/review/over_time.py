"""The clinic over time: charts by quarter, small lasting shifts, and steps at dated changes.

In charts of shares an episode counts in every quarter in which it was seen, as its record stood at
that quarter's end. Where points must be independent (`small_shifts`, `steps_at_changes`) it counts
once.

    z_i  quarter i's mean against all clients of the quarters before it, by t turned into a normal:
         t_i = (mean_i - mean_before) / (s_before sqrt(1 / n_i + 1 / n_before))

With nothing changed and normal improvements the z_i are independent standard normal whatever the
clinic's level and spread (Hawkins 1987, The Statistician 36:299), so that their running mean and
running sums have their textbook false-alarm rates although nothing about the clinic is known
beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtr

from outcomes.errors import DataError, OutcomesError
from outcomes.records.settings import Change
from outcomes.statistics.effect_size import holm
from outcomes.statistics.individual_change import start_and_latest
from outcomes.statistics.review.quarter import MeasureReview, QuarterReview
from outcomes.statistics.review.rows import quarters_up_to
from outcomes.statistics.service import (
    apply_run_rules,
    cusum_chart,
    event_counts,
    ewma_chart,
    interrupted_series,
    mean_chart,
    period_series,
    quarter_dates,
    quarter_of,
    rate_chart,
    share_chart,
)

__all__ = ["ALL_MEASURES", "event_chart", "follow_up_chart", "gain_charts", "small_shifts",
           "steps_at_changes"]  # fmt: skip

#: In place of a measure's code where all measures are taken together.
ALL_MEASURES = "all measures"
_LEAST_QUARTERS = 4
_KEY = ["client", "episode", "measure"]


def gain_charts(review: QuarterReview, rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Chart the share of clients with a detectable gain per quarter (`share_chart`), by measure."""
    quarters = quarters_up_to(review)
    found = {}
    for code in review.names:
        mine = rows[(rows["measure"] == code) & rows["detectable"].notna()]
        gained = mine["detectable"].fillna(False).astype(bool) & (mine["improvement"] > 0)
        count = gained.groupby(mine["quarter"]).agg(["sum", "size"]).reindex(quarters)
        count = count.dropna()
        if len(count) >= _LEAST_QUARTERS:
            found[code] = share_chart(
                count["sum"].astype(int), n=count["size"].astype(int), periods=list(count.index)
            )
    if not found:
        raise DataError("charts over time must have at least 4 quarters. Come back later.")
    return found


def follow_up_chart(review: QuarterReview, rows: pd.DataFrame) -> pd.DataFrame:
    """Chart the share of episodes begun in a quarter that were measured again at all."""
    visits = review.caseload.visits
    start = visits.groupby(["client", "episode"])["date"].min().rename("start").reset_index()
    start = start[start["start"] <= quarter_dates(review.quarter)[1]]
    again = rows[["client", "episode"]].drop_duplicates().assign(again=True)
    start = start.merge(again, on=["client", "episode"], how="left")
    period = start["start"].map(quarter_of)
    count = start["again"].eq(True).groupby(period).agg(["sum", "size"])
    return share_chart(count["sum"], n=count["size"], periods=list(count.index))


def event_chart(review: QuarterReview) -> pd.DataFrame:
    """Chart unwanted events per 1,000 visits by quarter (`rate_chart`)."""
    counts = event_counts(review.caseload.events, visits=review.caseload.visits)
    counts = counts[(counts["severity"] == "any") & (counts["quarter"] <= review.quarter)]
    return rate_chart(
        counts["count"], exposure=counts["visits"] / 1000, periods=list(counts["quarter"])
    )


def small_shifts(rows: pd.DataFrame) -> pd.DataFrame:
    """Look for small lasting shifts of each measure's mean improvement over the quarters.

    Use beside charts of shares, which see large and sudden changes only. Do not take one signal
    among many measures for a finding: see the chance in `false_alarm`.

    Parameters
    ----------
    rows : DataFrame
        From `episode_rows`: quarter, client, episode, measure, improvement. Each episode counts in
        the first quarter in which it has a start and a later value.

    Returns
    -------
    DataFrame
        Per measure with at least 4 quarters of 2 clients, and chart (``"quarter's mean"``, its
        ``"run of quarters"``, ``"running mean"``, ``"running sum"``): measure, chart, n (clients),
        periods (quarters judged), signal, period (the latest with a signal), direction (better,
        worse), false_alarm (chance of any signal if nothing changed).

    Notes
    -----
    Quarter's mean: `mean_chart`. Run of quarters: 2 of 3 beyond 2 sigma or 8 on one side of the
    same chart. Running mean and sum: `ewma_chart` and `cusum_chart` of z_i (module header), target
    0 and sigma 1. false_alarm: shares of series without any change, simulated
    (tests/evidence/service_false_alarms.py), by the number of quarters.

    Checked against: simulated false alarms (test_service_evidence).
    """
    once = rows.sort_values("quarter", kind="stable").drop_duplicates(_KEY, keep="first")
    found = []
    for code, mine in once.groupby("measure", sort=False):
        table = mine.groupby("quarter")["improvement"].agg(["mean", "std", "size"])
        table = table[table["size"] >= 2]
        if len(table) < _LEAST_QUARTERS or not (table["std"] > 0).all():
            continue
        quarters = table.index.tolist()
        chart = mean_chart(table["mean"], sd=table["std"], n=table["size"], periods=quarters)
        runs = apply_run_rules(chart, rules=("two_of_three", "eight_one_side"))
        z = self_starting_z(*(table[c].to_numpy(float)[None] for c in ("mean", "std", "size")))[0]
        smooth = ewma_chart(z, target=0, sigma=1, periods=quarters[1:])
        sums = cusum_chart(z, target=0, sigma=1, periods=quarters[1:])
        sides = {
            "quarter's mean": (chart["beyond_limits"], chart["value"] - chart["centre"]),
            "run of quarters": (runs["signal"], chart["value"] - chart["centre"]),
            "running mean": (smooth["beyond_limits"], smooth["running_mean"]),
            "running sum": (sums["beyond_limits"], sums["sum_high"] - sums["sum_low"]),
        }
        for name, (signals, side) in sides.items():
            labels = chart["period"] if len(signals) == len(chart) else smooth["period"]
            at = np.flatnonzero(signals.to_numpy(bool))
            found.append(
                {
                    "measure": code,
                    "chart": name,
                    "n": len(mine),
                    "periods": len(signals),
                    "signal": bool(at.size),
                    "period": labels.iloc[at[-1]] if at.size else "",
                    "direction": ("better" if side.iloc[at[-1]] > 0 else "worse")
                    if at.size
                    else "",
                    "false_alarm": false_alarm_of(name, len(table)),
                }
            )
    if not found:
        raise DataError(
            "small shifts must be looked for over at least 4 quarters. Come back later."
        )
    return pd.DataFrame(found)


def self_starting_z(mean: np.ndarray, sd: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Compare each quarter from the second with all before it (series x quarters), as z."""
    total = np.cumsum(n * mean, axis=1)[:, :-1]
    before = np.cumsum(n, axis=1)[:, :-1]
    level = total / before
    squares = np.cumsum((n - 1) * sd**2 + n * mean**2, axis=1)[:, :-1]
    spread = np.sqrt((squares - before * level**2) / (before - 1))
    t = (mean[:, 1:] - level) / (spread * np.sqrt(1 / n[:, 1:] + 1 / before))
    # the smaller tail, so that a far point stays finite
    tail = ndtri(np.maximum(stdtr(before - 1, -np.abs(t)), 1e-300))
    return np.copysign(tail, t)


#: Share of series with any signal though nothing changed, by number of quarters.
QUARTERS = (4, 6, 8, 12, 20)
_FALSE_ALARMS = {
    "quarter's mean": (0.003, 0.007, 0.011, 0.023, 0.041),
    "run of quarters": (0.0001, 0.001, 0.002, 0.013, 0.045),
    "running mean": (0.011, 0.018, 0.019, 0.031, 0.054),
    "running sum": (0.0003, 0.003, 0.005, 0.014, 0.037),
}


def false_alarm_of(chart: str, quarters: int) -> float:
    """Give the chance of any signal over so many quarters if nothing changed."""
    return float(np.interp(quarters, QUARTERS, _FALSE_ALARMS[chart]))


def steps_at_changes(
    review: QuarterReview, changes: Sequence[Change], *, weeks: int = 8, confidence: float = 0.95
) -> pd.DataFrame:
    """Say whether what clients gain moved with each thing that the clinic changed on a date.

    Use for changes that were planned. Do not read a step as caused by the change: whatever else
    happened at that time moves with it.

    Parameters
    ----------
    review : QuarterReview
        For the values of all episodes up to its end.
    changes : sequence of Change
        Date, words, and site (empty for all).
    weeks : int
        An episode's improvement runs from its first reading to its latest within so many weeks.
        Episodes begun later than so many weeks before the end are left out: their course is short
        only because the records end.
    confidence : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        Per change the step in improvement by month of the first reading, for all measures together
        (each in standard deviations of its improvement, averaged within the client) and for each
        measure in its own unit: the columns of `interrupted_series`, measure, p_value, flagged,
        notes (what was changed).

    Raises
    ------
    DataError
        If there is no change with enough months before and after it.

    Notes
    -----
    Flagged: all measures together by Holm over the changes; a single measure by Holm over the
    measures, and only where all together are, so that with nothing changed anything is flagged in
    at most 5% of reviews. p_value: twice the smaller of the chances of a rise and of a fall.
    """
    if not changes:
        return pd.DataFrame()
    within = pd.concat([_early_gain(m, review, weeks) for m in review.measures], ignore_index=True)
    tables = []
    for change in changes:
        mine = within[within["clinic"] == change.site] if change.site else within
        parts = {ALL_MEASURES: _together(mine)}
        parts |= {code: mine[mine["measure"] == code] for code in review.names}
        for code, part in parts.items():
            try:
                step = _step(part, change, confidence)
            except OutcomesError:
                continue
            tables.append(step.assign(measure=code, notes=change.what))
    if not tables:
        raise DataError("a change must have at least two months before and after it.")
    steps = pd.concat(tables, ignore_index=True)
    steps["p_value"] = 2 * np.minimum(steps["chance_above"], 1 - steps["chance_above"])
    return steps.assign(flagged=_flagged(steps, 1 - confidence))


def _early_gain(m: MeasureReview, review: QuarterReview, weeks: int) -> pd.DataFrame:
    values = m.values
    first = values.groupby(["client", "episode"])["date"].transform("min")
    early = values[values["date"] <= first + pd.Timedelta(weeks=weeks)]
    pairs = start_and_latest(early)
    last = min(quarter_dates(review.quarter)[1], review.caseload.visits["date"].max())
    whole = pairs[pairs["start_date"] <= last - pd.Timedelta(weeks=weeks)]
    return whole.assign(improvement=m.measure.sign * (whole["latest_value"] - whole["start_value"]))


def _together(rows: pd.DataFrame) -> pd.DataFrame:
    """Average each episode over its measures, each in standard deviations around its mean."""
    by = rows.groupby("measure")["improvement"]
    rows = rows.assign(
        improvement=(rows["improvement"] - by.transform("mean")) / by.transform("std")
    )
    rows = rows[np.isfinite(rows["improvement"])]
    return rows.groupby(["client", "episode"], as_index=False).agg(
        start_date=("start_date", "min"), improvement=("improvement", "mean")
    )


def _step(rows: pd.DataFrame, change: Change, confidence: float) -> pd.DataFrame:
    series = period_series(rows["start_date"], values=rows["improvement"])
    found = interrupted_series(
        series, changes=[f"{change.date:%Y-%m}"], trend=False, level=confidence
    )
    return found[found["term"].str.startswith("step")]


def _flagged(steps: pd.DataFrame, most: float) -> np.ndarray:
    whole = (steps["measure"] == ALL_MEASURES).to_numpy()
    p = steps["p_value"].to_numpy(float)
    flagged = np.zeros(len(steps), bool)
    flagged[whole] = holm(p[whole]) < most
    for what in steps["notes"].unique():
        mine = (steps["notes"] == what).to_numpy()
        if flagged[mine & whole].any():
            flagged[mine & ~whole] = holm(p[mine & ~whole]) < most
    return flagged
