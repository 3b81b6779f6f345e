"""How often the intervals of anchor-based thresholds hold the true value.

Changes of improved clients and of the rest are normal with the same spread, so the logistic model
holds and the unadjusted threshold is the midpoint of the two means, whatever the share improved.
The adjusted threshold is judged against what its rule gives in an endless sample. 10,000 samples
per setting, all at once; the area (DeLong) and the cut of Youden run one by one, the latter with
500 samples of 400 bootstraps.

Run: python tests/evidence/important_change_coverage.py
"""

from __future__ import annotations

import json
import platform
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import logit, ndtr

from outcomes.statistics.important_change import area_under_curve, cut_points
from outcomes.statistics.important_change.predictive import predictive_batch

RESULT = Path(__file__).parent / "results" / "important_change_coverage.json"
SEED = 20260828
SETS, CUT_SETS, CUT_REPEATS = 10_000, 500, 400
SETTINGS = [(60, 0.5), (100, 0.5), (100, 0.3), (200, 0.5), (200, 0.3), (200, 0.7)]
REST, IMPROVED, SPREAD = 1.0, 6.0, 4.0
RULES = {
    "none": (0.0, 0.0),
    "share improved": (0.090, 0.103),
    "reliability": (0.0, 0.8 / 0.7 - 0.5),
}


def draw(rng, sets, n, share):
    """Changes and classes; samples without both classes are drawn again in effect by chance."""
    improved = rng.random((sets, n)) < share
    x = np.where(improved, IMPROVED, REST) + SPREAD * rng.standard_normal((sets, n))
    return x, improved.astype(float)


def truth(share, rule):
    """Threshold of an endless sample."""
    gap = (IMPROVED - REST) * np.sqrt(share * (1 - share))
    sd = np.hypot(SPREAD, gap)
    k = rule[0] + rule[1] * gap / sd
    return (IMPROVED + REST) / 2 - k * logit(share) * sd


def thresholds(rng, sets):
    """Coverage of the predictive threshold, by adjustment."""
    rows = []
    for n, share in SETTINGS:
        x, y = draw(rng, sets, n, share)
        for name, rule in RULES.items():
            estimate, error, _ = predictive_batch(x, y, rule)
            true = truth(share, rule)
            half = 1.959964 * error
            rows.append(
                {
                    "clients": n,
                    "share_improved": share,
                    "adjusted": name,
                    "true": float(true),
                    "bias": float(estimate.mean() - true),
                    "sd": float(estimate.std()),
                    "coverage": float((np.abs(estimate - true) <= half).mean()),
                    "sets": sets,
                }
            )
    return rows


def areas(rng, sets, n=100, share=0.5):
    """Coverage of the area's interval."""
    true = float(ndtr((IMPROVED - REST) / SPREAD / np.sqrt(2)))
    x, y = draw(rng, sets, n, share)
    held = 0
    for one, label in zip(x, y, strict=True):
        found = area_under_curve(pd.DataFrame({"improvement": one, "rating": 3 * label}))
        held += found.ci_low <= true <= found.ci_high
    return [{"clients": n, "true": true, "coverage": held / sets, "sets": sets}]


def cuts(rng, sets, repeats, n=200, share=0.5):
    """Coverage of the bootstrap intervals of the three cuts, all of whose true values coincide."""
    x, y = draw(rng, sets, n, share)
    held = np.zeros(3)
    values = []
    for one, label in zip(x, y, strict=True):
        frame = pd.DataFrame({"improvement": one, "rating": 3 * label})
        found = cut_points(frame, rng=rng, repeats=repeats)
        held += (found["ci_low"] <= 3.5) & (found["ci_high"] >= 3.5)
        values.append(found["estimate"].to_numpy())
    spread = np.std(values, axis=0)
    names = ("Youden", "closest to the corner", "equal sensitivity and specificity")
    return [
        {"cut": c, "clients": n, "coverage": float(h / sets), "sd": float(s), "sets": sets}
        for c, h, s in zip(names, held, spread, strict=True)
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
        "thresholds": thresholds(rng, SETS),
        "areas": areas(rng, SETS),
        "cuts": cuts(rng, CUT_SETS, CUT_REPEATS),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    for part in ("thresholds", "areas", "cuts"):
        for row in result[part]:
            print(row)


if __name__ == "__main__":
    main()
