"""How often the intervals of the standard error of measurement hold the true value.

The detectable change is a constant times the standard error, so its coverage is the same.
Balanced studies (clients x raters x trials, or x sessions), 10,000 per setting, all at once through
`mean_square_interval`. Unbalanced studies (500) run through `measurement_error` itself, a fifth of
the readings lost at random (the same ones in every set).

Run: python tests/evidence/repeatability_measurement_error_coverage.py
"""

from __future__ import annotations

import json
import platform
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.statistics.repeatability import measurement_error
from outcomes.statistics.repeatability.analysis_of_variance import crossed_mean_squares
from outcomes.statistics.repeatability.error_design import comparison
from outcomes.statistics.repeatability.mean_square_interval import mean_square_interval

RESULT = Path(__file__).parent / "results" / "repeatability_measurement_error_coverage.json"
SEED = 20260826
SETS, UNBALANCED_SETS = 10_000, 500
#: clients, second factor, its levels, trials; variances of it, of its interaction, of trials.
SETTINGS = [
    (10, "rater", 2, 2, 1.0, 1.0, 4.0),
    (20, "rater", 2, 2, 1.0, 1.0, 4.0),
    (20, "rater", 2, 3, 0.0, 1.0, 4.0),
    (30, "rater", 2, 3, 0.9, 1.2, 0.9),
    (15, "rater", 4, 2, 2.0, 1.0, 4.0),
    (15, "rater", 8, 2, 2.0, 1.0, 4.0),
    (20, "session", 2, 2, 0.0, 6.0, 4.0),
    (20, "session", 3, 3, 1.0, 6.0, 4.0),
]
CLIENT = 100.0


def draw(rng, sets, n, m, k, main, interaction, error):
    """Draw balanced studies, (sets, clients, levels, trials)."""
    return (
        np.sqrt(CLIENT) * rng.standard_normal((sets, n, 1, 1))
        + np.sqrt(main) * rng.standard_normal((sets, 1, m, 1))
        + np.sqrt(interaction) * rng.standard_normal((sets, n, m, 1))
        + np.sqrt(error) * rng.standard_normal((sets, n, m, k))
    )


def wanted(factor):
    """Comparisons that a study with this second factor can tell."""
    return [comparison(), comparison(trials=2), comparison(**{factor: "other"})]


def balanced(rng, sets):
    """Coverage of every comparison in every setting."""
    rows = []
    for n, factor, m, k, main, interaction, error in SETTINGS:
        table = draw(rng, sets, n, m, k, main, interaction, error)
        squares = crossed_mean_squares(table, ("client", factor))
        theta = np.array([CLIENT, main, interaction, error])
        for what in wanted(factor):
            weights = what.weights(squares.terms)
            true = float(weights @ theta)
            low, high = mean_square_interval(
                squares.mean_squares, squares.df, weights @ squares.solve, confidence=0.95
            )
            rows.append(
                {
                    "comparison": what.words,
                    "clients": n,
                    f"{factor}s": m,
                    "trials": k,
                    "variances": [main, interaction, error],
                    "coverage": float(((low <= true) & (true <= high)).mean()),
                    "true_below": float((true < low).mean()),
                    "true_above": float((true > high).mean()),
                    "sets": sets,
                }
            )
    return rows


def unbalanced(rng, sets, n=12, m=3, k=2, main=1.0, interaction=1.0, error=4.0):
    """Coverage with lost readings, through the function that people call."""
    client, rater, trial = (a.ravel() for a in np.indices((n, m, k)))
    keep = np.sort(rng.permutation(n * m * k)[: n * m * k * 4 // 5])
    tables = draw(rng, sets, n, m, k, main, interaction, error)
    same, other = 0, 0
    for table in tables:
        readings = pd.DataFrame(
            {"client": client, "rater": rater, "trial": trial, "value": table.ravel()}
        ).iloc[keep]
        found = measurement_error(readings)
        one = found.standard_error()
        two = found.standard_error(rater="other")
        same += one.ci_low**2 <= error <= one.ci_high**2
        other += two.ci_low**2 <= main + interaction + error <= two.ci_high**2
    return [
        {
            "comparison": words,
            "clients": n,
            "raters": m,
            "trials": k,
            "readings": len(keep),
            "variances": [main, interaction, error],
            "coverage": count / sets,
            "sets": sets,
        }
        for words, count in (("same rater", same), ("another rater", other))
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
        "balanced": balanced(rng, SETS),
        "unbalanced": unbalanced(rng, UNBALANCED_SETS),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    for row in result["balanced"] + result["unbalanced"]:
        print(row)


if __name__ == "__main__":
    main()
