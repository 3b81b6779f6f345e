"""What a network makes of its clinics' summaries."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import DataError, Faults, ModelError
from outcomes.measures import catalogue
from outcomes.network.federated.occasions import OCCASIONS
from outcomes.network.federated.schema import SUMMARY_SCHEMA
from outcomes.network.pooled_fit import SeriesSums, fit_sums, series_sums
from outcomes.network.results import change_of_moments
from outcomes.network.tally import Tally, equivalent_rows, merge_all
from outcomes.results import Claim, Estimate
from outcomes.statistics.effect_size import share_interval
from outcomes.statistics.individual_change import VERDICTS, time_scale
from outcomes.statistics.review import Course, course_over_weeks
from outcomes.statistics.service import share_funnel

__all__ = ["Combined", "CombinedMeasure", "combine", "equivalent_values", "read_summary"]

_IMPROVED = VERDICTS[5:8]
_IMPORTANT = (VERDICTS[4], VERDICTS[7])
_WORSENED = VERDICTS[:2]
_UNKNOWN = VERDICTS[8]


@dataclass(frozen=True, eq=False, kw_only=True)
class CombinedMeasure(Claim):
    """One measure over all clinics that sent a summary.

    Attributes
    ----------
    code, unit : str
    clinics : int
        Clinics that sent this measure.
    improvement, standardised
        As `review_quarter` gives them.
    shares : DataFrame
        quantity, count, count_high (counts with and without those that are hidden), n, share,
        share_high, ci_low, ci_high, ci_level, method.
    course : Course
        Mean course over the occasions, clients' courses around it.
    clinic_spread : DataFrame
        term, sd: how much clinics differ in mean start and gain; empty with fewer than 5 clinics.
    funnel : DataFrame
        Clinics' shares with a detectable gain (`share_funnel`), where nothing is hidden; not
        adjusted for whom they treat. Empty with fewer than 2 clinics.
    """

    code: str
    unit: str
    clinics: int
    improvement: Estimate
    standardised: pd.DataFrame
    shares: pd.DataFrame
    course: Course
    clinic_spread: pd.DataFrame
    funnel: pd.DataFrame


@dataclass(frozen=True, eq=False, kw_only=True)
class Combined(Claim):
    """Several clinics' summaries of one quarter, combined."""

    quarter: str
    clinics: tuple[str, ...]
    measures: dict[str, CombinedMeasure]

    @property
    def summary(self) -> pd.DataFrame:
        """One row per measure."""
        rows = []
        for m in self.measures.values():
            shares = m.shares.set_index("quantity")["share"]
            rows.append(
                {
                    "measure": m.code,
                    "unit": m.unit,
                    "n": m.improvement.n,
                    "estimate": m.improvement.estimate,
                    "ci_low": m.improvement.ci_low,
                    "ci_high": m.improvement.ci_high,
                    "ci_level": m.improvement.ci_level,
                    "standardised": m.standardised.set_index("quantity").loc["becker", "estimate"],
                    "share_detectable": shares.get("improved detectably", np.nan),
                    "share_worsened": shares.get("worsened detectably", np.nan),
                }
            )
        return pd.DataFrame(rows)


def read_summary(path: str | Path) -> dict[str, Any]:
    """Read a summary file and hold it to its schema.

    Raises
    ------
    DataError
        Naming the file and the place in it, never what stands there.
    """
    path = Path(path)
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, UnicodeDecodeError):
        raise DataError(
            f"{path.name} must be a summary in JSON; it cannot be read. Ask for it again."
        ) from None
    _check(summary, path.name)
    return summary


def _check(summary: Any, name: str) -> None:
    import jsonschema

    faults = Faults()
    validator = jsonschema.Draft202012Validator(SUMMARY_SCHEMA)
    for error in list(validator.iter_errors(summary))[:5]:
        place = "/".join(str(step) for step in error.absolute_path) or "the file"
        faults.add(
            DataError(
                f"{name} must follow the schema of summaries; {place} does not "
                f"({error.validator}). Make it again with outcomes summarise."
            )
        )
    faults.raise_if_any()
    for code, own in summary["measures"].items():
        for at, group in [("change", own["change"]), *enumerate(own["cells"])]:
            if not _sound(group, 2 if at == "change" else len(group["occasions"])):
                faults.add(
                    DataError(
                        f"{name} must hold sums that clients can have; those of {code} ({at}) are "
                        f"not. Make it again with outcomes summarise."
                    )
                )
            if group["n"] < summary["minimum"]:
                faults.add(
                    DataError(
                        f"{name} must have at least {summary['minimum']} clients in every group; "
                        f"{code} ({at}) has fewer. Make it again with outcomes summarise."
                    )
                )
            unknown = set(group.get("occasions", [])) - set(OCCASIONS)
            if unknown:
                faults.add(DataError(f"{name} must have the network's occasions, in {code}."))
    faults.raise_if_any()


def _sound(group: Tally, k: int) -> bool:
    mean, m2 = np.asarray(group["mean"], float), np.asarray(group["m2"], float)
    if mean.shape != (k,) or m2.shape != (k, k) or not np.isfinite(m2).all():
        return False
    size = max(float(np.abs(m2).max()), 1e-300)
    return bool(
        np.isfinite(mean).all()
        and np.abs(m2 - m2.T).max() <= 1e-9 * size
        and np.linalg.eigvalsh(m2).min() >= -1e-9 * size
        and group["n"] > k
    )


def combine(summaries: Sequence[dict[str, Any]], *, confidence: float = 0.95) -> Combined:
    """Combine clinics' summaries into the network's numbers.

    Use where clinics may not share rows. Where they may, pack a store: it knows every visit, and
    adjusts clinics for whom they treat.

    Parameters
    ----------
    summaries : sequence of dict
        From `summarise` or `read_summary`; one per clinic, all of one quarter.
    confidence : float
        Level of intervals, in (0, 1).

    Returns
    -------
    Combined

    Raises
    ------
    DataError
        If a clinic is there twice, quarters or units differ, or a file is not what it should be.

    Notes
    -----
    Mean change and mixed model depend on clients through numbers, means and sums of products of
    the cells only; they are computed, by the functions that take rows, from rows made to have
    exactly these.
    """
    for summary in summaries:
        _check(summary, f"summary of {summary.get('clinic', '?')}")
    _agree(summaries)
    measures: dict[str, list[tuple[str, dict[str, Any]]]] = {}
    for summary in summaries:
        for code, own in summary["measures"].items():
            measures.setdefault(code, []).append((summary["clinic"], own))
    found = {code: _measure(code, own, confidence) for code, own in sorted(measures.items())}
    return Combined(
        quarter=summaries[0]["quarter"],
        clinics=tuple(sorted(summary["clinic"] for summary in summaries)),
        measures=found,
    )


def _agree(summaries: Sequence[dict[str, Any]]) -> None:
    if not summaries:
        raise DataError("there must be at least one summary to combine. Name the files.")
    faults = Faults()
    clinics = [summary["clinic"] for summary in summaries]
    twice = sorted({clinic for clinic in clinics if clinics.count(clinic) > 1})
    if twice:
        faults.add(DataError(f"a clinic must send one summary; twice: {', '.join(twice)}."))
    if len({summary["quarter"] for summary in summaries}) > 1:
        faults.add(DataError("summaries must be of one quarter. Combine quarter by quarter."))
    for code in sorted({code for summary in summaries for code in summary["measures"]}):
        own = [s["measures"][code] for s in summaries if code in s["measures"]]
        if code not in catalogue.measures():
            faults.add(
                DataError(
                    f"summaries must be of measures of the catalogue; {code} is not one. Make the "
                    f"files again with outcomes summarise, which leaves a clinic's own out."
                )
            )
        if len({(m["unit"], m["better"]) for m in own}) > 1:
            faults.add(DataError(f"{code} must have one unit and direction in all summaries."))
    faults.raise_if_any()


def _measure(
    code: str, clinics: list[tuple[str, dict[str, Any]]], confidence: float
) -> CombinedMeasure:
    measure = catalogue.get(code)
    change = merge_all(own["change"] for _, own in clinics)
    improvement, standardised = change_of_moments(change, measure, confidence)
    values = equivalent_values(clinics)
    course = course_over_weeks(values, confidence=confidence)
    return CombinedMeasure(
        code=code,
        unit=clinics[0][1]["unit"],
        clinics=len(clinics),
        improvement=improvement,
        standardised=standardised,
        shares=_shares([own for _, own in clinics], confidence),
        course=course,
        clinic_spread=_spread(values, course.scale) if len(clinics) >= 5 else pd.DataFrame(),
        funnel=_funnel(clinics),
    )


def equivalent_values(clinics: Sequence[tuple[str, dict[str, Any]]]) -> pd.DataFrame:
    """Make readings at the occasions that have exactly the sums of the cells.

    They stand for no client. Columns clinic, client, episode, week, value.
    """
    frames = []
    for clinic, own in clinics:
        for number, cell in enumerate(own["cells"]):
            rows = equivalent_rows(cell)
            n, k = rows.shape
            frames.append(
                pd.DataFrame(
                    {
                        "clinic": clinic,
                        "client": np.repeat([f"{clinic}/{number}/{i}" for i in range(n)], k),
                        "episode": 1,
                        "week": np.tile(cell["occasions"], n),
                        "value": rows.ravel(),
                    }
                )
            )
    return pd.concat(frames, ignore_index=True)


def _spread(values: pd.DataFrame, scale: float) -> pd.DataFrame:
    """Fit random starts and gains of clinics, clients nested in them."""
    codes, _ = pd.factorize(values["client"])
    first = np.flatnonzero(np.r_[True, np.diff(codes) != 0])
    centre = float(values["value"].mean())
    time = time_scale(values["week"].to_numpy(float), scale)
    sums = series_sums(first, time, values["value"].to_numpy(float) - centre)
    outer = pd.factorize(values["clinic"])[0][first]
    data = SeriesSums(sums, centre, len(values), outer=outer)
    try:
        fit = fit_sums(data, outer_random="1 + time", degrees_of_freedom="normal")
    except ModelError:
        return pd.DataFrame()
    g = fit.random_covariances["clinic"]
    return pd.DataFrame({"term": g.index, "sd": np.sqrt(np.diagonal(g.to_numpy()))})


def _shares(clinics: list[dict[str, Any]], confidence: float) -> pd.DataFrame:
    """Count over clinics; what is hidden gives a count that may be higher."""
    rows = []
    for quantity, words in (
        ("improved detectably", _IMPROVED),
        ("improved importantly", _IMPORTANT),
        ("worsened detectably", _WORSENED),
    ):
        low = high = n = 0
        for own in clinics:
            if words is _IMPORTANT and own["important"] is None:
                continue
            counts = own["verdicts"]
            shown = {w: c for w, c in counts.items() if w != "total" and c is not None}
            total = counts["total"] or 0
            rest = total - sum(shown.values())
            mine = sum(shown.get(word, 0) for word in words)
            some_hidden = any(word not in shown for word in words)
            low, high = low + mine, high + mine + (rest if some_hidden else 0)
            n += total - shown.get(_UNKNOWN, 0)
        if not n:
            continue
        low_end, _ = share_interval(low, n, confidence=confidence)
        _, high_end = share_interval(min(high, n), n, confidence=confidence)
        rows.append(
            {
                "quantity": quantity,
                "count": low,
                "count_high": min(high, n),
                "n": n,
                "share": low / n,
                "share_high": min(high, n) / n,
                "ci_low": float(low_end),
                "ci_high": float(high_end),
                "ci_level": confidence,
                "method": "share; Wilson score interval from the lowest to the highest count",
            }
        )
    columns = ["quantity", "count", "count_high", "n", "share", "share_high", "ci_low", "ci_high"]
    return pd.DataFrame(rows, columns=[*columns, "ci_level", "method"])


def _funnel(clinics: list[tuple[str, dict[str, Any]]]) -> pd.DataFrame:
    rows = []
    for clinic, own in clinics:
        counts = own["verdicts"]
        if all(counts.get(word) is not None for word in _IMPROVED):
            n = counts["total"] - counts[_UNKNOWN]
            rows.append((clinic, sum(counts[word] for word in _IMPROVED), n))
    groups = pd.DataFrame(rows, columns=["group", "count", "n"])
    groups = groups[groups["n"] > 0]
    if len(groups) < 2 or not 0 < groups["count"].sum() < groups["n"].sum():
        return pd.DataFrame()
    return share_funnel(groups)
