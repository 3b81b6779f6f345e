"""What was planted: per client, measure and side; per visit; and for the clinic as a whole.

`Truth.levels` has the true level before and after treatment at every visit with a before-treatment
reading: one row per client, episode, visit, measure, side and mode. `Truth.courses` has one row per
client, episode, measure, side and mode, with

- `true_start` and `true_latest`: true level at the first and last of those visits;
- `true_improvement` = (true_latest - true_start) x (+1 higher is better, -1 lower is better);
- `improvement_by_care`: the part that follows the planted course; the rest of `true_improvement`
  is a transient bad start that faded by itself (questionnaires and ratings only).

The true mean improvement between first and last visit of the analysed clients is
``truth.true_mean_improvement(measure)``: of every client and episode with at least two visits, on
the side that is judged (the affected one; the mean of left and right, at visits with both, where
the affected side is both or midline). ``truth.improvements(measure, until=date)`` gives the rows
behind it, up to a date, for joining with an analysis client by client. True levels are those of
the clients whom the clinic measured: who dropped out earlier has an earlier last visit.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from data_synthetic.people import AFFECTED, GROUPS, Episodes
from data_synthetic.readings import MODES, SIDES
from data_synthetic.scenario import words
from data_synthetic.schedule import Schedule
from data_synthetic.world import World, sign_of

__all__ = ["Truth", "make_truth"]

_KEY = ["unit", "measure", "side", "mode"]


@dataclass
class Truth:
    """The planted world: its settings, every course, every true level, every client."""

    scenario: dict[str, Any]
    courses: pd.DataFrame
    levels: pd.DataFrame
    episodes: pd.DataFrame

    def improvements(
        self, measure: str, *, mode: str = "active", until: dt.date | None = None
    ) -> pd.DataFrame:
        """Give true start, latest level and improvement of each client and episode, judged side.

        Parameters
        ----------
        measure : str
        mode : {"active", "passive"}
            Of ranges of motion; questionnaires and ratings have none.
        until : date, optional
            Leave out visits after this day.

        Returns
        -------
        DataFrame
            Columns client, episode, n_visits, first_visit, last_visit, true_start, true_latest,
            true_improvement.
        """
        levels = self.levels
        wanted = (levels["measure"] == measure) & (levels["mode"].isna() | (levels["mode"] == mode))
        if until is not None:
            wanted &= levels["date"] <= pd.Timestamp(until)
        rows = levels.loc[wanted]
        rows = _judged(rows, self.episodes)
        ends = rows.sort_values("visit").groupby(["client", "episode"])
        found = ends.agg(
            n_visits=("visit", "size"),
            first_visit=("visit", "first"),
            last_visit=("visit", "last"),
            true_start=("true_before", "first"),
            true_latest=("true_before", "last"),
        ).reset_index()
        settings = {**self.scenario["ranges"], **self.scenario["scales"]}[measure]
        change = found["true_latest"] - found["true_start"]
        return found.assign(true_improvement=sign_of(settings) * change)

    def true_mean_improvement(
        self, measure: str, *, mode: str = "active", until: dt.date | None = None
    ) -> float:
        """Mean of `improvements` over clients and episodes with at least two visits."""
        rows = self.improvements(measure, mode=mode, until=until)
        return float(np.mean(rows.loc[rows["n_visits"] >= 2, "true_improvement"]))

    def errors(self) -> pd.DataFrame:
        """Planted error of every range, by instrument and rater.

        `standard_error_of_measurement` is that of the recorded mean of `trials` trials by one
        rater: sqrt(session_sd^2 + (trial_sd^2 + step^2 / 12) / trials). The rounding term treats
        rounding as noise; where the step is wide against the trial error it is a little more.
        """
        rows = []
        raters, factor = self.scenario["raters"], self.scenario["instruments"]["error_factor"]
        for name, measure in self.scenario["ranges"].items():
            for instrument in ["tape"] if measure.get("tape") else ["goniometer", "inclinometer"]:
                if instrument == "goniometer" and not measure["goniometer"]:
                    continue
                for i, rater in enumerate(self.scenario["practitioners"]["codes"]):
                    degrees = measure["unit"] == "deg"
                    step = (5.0 if rater == raters["rounds_to_5_deg"] else 1.0) if degrees else 0.1
                    session = measure["session_sd"] * factor[instrument]
                    trial = (
                        measure["trial_sd"] * factor[instrument] * raters["trial_error_factor"][i]
                    )
                    variance = session**2 + (trial**2 + step**2 / 12) / measure["trials"]
                    rows.append(
                        {
                            "measure": name,
                            "instrument": instrument,
                            "rater": rater,
                            "session_sd": session,
                            "trial_sd": trial,
                            "trials": measure["trials"],
                            "step": step,
                            "bias": raters["bias_deg"][i] if degrees else 0.0,
                            "standard_error_of_measurement": float(np.sqrt(variance)),
                        }
                    )
        for name, scale in self.scenario["scales"].items():
            rows.append(
                {
                    "measure": name,
                    "instrument": "form",
                    "rater": None,
                    "session_sd": scale["error_sd"],
                    "trial_sd": 0.0,
                    "trials": 1,
                    "step": scale["step"],
                    "bias": 0.0,
                    "standard_error_of_measurement": float(
                        np.sqrt(scale["error_sd"] ** 2 + scale["step"] ** 2 / 12)
                    ),
                }
            )
        return pd.DataFrame(rows)

    def summary(self) -> dict[str, Any]:
        """Everything but the rows, ready for JSON."""
        means = {}
        for name in [*self.scenario["ranges"], *self.scenario["scales"]]:
            rows = self.improvements(name)
            gain = rows.loc[rows["n_visits"] >= 2, "true_improvement"].to_numpy()
            wanted = (self.courses["measure"] == name) & (self.courses["n_visits"] >= 2)
            care = self.courses.loc[wanted & self.courses["affected"]]
            faded = (care["true_improvement"] - care["improvement_by_care"]).to_numpy()
            means[name] = {
                "measured": len(rows),
                "measured_again": len(gain),
                "true_mean_improvement": np.mean(gain),
                "of_which_transient": np.mean(faded),
                "share_truly_worse": np.mean(gain < 0),
            }
        return {
            "made_with": {"numpy": np.__version__, "pandas": pd.__version__},
            "planted": _plain(self.scenario),
            "errors": _plain(self.errors().to_dict("records")),
            "realised": {
                "clients": len(set(self.episodes["client"])),
                "episodes": len(self.episodes),
                "groups": _plain(self.episodes["group"].value_counts().to_dict()),
                "measures": _plain(means),
            },
            "formulas": {
                "course": "level(v) = settled_start + transient * exp(-days / fades_in_days) + "
                "total_change * (1 - exp(-clock(v) / scale_visits))",
                "clock": "clock(v) = sum over treatments before v of 1 + clock_effect * "
                "(adherence until the next visit - typical); baseline visits do not count",
                "after": "after(v) = before(v) + total_change * exp(-clock(v) / scale_visits) * "
                "(1 - exp(-1 / scale_visits)) / share_kept",
                "reading": "true level + rater bias + session error + trial error + drift, rounded",
                "true_mean_improvement": "first to last true_before of truth_visits.csv, signed so "
                "that better is positive, on the affected side (mean of both sides where that is "
                "both or midline), mode active; mean over episodes with two visits or more",
            },
        }


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 6) + 0.0
    return value


def make_truth(world: World, codes: Any) -> Truth:
    """Put the planted courses and levels into frames."""
    scenario, episodes, schedule = world.scenario, world.episodes, world.schedule
    measures = world.measures
    levels = pd.DataFrame(world.rows.arrays("levels"))
    courses = pd.DataFrame(world.rows.arrays("courses"))
    ordered = levels.sort_values([*_KEY, "visit"], kind="stable")
    ends = ordered.groupby(_KEY, sort=False)
    seen = ends.agg(
        n_visits=("visit", "size"),
        first_visit=("visit", "first"),
        last_visit=("visit", "last"),
        true_start=("true_before", "first"),
        true_latest=("true_before", "last"),
    ).reset_index()
    courses = courses.merge(seen, on=_KEY, how="inner", validate="one_to_one")
    unit = courses["unit"].to_numpy()
    better = {**scenario["ranges"], **scenario["scales"]}
    sign = np.array([sign_of(measure) for measure in better.values()])[courses["measure"]]
    progress = schedule.progress
    gained = progress[unit, courses["last_visit"]] - progress[unit, courses["first_visit"]]
    change = courses["true_latest"] - courses["true_start"]
    courses = pd.DataFrame(
        {
            **_who(episodes, codes, unit),
            **_what(courses, measures),
            "affected": courses["affected"].to_numpy().astype(bool),
            "instrument": words(world.instruments, courses["instrument"].to_numpy()),
            "n_visits": courses["n_visits"],
            "first_visit": courses["first_visit"] + 1,
            "last_visit": courses["last_visit"] + 1,
            "true_start": courses["true_start"],
            "true_latest": courses["true_latest"],
            "true_improvement": sign * change,
            "improvement_by_care": sign * courses["total_change"] * gained,
            "settled_start": courses["settled_start"],
            "transient": courses["transient"],
            "total_change": courses["total_change"],
            "scale_visits": episodes.scale[unit],
            "first_immediate": courses["first_immediate"],
            "share_kept": courses["share_kept"],
        }
    )
    unit = levels["unit"].to_numpy()
    levels = pd.DataFrame(
        {
            **_who(episodes, codes, unit),
            "visit": levels["visit"] + 1,
            "date": schedule.dates(unit, levels["visit"].to_numpy()),
            **_what(levels, measures),
            "true_before": levels["true_before"],
            "true_after": levels["true_after"],
        }
    )
    return Truth(scenario, courses, levels, _episode_frame(scenario, episodes, schedule, codes))


def _judged(levels: pd.DataFrame, episodes: pd.DataFrame) -> pd.DataFrame:
    """Keep one level per visit: the affected side's, or the mean of left and right."""
    sides = episodes.loc[:, ["client", "episode", "affected_side"]]
    rows = levels.merge(sides, on=["client", "episode"])
    known = rows["affected_side"].isin(["left", "right"]) & rows["side"].isin(["left", "right"])
    chosen = rows.loc[known & (rows["side"] == rows["affected_side"])]
    free = rows.loc[~known]
    if free.empty:
        return chosen
    single = free.groupby(["client", "episode"])["side"].transform("nunique") == 1
    visits = free.loc[~single].groupby(["client", "episode", "visit"], as_index=False)
    means = visits.agg(true_before=("true_before", "mean"), sides=("side", "size"))
    means = means.loc[means["sides"] == 2]
    return pd.concat([chosen, free.loc[single], means], ignore_index=True)


def _who(episodes: Episodes, codes: Any, unit: np.ndarray) -> dict[str, Any]:
    return {"client": codes.take(episodes.client[unit]), "episode": episodes.episode[unit]}


def _what(frame: pd.DataFrame, measures: list[str]) -> dict[str, Any]:
    return {
        "measure": words(measures, frame["measure"].to_numpy()),
        "side": words(SIDES, frame["side"].to_numpy()),
        "mode": words(MODES, frame["mode"].to_numpy()),
    }


def _episode_frame(
    scenario: dict[str, Any], episodes: Episodes, schedule: Schedule, codes: Any
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "client": codes.take(episodes.client),
            "episode": episodes.episode,
            "clinic": words(scenario["sites"]["codes"], episodes.site),
            "practitioner": words(scenario["practitioners"]["codes"], episodes.practitioner),
            "complaint": words(scenario["complaints"]["names"], episodes.complaint),
            "affected_side": words(AFFECTED, episodes.affected),
            "group": words(GROUPS, episodes.group),
            "own_response": episodes.own_response,
            "added_response": episodes.added_response,
            "adherence": episodes.adherence,
            "scale_visits": episodes.scale,
            "baseline_visits": episodes.baseline,
            "visits_attended": schedule.attended.sum(axis=1),
        }
    )
