"""How often the intervals of limits of agreement hold the true limits.

Paired: 10,000 sets per size, all at once with the factors of `agreement_factors`. The pair's outer
ends should enclose 95% of all differences in 97.5% of sets, its inner ends in 2.5%. Replicates
(MOVER) run through `limits_of_agreement` itself, 10,000 sets per setting.

Run: python tests/evidence/repeatability_agreement_coverage.py
"""

from __future__ import annotations

import json
import platform
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
from scipy.special import ndtr, ndtri

from outcomes.statistics.repeatability import limits_of_agreement
from outcomes.statistics.repeatability.agreement_factors import pair_factor, single_factor

RESULT = Path(__file__).parent / "results" / "repeatability_agreement_coverage.json"
SEED = 20260827
SETS = 10_000
SIZES = (5, 10, 17, 30, 100)
#: clients, trials per client and way, variances of clients' differences, of trials.
REPLICATES = [
    ("linked", 15, 3, 4.0, 4.0),
    ("linked", 40, 2, 4.0, 4.0),
    ("unlinked", 15, 3, 4.0, 4.0),
    ("unlinked", 40, 2, 1.0, 4.0),
]


def paired(rng, sets):
    """Coverage of one limit, and of the pair."""
    z, rows = float(ndtri(0.975)), []
    for n in SIZES:
        d = rng.standard_normal((sets, n))
        mean, sd = d.mean(axis=1), d.std(axis=1, ddof=1)
        near, far = (single_factor(n - 1, n, 0.95, g) for g in (0.025, 0.975))
        one = (mean + near * sd <= z) & (z <= mean + far * sd)
        inner, outer = (pair_factor(n - 1, n, 0.95, g) for g in (0.025, 0.975))
        inside = [ndtr(mean + f * sd) - ndtr(mean - f * sd) >= 0.95 for f in (inner, outer)]
        rows.append(
            {
                "clients": n,
                "coverage": float(one.mean()),
                "pair_coverage": float((inside[1] & ~inside[0]).mean()),
                "sets": sets,
            }
        )
    return rows


def replicates(rng, sets):
    """Coverage of the MOVER intervals of the upper limit."""
    rows = []
    for kind, n, m, between, trial in REPLICATES:
        client = np.repeat(np.arange(n), m)
        total = between + (trial if kind == "linked" else 2 * trial)
        true = float(ndtri(0.975) * np.sqrt(total))
        held = 0
        for _ in range(sets):
            own = np.repeat(np.sqrt(between) * rng.standard_normal(n), m)
            x = own + np.sqrt(trial) * rng.standard_normal(n * m)
            y = np.zeros(n * m)
            if kind == "unlinked":
                y = np.sqrt(trial) * rng.standard_normal(n * m)
            found = limits_of_agreement(x, y, client=client, replicates=kind)
            row = found.limits.iloc[2]
            held += row["ci_low"] <= true <= row["ci_high"]
        rows.append(
            {
                "replicates": kind,
                "clients": n,
                "trials": m,
                "variances": [between, trial],
                "coverage": held / sets,
                "sets": sets,
            }
        )
    return rows


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
        "paired": paired(rng, SETS),
        "replicates": replicates(rng, SETS),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    for row in result["paired"] + result["replicates"]:
        print(row)


if __name__ == "__main__":
    main()
