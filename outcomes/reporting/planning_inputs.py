"""What a caseload says about the inputs of a plan: spreads, losses, visits, practitioners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import OutcomesError
from outcomes.measures.catalogue import Measure
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import measure_of
from outcomes.records.readings import judged_side, visit_values
from outcomes.results import Claim
from outcomes.statistics.individual_change import start_and_latest
from outcomes.statistics.mixed_model import fit_mixed_model
from outcomes.statistics.planning import Course
from outcomes.statistics.review import review_quarter

__all__ = ["PlanInputs", "learn"]

_EPISODE = ["client", "episode"]


@dataclass(frozen=True, eq=False, kw_only=True)
class PlanInputs(Claim):
    """What a plan needs to know, learnt from a caseload, or given.

    Attributes
    ----------
    measure : Measure
    quarter : str
        Quarter whose clients are counted in `n_now`.
    n_now, n_before : int
        Clients measured twice this quarter; in all episodes behind the other inputs.
    sd, sd_low, sd_high : float
        Standard deviation of the change, and the range that holds it with a chance of 80%.
    latest_sd, correlation : float
        Standard deviation of the latest value, and its correlation with the start value.
    drop_out : float
        Share of clients with a first reading who were not measured again.
    stopping : float
        Share who stop coming after each visit.
    intercept_sd, slope_sd, slope_correlation, error_sd : float
        Of the straight course over weeks; empty where it cannot be fitted.
    practitioners, clients_each, variation : float
        Practitioners with at least two clients, clients each on average, and the coefficient of
        variation of their number.
    practitioner_icc : float
        Share of the variance of change, given the start value, between practitioners.
    notes : tuple of str
        What was given rather than learnt, and what could not be learnt.
    """

    measure: Measure
    quarter: str
    n_now: int
    n_before: int
    sd: float
    sd_low: float
    sd_high: float
    latest_sd: float
    correlation: float
    drop_out: float
    stopping: float
    intercept_sd: float
    slope_sd: float
    slope_correlation: float
    error_sd: float
    practitioners: float
    clients_each: float
    variation: float
    practitioner_icc: float
    notes: tuple[str, ...] = ()

    def course(self, weeks: list[float]) -> Course:
        """Give the course over planned weeks; drop-out is spread evenly over their visits."""
        return Course(
            weeks=tuple(float(week) for week in weeks),
            intercept_sd=self.intercept_sd,
            slope_sd=self.slope_sd,
            error_sd=self.error_sd,
            correlation=self.slope_correlation,
            stopping=1 - (1 - self.drop_out) ** (1 / max(len(weeks) - 1, 1)),
        )


def learn(
    caseload: Caseload,
    measure: str,
    *,
    quarter: str = "latest",
    sd: float | None = None,
    drop_out: float | None = None,
    longest: float = 12.0,
) -> PlanInputs:
    """Learn the inputs of a plan from a caseload.

    Use for the next study in the same clinic with the same measure and raters. Do not use for
    other people: their spread and their losses differ.

    Parameters
    ----------
    caseload : Caseload
    measure : str
        Code of the measure.
    quarter : str
        Whose clients are counted as this quarter's: as 2026Q2, latest, or all.
    sd, drop_out : float, optional
        Given instead of learnt: standard deviation of the change, above 0; share lost, in [0, 1).
    longest : float
        Weeks of care from which the straight course is learnt.

    Returns
    -------
    PlanInputs

    Raises
    ------
    DataError
        If too few clients were measured twice in the quarter.
    """
    what = measure_of(caseload, measure)
    report = review_quarter(caseload, quarter=quarter, measures=[measure])
    values = judged_side(visit_values(caseload, measures=[measure]), caseload.clients)
    starters = start_and_latest(values, least_visits=1)
    pairs = starters[starters["latest_value"].notna()]
    change = (pairs["latest_value"] - pairs["start_value"]).to_numpy(float)
    spread, df = float(change.std(ddof=1)), change.size - 1
    notes = []
    if sd is not None:
        spread, notes = float(sd), ["The standard deviation of the change was given."]
    lost = float(starters["latest_value"].isna().mean())
    if drop_out is not None:
        lost = float(drop_out)
        notes.append("The share lost was given.")
    ends = np.sqrt(df / stats.chi2.ppf([0.9, 0.1], df)) * spread
    course, course_note = _course(values, pairs, longest)
    people = _practitioners(pairs.assign(change=change))
    return PlanInputs(
        measure=what,
        quarter=report.quarter,
        n_now=report.measures[0].flow["analysed"],
        n_before=len(pairs),
        sd=spread,
        sd_low=float(ends[0]),
        sd_high=float(ends[1]),
        latest_sd=float(pairs["latest_value"].std(ddof=1)),
        correlation=float(pairs["start_value"].corr(pairs["latest_value"])),
        drop_out=lost,
        stopping=_stopping(values),
        notes=tuple([*notes, *course_note]),
        **course,
        **people,
    )


def _stopping(values: pd.DataFrame) -> float:
    """Give the share of visits that were the last: the chance to stop after each, if constant."""
    visits = values.drop_duplicates([*_EPISODE, "visit"])
    return float(len(visits.drop_duplicates(_EPISODE)) / len(visits))


def _course(
    values: pd.DataFrame, pairs: pd.DataFrame, longest: float
) -> tuple[dict[str, float], list[str]]:
    """Fit a straight course with random level and slope over the first weeks."""
    series = [*_EPISODE, "side", "mode", "instrument"]
    rows = values.merge(pairs[series], on=series)
    rows = rows[rows["week"] <= longest]
    care = rows["client"].astype(str) + "/" + rows["episode"].astype(str)
    names: list[str] = ["intercept_sd", "slope_sd", "slope_correlation", "error_sd"]
    try:
        fit = fit_mixed_model(
            rows.assign(care=care), "value ~ week", groups="care", random="1 + week"
        )
    except OutcomesError as reason:
        return dict.fromkeys(names, float("nan")), [f"No course over weeks: {reason}"]
    spread = fit.random_covariances["care"].to_numpy(float)
    level, slope = np.sqrt(np.diag(spread))
    together = spread[0, 1] / (level * slope) if level > 0 and slope > 0 else 0.0
    inside = float(np.clip(together, -0.99, 0.99))
    error = float(np.sqrt(fit.residual_variance))
    found = dict(zip(names, (float(level), float(slope), inside, error), strict=True))
    return found, list(fit.boundary)


def _practitioners(pairs: pd.DataFrame) -> dict[str, float]:
    """Count clients a practitioner, and give the share of variance between practitioners."""
    known = pairs[pairs["practitioner"].astype(str) != ""]
    sizes = known.groupby("practitioner").size()
    sizes = sizes[sizes >= 2]
    if len(sizes) < 2:
        return {"practitioners": float(len(sizes)), "clients_each": float("nan"),
                "variation": float("nan"), "practitioner_icc": float("nan")}  # fmt: skip
    rows = known[known["practitioner"].isin(sizes.index)]
    try:
        fit = fit_mixed_model(
            rows, "change ~ start_value", groups="practitioner", random="1", method="REML"
        )
        between = float(fit.random_covariances["practitioner"].to_numpy(float)[0, 0])
        icc = between / (between + fit.residual_variance)
    except OutcomesError:
        icc = float("nan")
    return {
        "practitioners": float(len(sizes)),
        "clients_each": float(sizes.mean()),
        "variation": float(sizes.std(ddof=1) / sizes.mean()),
        "practitioner_icc": icc,
    }
