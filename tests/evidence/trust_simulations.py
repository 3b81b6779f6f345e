"""Sections of the page of evidence about simulations: coverage, alarms, chances, power."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from stored_results import Record, coverages, false_alarms
from trust_blocks import Block, Drawing, Heading, Table, Text
from trust_figures import calibration as draw_calibration
from trust_figures import coverage_strip

from outcomes.reporting.wording import number, percent

__all__ = ["alarm_rates", "alarms", "calibration", "coverage", "found_when_there", "held_shares"]

#: A coverage this far below its promise, or an alarm rate this far above, is named.
MARGIN = 0.02

#: Names of the simulations for readers; others go by the name of their file.
NAMES = {
    "change_coverage": "Effect sizes and shares",
    "change_first_visit": "Regression to the mean from all visits",
    "change_verdicts": "The model's verdicts",
    "important_change_coverage": "Thresholds from ratings",
    "instrument_drift": "Shifted instruments",
    "mixed_model_small_samples": "Courses, few clients",
    "planning_simulations": "Planned studies",
    "repeatability_agreement_coverage": "Limits of agreement",
    "repeatability_intraclass_coverage": "Intraclass correlations",
    "repeatability_measurement_error_coverage": "Error of measurement",
    "repeatability_routine_error": "Error from everyday visits",
    "review_detects": "The quarter's review, on whole caseloads",
    "service_false_alarms": "The quarter's review",
    "single_case_error_rates": "Single-case methods",
}

#: Figures that are no promise of the package: pattern in the words of the case, and what they are.
COMPARED = (
    (r"interrupted.*least squares", "ordinary least squares, which the package does not give"),
    (r"carry over|twice as fast", "an assumption of the method, broken on purpose"),
    (r"rejected, normal", "normal quantiles, which the package does not give unless asked"),
    (r"corrected tau always", "a correction that is off unless asked for"),
    (r"celeration", "crossings of a line that describes a phase and is no test"),
    (r"none rejects", "readings taken for uncorrelated; not done unless asked"),
)
#: What to know about the others that miss their promise.
REMARKS = (
    (r"one client, correlation 0\.[1-9]", "each reading hangs on the one before; few readings"),
    (r"late start, (not )?selected", "a course of none of the forms that the model averages over"),
    (r"held out", "a course of another form than the model has, on purpose"),
    (r"^mixed", "three kinds of client, where the model takes one bell"),
    (r"^noisy", "one reading's error as large as the spread of gains"),
    (r"several clients.*moment", "the moment estimator; the other takes longer and does better"),
    (r"bootstrap, d_z", "skewed changes"),
    (r"exponential", "skewed changes, few clients"),
    (r"rejected, satterthwaite", "an option; the default is the one called small sample"),
    (r"ICC\(A,1\), satterthwaite", "raters far apart; the modified large sample interval holds"),
    (r"interrupted.*ours", "few periods to learn the correlation from"),
    (r"scatter about each client's course", "the course itself is estimated from the same visits"),
)


def held_shares(records: list[Record]) -> pd.DataFrame:
    """Collect every coverage, and whether it is `short` of its promise or only `compared`."""
    rows = _all(records, coverages)
    return rows.assign(short=rows["share"] < rows["nominal"] - MARGIN)


def alarm_rates(records: list[Record]) -> pd.DataFrame:
    """Collect every rate of false alarms, and whether it is `loud` or only `compared`."""
    rows = _all(records, false_alarms)
    room = np.minimum(MARGIN, rows["nominal"] / 2)
    return rows.assign(loud=rows["share"] > rows["nominal"] + room)


def _all(records: list[Record], reader: Callable[[Record], pd.DataFrame]) -> pd.DataFrame:
    tables = [
        rows.assign(about=NAMES.get(record.name, record.name)).astype({"sets": "Float64"})
        for record in records
        if not (rows := reader(record)).empty
    ]
    found = pd.concat(tables, ignore_index=True)
    remarks = [_remark(what) for what in found["what"]]
    return found.assign(
        remark=[words for words, _ in remarks], compared=[flag for _, flag in remarks]
    )


def _remark(what: str) -> tuple[str, bool]:
    for table, compared in ((COMPARED, True), (REMARKS, False)):
        for pattern, words in table:
            if re.search(pattern, what):
                return words, compared
    return "", False


def _rate(value: float) -> str:
    return percent(value, 2 if value < 0.01 else 1)


def _sets(value: object) -> str:
    return "\N{EN DASH}" if pd.isna(value) else f"{value:,.0f}"


_CASE = {
    "about": "Simulation",
    "what": "Situation",
    "nominal": ("Promised", _rate),
    "share": ("Found", _rate),
    "sets": ("Simulated sets", _sets),
}


def coverage(held: pd.DataFrame) -> Iterator[Block]:
    """Show what intervals held."""
    yield Heading("How often intervals hold the truth")
    yield Text(
        "Data are drawn from a known truth, the interval is computed, and it is noted whether it "
        "holds that truth. An interval of 95% should do so 95 times in 100: less is too sure, "
        "more is wider than it need be."
    )
    given = held[~held["compared"]]
    yield Drawing(coverage_strip(given))
    yield from _missed(
        held[held["short"]].sort_values("share"),
        f"Intervals that fall short by more than {100 * MARGIN:.0f} points",
    )
    yield Table(held, _CASE, "Every coverage", folded=f"All {len(held)} coverages")


def _missed(rows: pd.DataFrame, caption: str) -> Iterator[Block]:
    """Name what misses its promise; comparisons apart."""
    columns = {**_CASE, "remark": "Remark"}
    yield Table(rows[~rows["compared"]], columns, caption, empty="None.")
    compared = rows[rows["compared"]]
    if len(compared):
        yield Table(
            compared,
            columns,
            f"{caption}: not what the package gives",
            folded=f"{len(compared)} more that the package does not give, or not unless asked, and "
            "assumptions broken on purpose",
        )


def alarms(rates: pd.DataFrame) -> Iterator[Block]:
    """Show how often there was an alarm about nothing."""
    yield Heading("How often there is an alarm about nothing")
    yield Text(
        "Data are drawn with nothing to find, and it is noted how often something is found. Named "
        "are rates above the promise by more than half of it or by two points."
    )
    given = rates[~rates["compared"]]
    summed = [
        {
            "about": about,
            "nominal": nominal,
            "situations": len(part),
            "median": part["share"].median(),
            "most": part["share"].max(),
            "loud": int(part["loud"].sum()),
        }
        for (about, nominal), part in given.groupby(["about", "nominal"], sort=False)
    ]
    yield Table(
        pd.DataFrame(summed),
        {
            "about": "Simulation",
            "nominal": ("Promised", _rate),
            "situations": ("Situations", str),
            "median": ("Found, median", _rate),
            "most": ("Found, most", _rate),
            "loud": ("Too often", str),
        },
        "False alarms, by simulation",
    )
    yield from _missed(
        rates[rates["loud"]].sort_values("share", ascending=False), "Alarms that come too often"
    )
    yield Table(rates, _CASE, "Every rate", folded=f"All {len(rates)} rates")


_SCENARIOS = {
    "normal": "gains in one bell",
    "noisy": "one bell, noisy readings",
    "mixed": "three kinds of client",
}


def calibration(by_name: dict[str, Record]) -> Iterator[Block]:
    """Show whether chances come true as often as they say."""
    if "change_verdicts" not in by_name:
        return
    scenarios = by_name["change_verdicts"].content["scenarios"]
    yield Heading("Are the chances honest?")
    yield Text(
        "The model gives each client a chance of having improved importantly. Where the truth is "
        "planted one can count: of all clients given 80%, did 80 in 100 improve so much?"
    )
    panels = {
        "Made courses": {
            _SCENARIOS.get(name, name): pd.DataFrame(found["importance_curve"])
            for name, found in scenarios.items()
        }
    }
    if "review_recovers_truth" in by_name:
        came = pd.DataFrame(by_name["review_recovers_truth"].content["came_true"])
        came = came[(came["chance"] == "important") & (came["world"] == "drift")]
        curve = came.rename(columns={"clients": "count"})
        panels["The synthetic caseload"] = {"the quarter's review": curve}
    yield Drawing(draw_calibration(panels))
    rows = [
        {"scenario": _SCENARIOS.get(name, name), **row}
        for name, found in scenarios.items()
        for row in found["by_visits"]
    ]
    yield Text(
        "The Brier score is the mean squared gap between the chance given and what was true: 0 is "
        "perfect, 0.25 is what always saying 50% earns. A yes or no is scored as 100% or 0%."
    )
    yield Table(
        pd.DataFrame(rows),
        {
            "scenario": "Setting",
            "visits": "Visits",
            "count": ("Clients", lambda value: f"{value:,}"),
            "brier_model": ("Model", lambda value: number(value, 3)),
            "brier_two_readings": ("First and latest reading", lambda value: number(value, 3)),
            "brier_cut_off": ("Cut-off, yes or no", lambda value: number(value, 3)),
            "coverage": ("Client's interval holds the truth", lambda value: percent(value, 1)),
        },
        "Brier scores of the verdict on an important improvement (lower is better)",
    )
    advice = [
        {"scenario": _SCENARIOS.get(name, name), **found["plateau"]}
        for name, found in {**scenarios, **by_name["change_verdicts"].content["held_out"]}.items()
    ]
    missed = [
        np.mean([row[f"stopped_too_early_{who}"] for row in advice]) for who in ("model", "rule")
    ]
    yield Text(
        "Going on is worth it where three more visits bring a further gain of the size asked for. "
        "The model says that a client has levelled off only where the chance of that is below one "
        "in ten. Of those who would still have gained, over all settings, **it stopped "
        f"{percent(missed[0])}** and the rule (stop when three visits brought no detectable "
        f"change) {percent(missed[1])}. The price is that it often says that it cannot tell yet. "
        "Courses that were held out when the advice was built stand in the lower rows; a step or a "
        "relapse still to come leaves no trace, and nothing forecasts it."
    )
    yield Table(
        pd.DataFrame(advice),
        {
            "scenario": "Setting",
            "share_worth_going_on": ("Still gaining, in truth", percent),
            "brier_model": ("Brier score, model", lambda value: number(value, 3)),
            "brier_rule": ("Brier score, rule of three visits", lambda value: number(value, 3)),
            "stopped_too_early_model": ("Stopped too early, model", percent),
            "stopped_too_early_rule": ("Stopped too early, rule", percent),
            "not_yet_said_worth": ("Not told yet, of those", percent),
            "went_on_in_vain_model": ("Told to go on in vain, model", percent),
            "went_on_in_vain_rule": ("Went on in vain, rule", percent),
        },
        "Advice to go on or stop, where the further gain is known",
    )


def found_when_there(by_name: dict[str, Record]) -> Iterator[Block]:
    """Show how often what is planted is found."""
    drift, planning = by_name.get("instrument_drift"), by_name.get("planning_simulations")
    if not drift and not planning:
        return
    yield Heading("Is it found when it is there?")
    if planning:
        rows = pd.DataFrame(planning.content["slopes"])
        rows["drop_out"] = [course["stopping"] for course in rows["course"]]
        yield Table(
            rows,
            {
                "n": ("Clients", str),
                "groups": ("Groups", str),
                "slope": ("True slope a week", lambda value: number(value)),
                "drop_out": ("Stop after each visit", percent),
                "planned": ("Power planned", lambda value: percent(value, 1)),
                "power": ("Power found", lambda value: percent(value, 1)),
                "power_low": ("From", lambda value: percent(value, 1)),
                "power_high": ("To", lambda value: percent(value, 1)),
            },
            f"Planned power against {planning.content['studies']:,} simulated studies each",
        )
    if drift:
        rows = pd.DataFrame(drift.content["rows"])
        rows = rows[rows["shift"] > 0]
        yield Table(
            rows.assign(found=rows["shifted_named"] / rows["clinics"]),
            {
                "clients": ("Clients", str),
                "shift": ("Shift, degrees", lambda value: number(value, 0)),
                "clinics": ("Clinics", str),
                "found": ("Shifted instrument asked about", percent),
            },
            "An instrument that shifts halfway through",
        )
