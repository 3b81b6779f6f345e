"""The paragraph on the number of clients for a study's protocol."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from outcomes import __version__
from outcomes.reporting.picture import Html
from outcomes.reporting.planning_inputs import PlanInputs
from outcomes.reporting.planning_page import lower_name
from outcomes.reporting.wording import join_words, number, percent, plural, with_unit
from outcomes.statistics.planning import Assurance, Plan

__all__ = ["protocol"]


def protocol(
    plan: Plan,
    inputs: PlanInputs,
    *,
    assured: Assurance | None = None,
    weeks: Sequence[float] = (),
) -> Html:
    """Write the paragraph on the number of clients for a protocol, with what it rests on."""
    lines = [_size_words(plan, inputs), _basis_words(inputs)]
    if assured is not None:
        lines.append(
            "Averaged over the plausible range of the difference and of the standard deviation, "
            f"the chance to show a difference is {percent(assured.assurance)} (assurance)."
        )
    if weeks:
        when = join_words([number(week, 0) for week in weeks])
        lines.append(
            f"The measure is taken before treatment in weeks {when}, by the same rater with the "
            "same instrument."
        )
    lines.append(
        "The groups are formed by a concealed random sequence. Everybody who starts is analysed in "
        "the group drawn, by analysis of covariance adjusted for the start value, and by a mixed "
        "model over all visits as a second analysis; those not measured again are also taken to be "
        "back at their start. Nobody looks at the results before the last client is measured. "
        f"Unwanted events are counted in both groups. Made with outcomes {__version__}."
    )
    caution = (
        "A draft for people to finish: registration, ethical approval, consent and data protection "
        "follow the law and the professional code where you work."
    )
    return Html(f"<blockquote>{escape(' '.join(lines))}</blockquote><p>{escape(caution)}</p>")


def _size_words(plan: Plan, inputs: PlanInputs) -> str:
    unit = inputs.measure.unit
    return (
        f"The main outcome is {lower_name(inputs)} ({_unit_words(unit)}). To show a difference of "
        f"{with_unit(plan.effect, unit)} between two groups with a power of "
        f"{percent(plan.achieved)} at a two-sided level of {percent(1 - plan.ci_level)}, "
        f"{plural(plan.n_per_group, 'client')} in each group must be analysed ({plan.method}). "
        f"With {percent(plan.drop_out)} expected to be lost, {plan.n_to_recruit:,} are recruited."
    )


def _basis_words(inputs: PlanInputs) -> str:
    unit = inputs.measure.unit
    return (
        f"The standard deviation of the outcome, {with_unit(inputs.latest_sd, unit)}, its "
        f"correlation with the start value, {number(inputs.correlation, 2)}, and the share lost "
        f"are those of {plural(inputs.n_before, 'episode')} of care in this clinic up to "
        f"{'the end of the records' if inputs.quarter == 'all' else inputs.quarter}."
    )


def _unit_words(unit: str) -> str:
    """Write the unit of an outcome in words."""
    return {"deg": "degrees", "cm": "centimetres", "kg": "kilograms", "s": "seconds"}.get(
        unit, unit or "points"
    )
