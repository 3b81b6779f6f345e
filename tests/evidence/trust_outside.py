"""Sections of the page of evidence about what stands outside the project."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd
from stored_results import Record
from trust_blocks import Block, Heading, Table, Text

from outcomes.reporting.wording import number

__all__ = ["other_program", "outside", "speed"]


def outside(by_name: dict[str, Record]) -> Iterator[Block]:
    """Compare with published worked examples."""
    record = by_name["outside_checks"]
    checks = pd.DataFrame(record.content["checks"])
    yield Heading("Published worked examples")
    yield Text(
        "Data as the source prints them, or as a package carries them, run through this package; "
        "a value agrees if ours, rounded to the digits given, is the value given. `printed`: the "
        "digits stand in the source. `recalled`: recalled from the source, and confirmed by "
        "computing from its data. `computed`: not printed there; computed by another program."
    )
    by_source = []
    for (topic, source), rows in checks.groupby(["topic", "source"], sort=False):
        by_source.append(
            {
                "topic": topic,
                "source": source,
                "values": len(rows),
                "agree": int((rows["why"] == "").sum()),
                "digits": _range(rows["digits_given"]),
                "known": ", ".join(f"{n} {how}" for how, n in rows["known"].value_counts().items()),
            }
        )
    yield Table(
        pd.DataFrame(by_source),
        {
            "source": "Source",
            "topic": "Topic",
            "values": ("Values", str),
            "agree": ("Agree in full", str),
            "digits": ("Digits given", str),
            "known": "How known",
        },
        "Agreement with published worked examples, by source",
    )
    columns = {
        "source": "Source",
        "what": "Value",
        "published": ("Published", _plain),
        "found": ("Ours", lambda value: _plain(f"{value:.8g}")),
        "digits": ("Digits that agree", str),
    }
    yield Table(
        checks[checks["why"] != ""],
        {**columns, "why": "Why not all"},
        "Values that do not agree to every digit",
        empty="Every value agrees to every digit given.",
    )
    yield Table(
        checks, {**columns, "known": "How known"}, "Every value", folded=f"All {len(checks)} values"
    )


def _plain(value: str) -> str:
    return value.replace("-", "\N{MINUS SIGN}", 1) if value.startswith("-") else value


def _range(values: pd.Series) -> str:
    low, high = int(values.min()), int(values.max())
    return str(low) if low == high else f"{low} to {high}"


def other_program(by_name: dict[str, Record]) -> Iterator[Block]:
    """Compare with fits of another program."""
    if "mixed_model_agreement" not in by_name:
        return
    content = by_name["mixed_model_agreement"].content
    rows = pd.DataFrame(content["worst"])
    reference = ", ".join(f"{k} {v}" for k, v in content["reference"].items() if k != "R")
    yield Heading("The mixed model against R")
    yield Text(
        f"The same data fitted in {content['reference']['R'].split(' (')[0]} ({reference}). "
        "Shown is the worst difference of each quantity over all fits."
    )
    yield Table(
        rows,
        {
            "quantity": "Quantity",
            "compared": ("Fits", str),
            "difference": ("Worst difference", _tiny),
            "kind": "Kind",
            "bound": ("Allowed", _tiny),
            "fit": "Where",
        },
        "Largest differences from R",
    )


def _tiny(value: float) -> str:
    return f"{value:.0e}".replace("e-0", "e-").replace("-", "\N{MINUS SIGN}")


def speed(by_name: dict[str, Record]) -> Iterator[Block]:
    """Compare processor times with other programs."""
    record = by_name.get("mixed_model_benchmark")
    if not record:
        return
    rows = pd.DataFrame(record.content["rows"])
    ours = rows[rows["who"].str.startswith("ours,") & ~rows["who"].str.contains("Parquet")]
    base = ours.set_index("clients")["processor_s"]
    ratios = (
        rows[~rows["who"].str.startswith("ours")]
        .assign(ratio=lambda f: f["processor_s"] / f["clients"].map(base))
        .pivot_table(index="who", columns="clients", values="ratio", sort=False)
    )
    ratios.columns = [f"{int(clients):,} clients" for clients in ratios.columns]
    yield Heading("Speed beside other programs")
    yield Text(
        "Processor time of one fit (random start and slope) as a multiple of this package's: above "
        f"1 the other is slower. One run on {record.content['machine']}, with other work on the "
        "machine: read the orders of size, not the digits."
    )
    yield Table(
        ratios.reset_index(),
        {"who": "Program", **{c: (c, lambda value: number(value)) for c in ratios.columns}},
        "Processor time, as a multiple of ours",
    )
