"""What the notebook for a clinic's own measurement error shows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import DataError, Faults, check_columns, rows_must
from outcomes.measures import catalogue
from outcomes.measures.own_thresholds import OwnThreshold, threshold_lines
from outcomes.measures.thresholds import default_error
from outcomes.records.write import write_atomically
from outcomes.reporting.document import frame_page
from outcomes.reporting.figures import difference_against_mean
from outcomes.reporting.picture import Html, Picture
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, plural, with_unit
from outcomes.statistics.repeatability import (
    MeasurementError,
    averaging_table,
    clients_needed,
    error_table,
    limits_of_agreement,
    recording_sheet,
    simulate_precision,
)

__all__ = [
    "agreement",
    "averaging",
    "errors",
    "line_to_paste",
    "other_rater",
    "read_study",
    "sentence",
    "sheet",
    "sizes",
]


def read_study(
    path: str | Path, *, client: str, rater: str, trial: str, value: str, session: str = ""
) -> pd.DataFrame:
    """Read the readings of a study from CSV, naming which column is which; empty: there is none.

    Raises
    ------
    DataError
        If the file cannot be read, lacks a column, or holds values that are no numbers.
    """
    try:
        raw = pd.read_csv(path, dtype=str, encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError):
        raise DataError(
            f"{Path(path).name} must be a CSV file in UTF-8 that can be read. Check its path."
        ) from None
    names = {"client": client, "rater": rater, "trial": trial, "value": value, "session": session}
    given = {ours: theirs for ours, theirs in names.items() if theirs}
    check_columns(raw, given.values(), thing=Path(path).name)
    study = pd.DataFrame({ours: raw[theirs] for ours, theirs in given.items()})
    numbers = pd.to_numeric(study["value"].str.replace(",", ".").str.strip(), errors="coerce")
    faults = Faults()
    if numbers.isna().any():
        faults.add(rows_must("value", "be a number", numbers.isna(), "Correct the cells"))
    for column in given:
        faults.add_if(study[column].isna(), column, "be filled in", "Fill the cells")
    faults.raise_if_any()
    return study.assign(value=numbers)


def sizes(within: float = 0.2) -> Html:
    """List designs that make the same-rater error known to within a share."""
    rows = clients_needed(within=within)
    return table(
        rows,
        {
            "n_raters": "Raters",
            "trials_averaged": "Trials each",
            "n": "Clients needed",
            "n_readings": "Readings in all",
            "share": ("Chance to be that close", percent),
        },
        caption=f"Designs that make the detectable change known to within {percent(within)}",
    )


def other_rater(
    *, clients: int, raters: Sequence[str], trials: int, spreads: Sequence[float], seed: int
) -> Html:
    """Show by simulation how well the planned study will know the error between raters."""
    rows = simulate_precision(
        np.random.default_rng(seed),
        clients=clients,
        raters=len(raters),
        trials=trials,
        rater_sd=spreads[0],
        client_rater_sd=spreads[1],
        trial_sd=spreads[2],
    )
    return table(
        rows,
        {
            "question": "Comparison",
            "standard_error_of_measurement": ("Error assumed", number),
            "share": ("Chance to come within 20%", percent),
            "expected_low": ("Interval from (times estimate)", lambda x: number(x, 2)),
            "expected_high": ("to", lambda x: number(x, 2)),
        },
        caption=f"{plural(clients, 'client')}, {plural(len(raters), 'rater')}, "
        f"{plural(trials, 'trial')} each: 4,000 simulated studies",
    )


def sheet(
    *, clients: int, raters: Sequence[str], trials: int, measure: str, seed: int, save_as: str = ""
) -> Html:
    """Lay out the recording sheet in random order, and save it as a page to print."""
    rows = recording_sheet(
        np.random.default_rng(seed),
        clients=[f"R{i + 1:02d}" for i in range(clients)],
        raters=list(raters),
        trials=trials,
        measure=measure,
    )
    name = catalogue.get(measure).name
    parts = [
        _sheet_of(rows[rows["rater"] == rater], f"{name}: sheet of {rater}") for rater in raters
    ]
    if save_as:
        page = frame_page(
            f"<h1>Recording sheets: {escape(name)}</h1><p>One sheet a rater. Nobody sees another's "
            f"values, or their own earlier ones.</p>" + "".join(parts),
            title="Recording sheets",
        )
        write_atomically(save_as, page.encode())
    shown = rows.groupby("rater").head(4)
    return _preview(shown, len(rows), save_as)


def _sheet_of(rows: pd.DataFrame, caption: str) -> str:
    return table(
        rows.assign(value="________"),
        {"order": "Order", "trial": "Round", "client": "Client", "value": "Reading"},
        caption=caption,
    ).text


def _preview(rows: pd.DataFrame, n: int, save_as: str) -> Html:
    shown = table(
        rows.assign(value="________"),
        {
            "order": "Order",
            "rater": "Rater",
            "trial": "Round",
            "client": "Client",
            "value": "Reading",
        },
        caption=f"First lines of the recording sheets ({plural(n, 'reading')} in all)",
    )
    where = f"Saved as {escape(Path(save_as).name)}." if save_as else "Name a file to print them."
    return shown + Html(f'<p class="quiet">{where}</p>')


def errors(study: MeasurementError) -> Html:
    """List the error and the detectable change of every comparison the study can tell."""
    rows = error_table(study, trials=(1, 3), group_sizes=(30,))
    rows = rows.assign(
        text=[with_unit(x, study.unit) for x in rows["estimate"]],
        range=[interval(a, b) for a, b in zip(rows["ci_low"], rows["ci_high"], strict=True)],
    )
    return table(
        rows,
        {
            "question": "Comparison",
            "quantity": "Quantity",
            "trials_averaged": "Trials averaged",
            "text": ("Estimate", str),
            "range": ("95% interval", str),
        },
        caption="Error of one recorded value, and the change that it can hide",
        most=14,
    )


def averaging(study: MeasurementError) -> Html:
    """Show what more trials, or a second rater, buy."""
    raters = (1, 2) if "rater" in set(study.components["term"]) else (1,)
    rows = averaging_table(study, trials=(1, 2, 3, 5), raters=raters)
    return table(
        rows,
        {
            "trials_averaged": "Trials averaged",
            "raters_averaged": "Raters averaged",
            "readings_per_value": "Readings per value",
            "minimal_detectable_change": ("Detectable change", number),
            "share_of_single": ("Of the single reading's", percent),
        },
        caption="What more readings buy",
    )


def agreement(readings: pd.DataFrame, *, measure: str) -> Picture:
    """Draw the first two raters against each other, or the first two trials of one rater."""
    unit = catalogue.get(measure).unit
    by = "rater" if readings.get("rater", pd.Series(dtype=str)).nunique() > 1 else "trial"
    wide = readings.pivot_table(index="client", columns=by, values="value", aggfunc="mean")
    wide = wide.dropna(subset=list(wide.columns[:2]))
    a, b = wide.columns[:2]
    found = limits_of_agreement(wide[a], wide[b], unit=unit)
    return difference_against_mean(
        found, title=f"{by.capitalize()}s {a} and {b}, means", what=f"{by} {a} minus {b}"
    )


def sentence(study: MeasurementError, *, measure: str, rater: str = "same") -> Html:
    """Say what was found, beside the published value that a clinic would otherwise use."""
    found = study.standard_error(rater=rater)
    change = study.detectable_change(rater=rater)
    unit = study.unit
    who = "the same rater" if rater == "same" else "another rater"
    text = (
        f"For {who}, one reading has a standard error of {with_unit(found.estimate, unit)} (95% "
        f"interval {interval(found.ci_low, found.ci_high, unit)}), from {study.design}. A client's "
        f"change is detectable from {with_unit(change.estimate, unit)} "
        f"({interval(change.ci_low, change.ci_high, unit)})."
    )
    published = default_error(measure)
    if published is not None:
        text += (
            f" The published value in use otherwise is {with_unit(published.value, unit)} "
            f"({published.citation})."
        )
    return Html(f'<p class="sentence">{escape(text)}</p>')


def line_to_paste(
    study: MeasurementError,
    *,
    measure: str,
    rater: str = "same",
    instrument: str = "",
    mode: str = "",
    save_as: str = "",
) -> Html:
    """Write the entry for the clinic's own threshold file, and append it to one if named."""
    found = study.standard_error(rater=rater)
    entry = OwnThreshold(
        measure=measure,
        kind="standard_error_of_measurement",
        value=round(found.estimate, 3),
        ci_low=round(found.ci_low, 3) if np.isfinite(found.ci_low) else None,
        ci_high=round(found.ci_high, 3) if np.isfinite(found.ci_high) else None,
        rater="same rater" if rater == "same" else "between raters",
        instrument=instrument,
        mode=mode,
        design=study.design,
        n=study.n,
        date=date.today(),
    )
    lines = threshold_lines(entry)
    if save_as:
        path = Path(save_as)
        before = path.read_text(encoding="utf-8") + "\n" if path.exists() else ""
        write_atomically(path, (before + lines).encode())
    return Html(f"<pre>{escape(lines)}</pre>")
