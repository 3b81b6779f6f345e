"""Faults that show only between rows: repeats, order, jumps, hands and instruments."""

from __future__ import annotations

import datetime as dt
import re

from data_synthetic.messy_base import CLIENTS, YEAR1, YEAR2, Row, weekday
from data_synthetic.messy_planter import Planter

__all__ = ["plant_series"]

ROUNDER = "T3"
DRIFTING = "inclinometer 2"
DRIFTS_FROM = dt.date(2026, 2, 2)


def plant_series(planter: Planter) -> None:
    """Plant all of them; the wide ones (a rater's rounding, a drift) come first."""
    _round_to_five(planter)
    _drift(planter)
    _repeats(planter)
    _order(planter)
    _values(planter)
    _hands(planter)
    _clients(planter)


def _visit_rows(p: Planter) -> list[Row]:
    return [row for name in (YEAR1, YEAR2) for row in p.book.sheets[name]]


def _round_to_five(p: Planter) -> None:
    """Round every angle that one rater reads to five degrees."""

    def five(match: re.Match[str]) -> str:
        return str(5 * round(int(match[0]) / 5))

    for row in _visit_rows(p):
        if row["Measured by"] == ROUNDER:
            for column in ("Flexion before", "Flexion after", "Flexion passive", "Abduction",
                           "Neck turn L/R"):  # fmt: skip
                if column in row:
                    row[column] = re.sub(r"\d+", five, row[column])
            for column in ("Ext rot L", "Ext rot R"):
                if column in row:
                    row[column] = 5 * round(row[column] / 5)
    p.note(None, "Measured by", f"digit preference of {ROUNDER}", "asked", "digit preference",
           sheet=f"{YEAR1}|{YEAR2}")  # fmt: skip


def _drift(p: Planter) -> None:
    """Let one instrument read eight degrees more from a day on."""
    for row in _visit_rows(p):
        if row["Tool"] == DRIFTING and row["_day"] >= DRIFTS_FROM and "Neck turn L/R" in row:
            left, right = (int(part) + 8 for part in row["Neck turn L/R"].split("/"))
            row["Neck turn L/R"] = f"{left}/{right}"
    p.note(None, "Tool", f"drift of {DRIFTING} from {DRIFTS_FROM}", "asked", "drifting instrument",
           sheet=YEAR2)  # fmt: skip


def _repeats(p: Planter) -> None:
    for _ in range(3):
        row = p.visit("Pain 0-10")
        again = dict(row)
        p.insert_after(row, again)
        p.touched.add(id(row))
        p.note(again, "", "exact duplicate of a row", "set aside", "duplicate row", others=[row])
    for _ in range(2):
        row = p.visit("Pain 0-10", quiet_client=True)
        again = {**row, "Pain 0-10": (row["Pain 0-10"] + 2) % 10}
        p.insert_after(row, again)
        p.note(again, "Pain 0-10", "near duplicate of a row", "set aside",
               "second row for one key|near duplicate", others=[row], series=True)  # fmt: skip
    for _ in range(2):
        code = p.client(where=lambda code: "Left because" not in p.book.visits_of(code)[-1])
        last = p.book.visits_of(code)[-1]
        second = {**last, "Visit": last["Visit"] + 1, "Pain 0-10": max(last["Pain 0-10"] - 1, 0)}
        p.insert_after(last, second)
        p.note(second, "Seen on", "two visits on one day", "asked", "two visits on one day",
               others=[last], series=True)  # fmt: skip


def _order(p: Planter) -> None:
    for _ in range(2):
        first, second = p.book.visits_of(p.client())[1:3]
        first["Visit"], second["Visit"] = second["Visit"], first["Visit"]
        p.note(second, "Visit", "visit numbers against the dates", "asked", "visit out of order",
               others=[first], series=True)  # fmt: skip
    for _ in range(2):
        code = p.client(where=lambda code: "Left because" not in p.book.visits_of(code)[-1])
        rows = p.book.visits_of(code)
        rows[0]["Seen on"] = rows[-1]["_day"] + dt.timedelta(days=2)
        p.note(rows[0], "Seen on", "first visit dated after the later ones", "asked",
               "follow-up before its baseline|visit out of order", others=rows[1:],
               series=True)  # fmt: skip
    for _ in range(2):
        code = p.client(where=lambda code: "Left because" in p.book.visits_of(code)[-1])
        last = p.book.visits_of(code)[-1]
        day = weekday(last["_day"] + dt.timedelta(days=14))
        more = {**last, "Visit": last["Visit"] + 1, "Seen on": day, "_day": day}
        more.pop("Left because")
        p.insert_after(last, more)
        p.note(more, "Seen on", "visit after discharge", "asked", "visit after discharge",
               others=[last], series=True)  # fmt: skip
    for _ in range(2):
        row = p.visit("Flexion after", quiet_client=True)
        del row["Flexion before"]
        p.note(row, "Flexion after", "after treatment without before", "asked",
               "after without before", series=True)  # fmt: skip


def _wide(row: Row) -> bool:
    """Abduction far enough that a fall of 72 degrees stays within the usual limits."""
    return int(row["Abduction"].split()[0]) >= 120


def _values(p: Planter) -> None:
    for _ in range(3):
        row = p.visit("Ext rot L", quiet_client=True, where=lambda row: row["Visit"] < 5)
        row["Ext rot L"], row["Ext rot R"] = row["Ext rot R"], row["Ext rot L"]
        p.note(row, "Ext rot L", "sides swapped", "asked", "swapped sides",
               others=[p.next_visit(row)], series=True)  # fmt: skip
    for _ in range(2):
        row = p.visit("Abduction", quiet_client=True, where=_wide)
        number, side = row["Abduction"].split()
        p.cell(row, "Abduction", f"{int(number) - 72} {side}",
               "jump of more than three times the detectable change", "asked", "jump",
               others=[p.next_visit(row)], series=True)  # fmt: skip
    row = p.visit("Neck turn L/R", quiet_client=True, where=lambda row: row["Visit"] > 2)
    left, right = (int(part) for part in row["Neck turn L/R"].split("/"))
    p.cell(row, "Neck turn L/R", f"{left - 40}/{right}",
           "jump of more than three times the detectable change", "asked",
           "jump|outside the soft range",
           others=[p.next_visit(row)], series=True)  # fmt: skip


def _hands(p: Planter) -> None:
    for _ in range(2):
        rows = p.book.visits_of(p.client("shoulder"))
        for row in rows[3:]:
            row["Tool"] = "inclinometer 1"
        p.note(rows[3], "Tool", "instrument changed within a client", "asked",
               "instrument changed", others=rows[4:], series=True)  # fmt: skip
    for _ in range(2):
        code = p.client(where=lambda code: p.book.visits_of(code)[0]["Therapist"] in ("T1", "T2"))
        rows = p.book.visits_of(code)
        for row in rows[2:]:
            row["Measured by"] = "T2" if row["Therapist"] == "T1" else "T1"
        p.note(rows[2], "Measured by", "rater changed within a client", "asked", "rater changed",
               others=rows[3:], series=True)  # fmt: skip
    for _ in range(2):
        code = p.client(
            "shoulder", where=lambda code: "Flexion passive" not in p.book.visits_of(code)[0]
        )
        rows = p.book.visits_of(code)
        for row in rows[3:]:
            left, right = (int(n) + 7 for n in re.findall(r"\d+", row.pop("Flexion before")))
            row.pop("Flexion after")
            row["Flexion passive"] = f"{left} L / {right} R"
        p.note(rows[3], "Flexion passive", "active and passive mixed", "asked",
               "active mixed with passive", others=rows[4:], series=True)  # fmt: skip


def _clients(p: Planter) -> None:
    for make in (lambda code: f"{code[0]}-{code[1:]}", lambda code: f"{code.lower()}"):
        row = p.visit("Pt no", quiet_client=True)
        p.cell(row, "Pt no", make(row["_who"]), "client code in another spelling", "asked",
               "client code in two spellings|client not in the clients table",
               series=True)  # fmt: skip
    for make in (lambda code: f"{code}  ", lambda code: f"\u00a0{code}\t"):
        row = p.visit("Pt no")
        p.cell(row, "Pt no", make(row["_who"]), "white space around a client code", "read", "",
               expected=row["_who"])  # fmt: skip
    row = p.visit("Pt no", quiet_client=True)
    p.cell(row, "Pt no", None, "no client code", "set aside", "no client", series=True)

    code, new = p.client(), "P901"
    rows = p.book.visits_of(code)
    old = next(row for row in p.book.sheets[CLIENTS] if row["Pt no"] == code)
    second = {**old, "Pt no": new}
    p.book.sheets[CLIENTS].append(second)
    for number, row in enumerate(rows[3:], start=1):
        row["Pt no"], row["Visit"] = new, number
    p.note(second, "Pt no", "possibly one person under two codes", "asked", "same person",
           others=[old, *rows], series=True)  # fmt: skip

    code = p.client(where=lambda code: code in _in_clients(p))
    p.book.sheets[CLIENTS] = [row for row in p.book.sheets[CLIENTS] if row["Pt no"] != code]
    p.note(p.book.visits_of(code)[0], "Pt no", "client missing from the clients sheet", "asked",
           "client not in the clients table", others=p.book.visits_of(code)[1:],
           series=True)  # fmt: skip


def _in_clients(p: Planter) -> set[str]:
    return {row["Pt no"] for row in p.book.sheets[CLIENTS]}
