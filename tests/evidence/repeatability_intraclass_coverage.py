"""How often intraclass correlation intervals hold the true value.

10,000 complete tables per setting, all at once: clients, raters' shifts and errors are normal.
ICC(1) is judged on tables whose "raters" differ from client to client (the shift joins the error).
Incomplete tables run through `intraclass_correlation` itself, 500 of them, a fifth of the cells
empty, always the same cells: the agreement interval there takes a search each.

Run: python tests/evidence/repeatability_intraclass_coverage.py
"""

from __future__ import annotations

import json
import platform
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np

from outcomes.statistics.repeatability.intraclass import two_way_intraclass
from outcomes.statistics.repeatability.intraclass_unbalanced import unbalanced_rows

RESULT = Path(__file__).parent / "results" / "repeatability_intraclass_coverage.json"
SEED = 20260825
SETS, INCOMPLETE_SETS = 10_000, 500
#: clients, raters, share of the variance between clients, share between raters.
SETTINGS = [
    (10, 2, 0.8, 0.0),
    (10, 2, 0.8, 0.05),
    (10, 3, 0.5, 0.1),
    (30, 2, 0.8, 0.05),
    (30, 2, 0.8, 0.15),
    (30, 3, 0.9, 0.03),
    (30, 4, 0.5, 0.2),
    (30, 10, 0.7, 0.1),
]


def draw(rng, sets, n, k, clients, raters):
    """Draw tables of total variance 1."""
    error = 1 - clients - raters
    return (
        np.sqrt(clients) * rng.standard_normal((sets, n, 1))
        + np.sqrt(raters) * rng.standard_normal((sets, 1, k))
        + np.sqrt(error) * rng.standard_normal((sets, n, k))
    )


def complete(rng, sets):
    """Coverage of every form in every setting."""
    rows = []
    for n, k, clients, raters in SETTINGS:
        table = draw(rng, sets, n, k, clients, raters)
        crossed = two_way_intraclass(table)
        other = two_way_intraclass(table, agreement_interval="modified large sample")
        one_way = two_way_intraclass(draw(rng, sets, n, k, clients, 0.0))
        agreement, consistency = clients, clients / (1 - raters)
        for form, interval, found, true in (
            ("ICC(1)", "exact F", one_way, clients),
            ("ICC(A,1)", "satterthwaite", crossed, agreement),
            ("ICC(A,1)", "modified large sample", other, agreement),
            ("ICC(C,1)", "exact F", crossed, consistency),
        ):
            low, high = found[form]["ci_low"], found[form]["ci_high"]
            rows.append(
                {
                    "form": form,
                    "interval": interval,
                    "clients": n,
                    "raters": k,
                    "share_between_clients": clients,
                    "share_between_raters": raters,
                    "coverage": float(((low <= true) & (true <= high)).mean()),
                    "true_below": float((true < low).mean()),
                    "true_above": float((true > high).mean()),
                    "sets": sets,
                }
            )
    return rows


def incomplete(rng, sets, n=15, k=4, clients=0.6, raters=0.1):
    """Coverage with a fifth of the cells empty, through the function that people call."""
    hole = rng.permutation(n * k)[: n * k // 5]
    tables = draw(rng, sets, n, k, clients, raters)
    held = {"ICC(1)": 0, "ICC(A,1)": 0, "ICC(C,1)": 0}
    for table in tables:
        table.ravel()[hole] = np.nan
        rows = unbalanced_rows(table, 0.95)
        for form, true in (("ICC(A,1)", clients), ("ICC(C,1)", clients / (1 - raters))):
            held[form] += rows[form]["ci_low"] <= true <= rows[form]["ci_high"]
    for table in draw(rng, sets, n, k, clients, 0.0):
        table.ravel()[hole] = np.nan
        row = unbalanced_rows(table, 0.95)["ICC(1)"]
        held["ICC(1)"] += row["ci_low"] <= clients <= row["ci_high"]
    return [
        {
            "form": form,
            "clients": n,
            "raters": k,
            "share_between_clients": clients,
            "share_between_raters": 0.0 if form == "ICC(1)" else raters,
            "empty_cells": len(hole),
            "coverage": count / sets,
            "sets": sets,
        }
        for form, count in held.items()
    ]


def main():
    """Run and store."""
    rng = np.random.default_rng(SEED)
    result = {
        "seed": SEED,
        "date": date.today().isoformat(),
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
        "nominal": 0.95,
        "complete": complete(rng, SETS),
        "incomplete": incomplete(rng, INCOMPLETE_SETS),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    for row in result["complete"] + result["incomplete"]:
        print(row)


if __name__ == "__main__":
    main()
