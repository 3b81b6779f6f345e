"""What a network's review gives: per measure the numbers of a clinic's review, from counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.measures.catalogue import Measure
from outcomes.measures.thresholds import Threshold
from outcomes.network.quarters import NetworkQuarters
from outcomes.network.tally import Tally, covariance, equivalent_rows
from outcomes.results import Claim, Estimate
from outcomes.statistics.effect_size import mean_change, share_interval, standardised_change
from outcomes.statistics.individual_change import MODEL_VERDICTS, VERDICTS
from outcomes.statistics.review import Course
from outcomes.statistics.review.quarter import summary_row

__all__ = [
    "NetworkMeasure",
    "NetworkReview",
    "change_of_moments",
    "shares_of_counts",
    "verdict_table",
]


@dataclass(frozen=True, eq=False, kw_only=True)
class NetworkMeasure(Claim):
    """One measure over the whole network; fields as those of `MeasureReview`.

    Attributes
    ----------
    flow : dict of str to int
        eligible, measured_at_start, measured_again, analysed.
    flow_by_clinic : DataFrame
        clinic, measured_at_start, measured_again, analysed.
    improvement, standardised, shares
        As `review_quarter` gives them.
    verdicts, model_verdicts : DataFrame
        verdict (model_verdict), count, n, share.
    worse : int
        Episodes with a decline by either verdict.
    course : Course or None
        The mean course, with its mixed model.
    shape, scale
        Of the clients' own courses; scale in weeks.
    n_series, n_readings : int
        Series and readings that the model rests on.
    start : tuple of float
        Mean and SD of the start values.
    """

    measure: Measure
    error: Threshold | None
    importance: Threshold | None
    flow: dict[str, int]
    flow_by_clinic: pd.DataFrame
    improvement: Estimate
    standardised: pd.DataFrame
    shares: pd.DataFrame
    verdicts: pd.DataFrame
    model_verdicts: pd.DataFrame
    worse: int
    course: Course | None
    shape: str
    scale: float
    n_series: int
    n_readings: int
    start: tuple[float, float]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class NetworkReview(Claim):
    """A quarter of a network of clinics.

    Attributes
    ----------
    quarter : str
        As 2026Q2, or all.
    n_eligible, n_visits, n_readings, n_clinics : int
        Episodes seen; visits and readings read; clinics.
    measures : tuple of NetworkMeasure
        In the order of a clinic's report.
    left_out : DataFrame
        measure, analysed: measures with too few clients.
    seconds : dict of str to float
        Time of each stage.
    quarters : NetworkQuarters or None
        Charts over quarters, events and completeness; for a page without lists of clients.
    rows : object
        Where the rows of the run lie, for the parts of a report that list clients.
    """

    quarter: str
    n_eligible: int
    n_visits: int
    n_readings: int
    n_clinics: int
    measures: tuple[NetworkMeasure, ...]
    left_out: pd.DataFrame
    seconds: dict[str, float] = field(default_factory=dict)
    quarters: NetworkQuarters | None = None
    rows: Any = field(default=None, repr=False)

    @property
    def names(self) -> dict[str, str]:
        """Names of the measures by code, in the report's order."""
        return {m.measure.code: m.measure.name for m in self.measures}

    @property
    def shares(self) -> pd.DataFrame:
        """Shares improved and worsened, all measures."""
        return pd.concat([m.shares for m in self.measures], ignore_index=True)

    @property
    def summary(self) -> pd.DataFrame:
        """One row per measure, with the columns of a clinic's summary."""
        rows: list[Any] = list(self.measures)
        return pd.DataFrame([summary_row(m) for m in rows])


_SHARE_COLUMNS = ["measure", "quantity", "count", "n", "share", "ci_low", "ci_high", "ci_level"]
_SHARE_COLUMNS += ["method"]


def change_of_moments(
    tally: Tally, measure: Measure, confidence: float
) -> tuple[Estimate, pd.DataFrame]:
    """Give mean and standardised improvement from moments of (start, latest), signed.

    Both depend on the clients through means, variances and the covariance only, so that the
    functions of a clinic's review give them from any rows with these moments.
    """
    rows = equivalent_rows(tally)
    pairs = pd.DataFrame({"start_value": rows[:, 0], "latest_value": rows[:, 1]})
    improvement = mean_change(pairs, confidence=confidence, measure=measure.code, unit=measure.unit)
    return improvement, standardised_change(pairs, confidence=confidence)


def shares_of_counts(tally: Tally, code: str, confidence: float) -> pd.DataFrame:
    """Give the shares of a clinic's review from counts: by cut-off, then by the model.

    Wilson's intervals from the counts; expected shares: mean of the chances with its t interval.
    """
    rows = []
    for quantity, found in tally["shares"].items():
        low, high = share_interval(found["count"], found["n"], confidence=confidence)
        rows.append(_share_row(code, quantity, found, low, high, "share; Wilson score interval"))
    for quantity, found in tally.get("model", {}).items():
        if "count" in found:
            low, high = share_interval(found["count"], found["n"], confidence=confidence)
            rows.append(_share_row(code, quantity, found, low, high, "Wilson"))
            continue
        chances = found["chances"]
        n, mean = chances["n"], chances["mean"][0]
        low, high = 0.0, 1.0
        if n > 1:
            spread = float(covariance(chances)[0, 0])
            open_part = mean - mean**2 - spread * (n - 1) / n  # mean of p (1 - p)
            variance = max(spread + open_part, 0.0)
            reach = stdtrit(n - 1, 1 - (1 - confidence) / 2) * np.sqrt(variance / n)
            low, high = max(0.0, mean - reach), min(1.0, mean + reach)
        row = _share_row(code, quantity, {"count": None, "n": n}, low, high, "mean chance, t")
        rows.append(row | {"share": mean})
    frame = pd.DataFrame(rows, columns=_SHARE_COLUMNS).assign(ci_level=confidence)
    return frame.astype({"count": "Int64"})


def _share_row(
    code: str, quantity: str, found: dict[str, Any], low: Any, high: Any, method: str
) -> dict[str, Any]:
    count, n = found["count"], found["n"]
    return {
        "measure": code,
        "quantity": quantity,
        "count": count,
        "n": n,
        "share": np.nan if count is None else count / n,
        "ci_low": float(low),
        "ci_high": float(high),
        "method": method,
    }


def verdict_table(counts: dict[str, int], *, by_model: bool) -> pd.DataFrame:
    """Give every verdict its row, also those that no client has."""
    words = MODEL_VERDICTS if by_model else VERDICTS
    n = sum(counts.values())
    count = [counts.get(word, 0) for word in words]
    name = "model_verdict" if by_model else "verdict"
    return pd.DataFrame({name: words, "count": count, "n": n}).assign(
        share=lambda frame: frame["count"] / max(n, 1)
    )
