"""What the notebook for planning a study shows: what can be seen, and how many clients it takes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from html import escape

import numpy as np
import pandas as pd

from outcomes.reporting.figures import power_figure
from outcomes.reporting.picture import Html, Picture
from outcomes.reporting.planning_inputs import PlanInputs
from outcomes.reporting.tables import table
from outcomes.reporting.wording import (
    chance,
    interval,
    number,
    percent,
    plural,
    with_unit,
)
from outcomes.statistics.planning import (
    Assurance,
    Plan,
    assurance,
    clients_for_error,
    clients_for_icc,
    clients_for_mean_change,
    clients_for_share,
    clients_in_clusters,
    draw_inputs,
    mean_half_width,
    power_curve,
    power_in_clusters,
    power_paired,
    power_two_groups,
    share_half_width,
    single_case_power,
    smallest_detectable,
)

__all__ = [
    "assured",
    "can_be_seen",
    "course_words",
    "inputs_table",
    "plans",
    "power_curves",
    "practitioners",
    "precision",
    "single_cases",
]


def inputs_table(inputs: PlanInputs) -> Html:
    """List what the caseload says about the inputs of the plan."""
    m = inputs.measure
    rows = [
        ("Clients measured twice this quarter", f"{inputs.n_now:,}"),
        ("SD of the change", f"{with_unit(inputs.sd, m.unit)} (80% range "
                             f"{interval(inputs.sd_low, inputs.sd_high)})"),
        ("SD of the latest value", with_unit(inputs.latest_sd, m.unit)),
        ("Correlation of start and latest value", number(inputs.correlation, 2)),
        ("Not measured again", percent(inputs.drop_out)),
        ("SD of clients' slopes, per week", with_unit(inputs.slope_sd, m.unit)),
        ("SD of one visit around the own course", with_unit(inputs.error_sd, m.unit)),
        ("Practitioners", number(inputs.practitioners, 0)),
        ("Clients a practitioner", number(inputs.clients_each)),
        ("Share of variance between practitioners", percent(inputs.practitioner_icc, 1)),
    ]  # fmt: skip
    shown = table(
        pd.DataFrame(rows, columns=["name", "value"]),
        {"name": "Input", "value": ("Value", str)},
        caption=f"{m.name}: from {plural(inputs.n_before, 'episode')} of this caseload",
    )
    notes = "".join(f"<p>{escape(note)}</p>" for note in inputs.notes)
    return shown + Html(notes)


def can_be_seen(inputs: PlanInputs, *, power: float = 0.8) -> Html:
    """Say what the clinic's size this quarter can show, and what half and twice as many could."""
    unit, n = inputs.measure.unit, inputs.n_now
    least = smallest_detectable(n, sd=inputs.sd, power=power)
    when = "In the whole caseload" if inputs.quarter == "all" else f"In {inputs.quarter}"
    text = (
        f"{when}, with {plural(n, 'client')} measured twice, you can see a mean change in "
        f"{lower_name(inputs)} of {with_unit(least, unit)}, not {with_unit(0.4 * least, unit)}: "
        f"the first shows in {percent(power)} of such quarters, the second in "
        f"{percent(power_paired(n, difference=least * 0.4, sd=inputs.sd))}."
    )
    sizes = sorted({max(4, n // 2), n, 2 * n, 4 * n})
    rows = [
        {
            "n": size,
            "change": with_unit(smallest_detectable(size, sd=inputs.sd, power=power), unit),
            "between": with_unit(
                smallest_detectable(size, sd=inputs.sd, power=power, other_n=size), unit
            ),
            "mean": f"\N{PLUS-MINUS SIGN}{with_unit(mean_half_width(size, sd=inputs.sd), unit)}",
            "share": f"\N{PLUS-MINUS SIGN}{percent(share_half_width(size, share=0.5))}",
        }
        for size in sizes
    ]
    shown = table(
        pd.DataFrame(rows),
        {"n": "Clients measured twice", "change": ("Smallest change seen", str),
         "between": ("Smallest difference between two such quarters", str),
         "mean": ("Mean change known to", str), "share": ("A share near half known to", str)},
        caption=f"What a quarter can show, with a chance of {percent(power)}",
    )  # fmt: skip
    note = (
        "To see half as small a change takes four times as many clients. A change that is seen is "
        "no effect of treatment without a group to compare with."
    )
    return Html(f'<p class="sentence">{escape(text)}</p>') + shown + Html(f"<p>{note}</p>")


def precision(inputs: PlanInputs, *, half_width: float) -> Html:
    """Say how many clients give an answer as precise as wanted."""
    lost = inputs.drop_out
    found = [
        (f"Mean change to \N{PLUS-MINUS SIGN}{with_unit(half_width, inputs.measure.unit)}",
         clients_for_mean_change(half_width, sd=inputs.sd, drop_out=lost)),
        ("The same, with a chance of 90%",
         clients_for_mean_change(half_width, sd=inputs.sd, chance=0.9, drop_out=lost)),
        ("A share near half to \N{PLUS-MINUS SIGN}10%",
         clients_for_share(0.1, share=0.5, drop_out=lost)),
        ("Measurement error to 20%, two readings each", clients_for_error(0.2)),
        ("Measurement error to 20%, three readings each", clients_for_error(0.2, readings=3)),
        ("An intraclass correlation of 0.90 shown to exceed 0.75",
         clients_for_icc(icc=0.9, least_icc=0.75)),
    ]  # fmt: skip
    return _plan_table(found, "How many clients for a wanted precision")


def plans(named: dict[str, Plan], inputs: PlanInputs, *, difference: float) -> Html:
    """List plans for a difference that should be seen."""
    caption = f"How many clients to see {with_unit(difference, inputs.measure.unit)}"
    return _plan_table(list(named.items()), caption)


def _plan_table(found: Sequence[tuple[str, Plan]], caption: str) -> Html:
    rows = [
        {
            "question": name,
            "n": plan.n,
            "each": f"{plan.n_per_group:,}" if plan.n_per_group != plan.n else "\N{EN DASH}",
            "recruit": plan.n_to_recruit,
            "method": plan.method,
        }
        for name, plan in found
    ]
    return table(
        pd.DataFrame(rows),
        {"question": "Wanted", "n": "Clients analysed", "each": ("Of these a group", str),
         "recruit": "To recruit", "method": "How"},
        caption=caption,
    )  # fmt: skip


def power_curves(
    inputs: PlanInputs, *, difference: float, power: float = 0.8, groups: int = 2
) -> Picture:
    """Draw the chance to show half, the whole, and one and a half times a difference."""
    unit = inputs.measure.unit
    sd = inputs.latest_sd * np.sqrt(1 - inputs.correlation**2) if groups == 2 else inputs.sd
    given = power_two_groups if groups == 2 else power_paired
    sizes = _sizes(given, difference * 0.5, float(sd))
    curves = {
        with_unit(difference * part, unit): power_curve(
            partial(given, difference=difference * part, sd=float(sd)), sizes=sizes
        )
        for part in (1.5, 1.0, 0.5)
    }
    what = "between two groups" if groups == 2 else "in one group"
    return power_figure(
        curves,
        title=f"{inputs.measure.name}: chance to show a difference {what}",
        label="clients analysed in each group" if groups == 2 else "clients measured twice",
        here=inputs.n_now if inputs.n_now <= sizes[-1] else None,
        wanted=power,
    )


def _sizes(given, difference: float, sd: float) -> list[int]:  # noqa: ANN001
    """Choose sizes up to where the smallest difference is seen as a rule, at most 400."""
    tried = np.unique(np.round(np.geomspace(4, 400, 60)).astype(int))
    reached = [n for n in tried if given(int(n), difference=difference, sd=sd) >= 0.85]
    most = max(int(reached[0]) if reached else 400, 40)
    return [int(n) for n in np.unique(np.round(np.linspace(4, most, 50)).astype(int))]


def course_words(plan: Plan, simulated: pd.DataFrame, inputs: PlanInputs, *, weeks: float) -> Html:
    """Say what the plan for a course over weeks promises, and what simulated studies kept of it."""
    row = simulated.iloc[0]
    unit = inputs.measure.unit
    text = (
        f"To see a difference of {with_unit(plan.effect * weeks, unit)} between two courses after "
        f"{number(weeks, 0)} weeks, {plural(plan.n_per_group, 'client')} must start in each group "
        f"(formula: {percent(plan.achieved)} power). Of {int(row['studies']):,} simulated studies "
        f"with uneven visits, each analysed by the mixed model, {percent(row['power'])} showed it "
        f"(95% interval {interval(row['power_low'] * 100, row['power_high'] * 100, 'percent')}); "
        f"{percent(row['coverage'])} of the intervals held the true difference."
    )
    gone = f"By the last visit {percent(plan.drop_out)} have stopped coming; all are analysed."
    return Html(f'<p class="sentence">{escape(text)}</p><p>{escape(gone)}</p>')


def single_cases(
    *,
    rng: np.random.Generator,
    readings: int = 20,
    effect: float = 1.0,
    clients: Sequence[int] = (3, 4, 5, 6, 8),
    studies: int = 500,
) -> Html:
    """Say how many clients a single-case study with drawn starts of treatment takes."""
    found = pd.concat(
        [
            single_case_power(k, readings=readings, effect=effect, rng=rng, studies=studies,
                              draws=399)
            for k in clients
        ],
        ignore_index=True,
    )  # fmt: skip
    found = found.assign(
        range=[interval(a * 100, b * 100, "percent") for a, b in
               zip(found["power_low"], found["power_high"], strict=True)],
    )  # fmt: skip
    shown = table(
        found,
        {"clients": "Clients", "starts": "Starts allowed each",
         "smallest_p": ("Smallest p possible", lambda p: number(p, 3)),
         "power": ("Chance to show it", percent), "range": ("95% interval", str)},
        caption=f"{readings} readings a client, a rise of {number(effect)} SD, serial correlation "
        "0.3",
    )  # fmt: skip
    note = (
        "Treatment starts at a drawn visit for each client; the test is exact. Decide on the "
        "starts before the first reading, and do not wait for a good baseline."
    )
    return shown + Html(f'<p class="quiet">{note}</p>')


def practitioners(inputs: PlanInputs, *, difference: float, power: float = 0.8) -> Html:
    """Say how many practitioners a study takes when they, not clients, are put into groups."""
    if not np.isfinite(inputs.practitioner_icc):
        return Html('<p class="quiet">Too few practitioners to learn how they differ.</p>')
    sd = float(inputs.latest_sd * np.sqrt(1 - inputs.correlation**2))
    rows = []
    for icc in sorted({max(inputs.practitioner_icc, 0.005), 0.02, 0.05, 0.1}):
        given = {
            "clients_each": 20,
            "difference": difference,
            "sd": sd,
            "icc": icc,
            "variation": inputs.variation,
        }
        plan = clients_in_clusters(**given, power=power, drop_out=inputs.drop_out)
        rows.append(
            {
                "icc": icc,
                "needed": plan.notes[0].split(" ", 1)[0],
                "clients": plan.n,
                "two": power_in_clusters(2, **given),
                "four": power_in_clusters(4, **given),
            }
        )
    shown = table(
        pd.DataFrame(rows),
        {"icc": ("Variance between practitioners", lambda x: percent(x, 1)),
         "needed": ("Practitioners a group", str), "clients": "Clients in all",
         "two": ("Chance with 2 a group", percent), "four": ("Chance with 4 a group", percent)},
        caption=f"To see {with_unit(difference, inputs.measure.unit)} between groups of "
        "practitioners with 20 clients each",
    )  # fmt: skip
    note = (
        f"This caseload's own share is {percent(inputs.practitioner_icc, 1)}, from "
        f"{plural(int(inputs.practitioners), 'practitioner')}"
        + (": with so few it is hardly known." if inputs.practitioners < 20 else ".")
        + " More clients do not make up for too few practitioners."
    )
    return shown + Html(f"<p>{escape(note)}</p>")


def assured(
    inputs: PlanInputs,
    *,
    n: int,
    difference: Sequence[float],
    rng: np.random.Generator,
    draws: int = 1000,
) -> tuple[Assurance, Html]:
    """Average the power over differences and spreads that are not known.

    Parameters
    ----------
    inputs : PlanInputs
    n : int
        Clients in each group.
    difference : (low, high)
        Range that holds the true difference with a chance of 80%.
    rng : numpy Generator
    draws : int

    Returns
    -------
    Assurance
        The draws and what they come to.
    Html
        The same in words.
    """
    shrink = float(inputs.latest_sd * np.sqrt(1 - inputs.correlation**2) / inputs.sd)
    low, high = float(difference[0]), float(difference[1])
    drawn = draw_inputs(
        rng=rng,
        draws=draws,
        between={
            "difference": (low, high),
            "sd": (inputs.sd_low * shrink, inputs.sd_high * shrink),
        },
    )
    found = assurance(partial(power_two_groups, n), drawn)
    text = (
        f"If the true difference lies between {interval(low, high, inputs.measure.unit)} with a "
        f"chance of 80%, {plural(n, 'client')} in each group give a chance of "
        f"{chance(found.assurance)} to show it (assurance). The power is "
        f"{percent(found.power_low)} in the worst tenth of cases and {percent(found.power_high)} "
        f"in the best; it reaches 80% in {percent(found.chance_of_80)} of them."
    )
    return found, Html(f'<p class="sentence">{escape(text)}</p>')


def lower_name(inputs: PlanInputs) -> str:
    name = inputs.measure.name
    return name[:1].lower() + name[1:]
