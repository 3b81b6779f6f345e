"""What the rebuilt analysis says of clients who were not measured again."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from outcomes.errors import OutcomesError
from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import count_of, interval, with_unit
from outcomes.statistics.effect_size import (
    compare_leavers,
    missing_bounds,
    sensitivity_to_missing,
    tipping_point,
)

__all__ = ["missing"]


def missing(
    starters: pd.DataFrame, measure: Measure, *, line: float | None, rng: np.random.Generator
) -> Html:
    """Show the mean improvement under every story of those not measured again, and the fence.

    Parameters
    ----------
    starters : DataFrame
        From `start_and_latest` with ``least_visits=1``: an empty latest value for the lost.
    measure : Measure
        Unit, direction, ends of the scale.
    line : float or None
        Smallest important change: the lost are also taken to be worse by half of it and by it.
    rng : numpy Generator
        For the imputations.
    """
    lost = int(starters["latest_value"].isna().sum())
    if not lost:
        return Html("<p>Everybody with a first reading was measured again.</p>")
    better = measure.better
    deltas = (0.0,) if line is None else (0.0, line / 2, line)
    ends = (measure.hard_min, measure.hard_max)
    worst, best = ends if measure.sign > 0 else ends[::-1]
    try:
        stories = pd.concat(
            [
                sensitivity_to_missing(starters, rng=rng, better=better, deltas=deltas),
                missing_bounds(starters, worst=worst, best=best, better=better),
            ],
            ignore_index=True,
        )
    except OutcomesError as reason:
        return Html(f'<p class="quiet">Not shown: {escape(str(reason))}</p>')
    worse = stories["delta"].fillna(0) > 0
    stories = stories.assign(
        quantity=stories["quantity"].mask(
            worse, [f"leavers worse by {with_unit(d, measure.unit)}" for d in stories["delta"]]
        ),
        text=[with_unit(e, measure.unit, sign=True) for e in stories["estimate"]],
        range=[interval(a, b, measure.unit) if a == a else "\N{EN DASH}" for a, b in
               zip(stories["ci_low"], stories["ci_high"], strict=True)],
    )  # fmt: skip
    shown = table(
        stories,
        {"quantity": "What became of the lost", "text": ("Mean improvement", str),
         "range": ("95% interval", str)},
        caption=f"{count_of(lost, len(starters))} with a first reading were not measured again",
    )  # fmt: skip
    lines = [_tipping_words(starters, measure), _leaver_words(starters, measure)]
    return shown + Html("".join(f"<p>{escape(x)}</p>" for x in lines if x))


def _tipping_words(starters: pd.DataFrame, measure: Measure) -> str:
    try:
        tip = float(tipping_point(starters, better=measure.better).estimate)
    except OutcomesError:
        return "The interval of the mean improvement holds zero already: nothing to overturn."
    if not np.isfinite(tip):
        return ""
    if tip > measure.hard_max - measure.hard_min:
        return (
            "No course of the lost that the scale allows would bring the interval of the mean "
            "improvement of all to zero."
        )
    return (
        f"Only if the lost fared worse by {with_unit(tip, measure.unit)} than clients who started "
        "alike and stayed would the interval of the mean improvement of all reach zero."
    )


def _leaver_words(starters: pd.DataFrame, measure: Measure) -> str:
    try:
        row = compare_leavers(starters).iloc[0]
    except OutcomesError:
        return ""
    return (
        f"At the start the lost stood at {with_unit(row['leavers_mean'], measure.unit)}, those "
        f"measured again at {with_unit(row['stayers_mean'], measure.unit)} (difference "
        f"{with_unit(row['estimate'], measure.unit, sign=True)}, "
        f"{interval(row['ci_low'], row['ci_high'])})."
    )
