"""Section of the page of evidence about the planted truth that the review should find."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from stored_results import Record
from trust_blocks import Block, Drawing, Heading, Table, Text
from trust_figures import recovery as draw_recovery

from outcomes.measures.catalogue import measures
from outcomes.reporting.wording import number, percent, signed

__all__ = ["EXPECTED", "MEAN", "once_only", "recovery", "worst_share"]

MEAN = "mean improvement"
EXPECTED = "expected to have improved importantly"

_RECOVERED = {
    "improved importantly": "share improved importantly, by cut-off",
    "improved detectably": "share improved detectably, by cut-off",
    "improved detectably and importantly": "share improved detectably and importantly, by cut-off",
    "worsened detectably": "share worsened detectably, by cut-off",
    "expected to have improved": "share expected to have improved, by the model",
    "expected to have improved importantly": "share expected to have improved importantly, "
    "by the model",
}


def recovery(by_name: dict[str, Record]) -> Iterator[Block]:
    """Compare the review's numbers with what was planted."""
    if "review_recovers_truth" not in by_name:
        return
    content = by_name["review_recovers_truth"].content
    settings = content["settings"]
    numbers = pd.DataFrame(content["numbers"])
    catalogue = measures()
    names = {code: catalogue[code].name for code in dict.fromkeys(numbers["measure"])}
    numbers["name"] = numbers["measure"].map(names)
    yield Heading("Does the quarter's review find what was planted?")
    yield Text(
        f"{settings['seeds']} synthetic caseloads of {settings['clients']} clients, each with one "
        "inclinometer that reads more and more, and again with that instrument steady. Reported "
        "numbers are compared with the truth of the same clients. The model's part was made for "
        f"the first {settings['model_seeds']} caseloads, for it takes most of the time."
    )
    mean = numbers[numbers["quantity"] == MEAN].copy()
    mean["unit"] = [catalogue[code].unit for code in mean["measure"]]
    mean.loc[mean["measure"].isin(once_only(mean)), "world"] = "none"
    order = mean["measure"].map(list(names).index)
    mean = mean.iloc[np.lexsort([mean["world"], order])]
    yield Drawing(draw_recovery(mean, names))
    mean["world"] = mean["world"].replace({"drift": "one drifts"})
    yield Text(
        "The interval of the mean allows for clients being a sample of such clients, so it should "
        "hold the mean over all caseloads 95 times in 100 (last column), and the truth of its own "
        "clients more often."
    )
    yield Table(
        mean,
        {
            "name": "Measure",
            "world": "Instrument",
            "unit": "Unit",
            "planted": ("Planted", lambda value: number(value)),
            "bias": ("Reported less planted", lambda value: signed(value, 2)),
            "half_width": ("Half the interval", lambda value: number(value, 2)),
            "covered": ("Holds these clients' truth", lambda value: percent(value, 1)),
            "covered_everywhere": ("Holds the mean of all", lambda value: percent(value, 1)),
        },
        "Mean improvement, reported and planted",
    )
    kept = numbers["measure"].isin(once_only(numbers)) | (numbers["world"] == "steady")
    shares = numbers[kept & (numbers["quantity"] != MEAN)]
    shares = shares[shares["planted"].notna()]
    summed = [
        {
            "quantity": _RECOVERED[quantity],
            "measures": rows["measure"].nunique(),
            "planted": rows["planted"].mean(),
            "bias": 100 * rows["bias"].mean(),
            "worst": 100 * rows["bias"].iloc[rows["bias"].abs().argmax()],
            "covered": rows["covered"].mean(),
            "everywhere": rows["covered_everywhere"].mean(),
            "least": rows["covered"].min(),
        }
        for quantity, rows in shares.groupby("quantity", sort=False)
    ]
    yield Text(
        "Compared with the share of the same clients whose true improvement passes the same line; "
        "instruments steady. Shares by cut-off count readings, and readings carry error: where few "
        "clients truly pass a line, error lifts more over it than it holds back. Steps matter too: "
        "a line of 2.17 on a scale of whole points is passed at 3 and not before. Where "
        "nobody truly got worse, one false alarm is enough for an interval that leaves out none. "
        "And a fifth of the planted clients do not gain at all: whether they improved, by however "
        "little, is even odds to the model, and to the truth a no."
    )
    expected = next(row for row in summed if row["quantity"] == _RECOVERED[EXPECTED])
    if expected["covered"] < 0.93:
        yield Text(
            "**The intervals of shares are too narrow.** That of the model's expected share of "
            f"important gains held the planted share in {percent(expected['covered'])}: it allows "
            "for clients being a sample, and neither for what each chance leaves open nor for the "
            f"model's own caution ({signed(expected['bias'], 1)} points on average). Those of "
            "shares by cut-off allow for the sample, and not for error of measurement, which lifts "
            "some readings over a line and holds others back."
        )
    yield Table(
        pd.DataFrame(summed),
        {
            "quantity": "Reported number",
            "measures": ("Measures", str),
            "planted": ("Planted share", lambda value: percent(value, 1)),
            "bias": ("Reported less planted, points", lambda value: signed(value, 1)),
            "worst": ("Worst measure, points", lambda value: signed(value, 1)),
            "covered": ("Interval holds the planted share", lambda value: percent(value, 1)),
            "least": ("Least, of the measures", lambda value: percent(value, 1)),
            "everywhere": ("Holds the share of all", lambda value: percent(value, 1)),
        },
        "Shares of clients, reported and planted",
    )
    own = pd.DataFrame(content["own_intervals"])
    own = own[own["measure"].isin(once_only(own)) | (own["world"] == "steady")]
    yield Table(
        own.assign(name=own["measure"].map(names)),
        {
            "name": "Measure",
            "clients": ("Clients", lambda value: f"{value:,}"),
            "coverage": ("Interval holds the client's truth", lambda value: percent(value, 1)),
        },
        "Each client's own 95% interval of the true improvement",
    )
    yield Table(
        shares.assign(quantity=shares["quantity"].map(_RECOVERED)),
        {
            "name": "Measure",
            "quantity": "Reported number",
            "sets": ("Caseloads", str),
            "planted": ("Planted", lambda value: percent(value, 1)),
            "bias": ("Reported less planted, points", lambda value: signed(100 * value, 1)),
            "covered": ("Held", lambda value: percent(value, 1)),
            "planted_below": ("Planted below", lambda value: percent(value, 1)),
            "planted_above": ("Planted above", lambda value: percent(value, 1)),
        },
        "Every share, by measure",
        folded=f"All {len(shares)} shares",
    )


def worst_share(mean: pd.DataFrame) -> str:
    """Give the largest mean error of a measure, as a share of what was planted."""
    return percent(float((mean["bias"] / mean["planted"]).abs().max()), 1)


def once_only(mean: pd.DataFrame) -> list[str]:
    """Name the measures that were simulated once only: no instrument reads them."""
    worlds = mean.groupby("measure")["world"].nunique()
    return worlds.index[worlds == 1].tolist()
