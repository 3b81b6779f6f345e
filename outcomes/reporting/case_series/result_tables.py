"""Table 3: what happened to each client. Table 4: what happened across clients."""

from __future__ import annotations

import pandas as pd

from outcomes.reporting.case_series.formats import (
    DASH,
    count,
    digits_of,
    estimate_cell,
    p_cell,
    unit_words,
    value_cell,
)
from outcomes.reporting.case_series.paper_table import Cell, Column, PaperTable
from outcomes.statistics.single_case.phases import BASELINE
from outcomes.statistics.single_case.summary import LEAST_BASELINE, MeasureSeries

__all__ = ["across_table", "client_table", "index_table"]


def client_table(found: list[MeasureSeries], *, confidence: float) -> PaperTable:
    """Build Table 3: one block per measure, one row per client."""
    phased = any(one.n_phased for one in found)
    rows: list[dict[str, Cell]] = []
    blocks: dict[int, str] = {}
    for one in found:
        blocks[len(rows)] = _block(one)
        rows += _client_rows(one, phased)
    columns = [
        Column("client", "Client"),
        Column("readings", "Readings, baseline + later", numeric=True),
        Column("start", "Start", numeric=True),
        Column("latest", "Latest", numeric=True),
        Column("improvement", "Improvement", numeric=True),
        Column("verdict", "Verdict"),
    ]
    level = f"{confidence * 100:g}%"
    notes = [
        "Start and latest: first and last reading before treatment. Improvement: change signed so "
        "that positive is better. Verdict: improvement against the MDC and MIC of Table 2.",
    ]
    if phased:
        columns += [
            Column("nap", f"NAP ({level} CI)", numeric=True),
            Column("level", f"Gain of level ({level} CI)", numeric=True),
        ]
        notes.append(
            "NAP: chance that a treatment reading is better than a baseline reading; its interval "
            "takes readings as independent. Gain of level: treatment minus baseline, generalised "
            "least squares with continuous-time serial correlation, averaged over its restricted "
            f"likelihood; where a gain is gradual it leans to the step at the change of phase. "
            f"A dash: fewer than {LEAST_BASELINE} baseline readings, or no variation."
        )
    return PaperTable(
        "3", "Change of each client", tuple(columns), tuple(rows), blocks, tuple(notes)
    )


def across_table(found: list[MeasureSeries], *, confidence: float) -> PaperTable:
    """Build Table 4: one block per measure, one row per quantity."""
    rows: list[dict[str, Cell]] = []
    blocks: dict[int, str] = {}
    said: list[str] = []
    for one in found:
        if one.across.empty:
            continue
        blocks[len(rows)] = _block(one)
        for row in one.across.to_dict("records"):
            rows.append(_across_row(one, row, said))
    level = f"{confidence * 100:g}%"
    listed = [f"{chr(ord('a') + i)}: {words}" for i, words in enumerate(said)]
    return PaperTable(
        "4",
        "Change across clients",
        (
            Column("quantity", "Quantity"),
            Column("n", "Clients", numeric=True),
            Column("estimate", f"Estimate ({level} CI)", numeric=True),
            Column("p", "p", numeric=True),
            Column("notes", "Notes"),
        ),
        tuple(rows),
        blocks,
        (
            "Change is not effect: without a comparison, natural course, regression to the mean "
            "and the choice of clients are part of every number here.",
            *listed,
        ),
    )


def index_table(found: list[MeasureSeries]) -> pd.DataFrame:
    """Put every index of every client into one frame, at full precision, for the supplement."""
    frames = [one.indices.assign(measure=one.measure.code) for one in found if len(one.indices)]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _block(one: MeasureSeries) -> str:
    unit = {"deg": "degrees", "": "score"}.get(one.measure.unit, one.measure.unit)
    return f"{one.measure.name} ({unit}, {one.measure.better} is better)"


def _client_rows(one: MeasureSeries, phased: bool) -> list[dict[str, Cell]]:
    digits = digits_of(one.measure)
    judged = one.judged.set_index("client") if len(one.judged) else pd.DataFrame()
    baseline = one.values["phase"].eq(BASELINE).groupby(one.values["client"]).sum()
    total = one.values.groupby("client")["value"].count()
    first = one.values.dropna(subset=["value"]).groupby("client")["value"].first()
    nap = _nap(one)
    level = one.levels.drop_duplicates("client").set_index("client") if len(one.levels) else None
    rows = []
    for client in sorted(total.index):
        row = {
            "client": Cell(str(client)),
            "readings": Cell(
                f"{int(baseline[client])} + {int(total[client] - baseline[client])}",
                float(total[client]),
            ),
            "start": value_cell(float(first[client]), digits),
        }
        if client in judged.index:
            got = judged.loc[client]
            row |= {
                "latest": value_cell(float(got["latest_value"]), digits),
                "improvement": value_cell(float(got["improvement"]), digits, sign=True),
                "verdict": Cell(str(got["verdict"])),
            }
        else:
            row |= {
                "latest": Cell(DASH),
                "improvement": Cell(DASH),
                "verdict": Cell("measured once only"),
            }
        if phased:
            row["nap"] = nap.get(str(client), Cell(DASH))
            row["level"] = Cell(DASH)
            if level is not None and client in level.index:
                got = level.loc[client]
                row["level"] = estimate_cell(
                    got["estimate"], got["ci_low"], got["ci_high"], digits, sign=True
                )
        rows.append(row)
    return rows


def _nap(one: MeasureSeries) -> dict[str, Cell]:
    if not len(one.indices):
        return {}
    rows = one.indices[one.indices["index"] == "nap"].drop_duplicates("client")
    return {
        str(r["client"]): estimate_cell(r["estimate"], r["ci_low"], r["ci_high"], 2)
        for r in rows.to_dict("records")
    }


def _across_row(one: MeasureSeries, row: dict, said: list[str]) -> dict[str, Cell]:
    digits = digits_of(one.measure) if row["unit"] == one.measure.unit else 2
    if row["unit"] == "clients":
        shown = Cell(f"{int(row['estimate'])} of {int(row['n'])}", float(row["estimate"]))
    elif row["quantity"].startswith("gain of the next client"):
        words = value_cell(row["ci_low"], digits, sign=True).text
        shown = Cell(
            f"{words} to {value_cell(row['ci_high'], digits, sign=True).text}", row["estimate"]
        )
        row = row | {"quantity": "gain of the next client, prediction interval"}
    else:
        change = not row["quantity"].startswith(("spread", "serial"))
        shown = estimate_cell(row["estimate"], row["ci_low"], row["ci_high"], digits, sign=change)
    marks = []
    for words in (row["method"], row["notes"]):
        words = str(words).strip().rstrip(".")
        if words:
            words = words[0].upper() + words[1:] + "."
            if words not in said:
                said.append(words)
            marks.append(chr(ord("a") + said.index(words)))
    unit = unit_words(row["unit"])
    suffix = f" ({unit})" if unit not in ("", "clients") else ""
    return {
        "quantity": Cell(str(row["quantity"])[0].upper() + str(row["quantity"])[1:] + suffix),
        "n": count(row["n"]),
        "estimate": shown,
        "p": p_cell(row["p_value"]),
        "notes": Cell(", ".join(marks) or DASH),
    }
