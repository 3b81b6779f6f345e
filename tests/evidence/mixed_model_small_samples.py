"""Small caseloads: how often a true null slope is rejected, and what intervals cover.

Caseloads of 6, 8, 12 and 20 clients with 4 to 9 visits each, about a week apart (jittered), are
simulated from a growth model without a mean slope: random intercept (SD 10), random slope, error
(SD 8). The model with both random terms is fitted, and the mean slope is tested at the 5% level by
every rule for degrees of freedom. For every tenth caseload the client-level intervals are compared
with the client's true course one week after the last visit, and with a new reading there.

The main setting has a slope SD of 2.2 a week. The others show what the rules do where the slopes
do not differ at all, differ little, or differ much.

Run: python tests/evidence/mixed_model_small_samples.py
"""

from __future__ import annotations

import json
import platform
from dataclasses import replace
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

from outcomes.statistics.mixed_model.choices import Choices
from outcomes.statistics.mixed_model.design import build_design
from outcomes.statistics.mixed_model.fit import fit_design
from outcomes.statistics.mixed_model.inference import contrast_df

RESULT = Path(__file__).parent / "results" / "mixed_model_small_samples.json"
RULES = ("small_sample", "kenward_roger", "satterthwaite", "normal")
SIZES = (6, 8, 12, 20)
INTERCEPT_SD, ERROR_SD = 10.0, 8.0
MAIN_SLOPE_SD = 2.2
#: Slope SD and number of caseloads.
SETTINGS = ((MAIN_SLOPE_SD, 10_000), (0.0, 600), (0.8, 600), (4.0, 600))
SETS_PER_PATTERN = 50
CHOICES = Choices(degrees_of_freedom="small_sample")


def visit_pattern(n_clients: int, rng: np.random.Generator) -> pd.DataFrame:
    """Draw visits: 4 to 9 a client, a week apart give or take."""
    counts = rng.integers(4, 10, n_clients)
    weeks = [np.arange(k) + np.r_[0.0, rng.uniform(-0.2, 0.2, k - 1)] for k in counts]
    return pd.DataFrame(
        {
            "client": np.repeat(np.arange(n_clients), counts),
            "week": np.concatenate(weeks),
            "value": rng.normal(size=counts.sum()),
        }
    )


def slope_p_value(fit, rule: str) -> float:
    """P-value of the mean slope under one rule."""
    fit = replace(fit, degrees_of_freedom=rule)
    contrast = np.linalg.solve(fit.work.r.T, np.array([0.0, 1.0]))
    df, _ = contrast_df(fit, contrast)
    t = fit.coefficients[1] / np.sqrt(fit.covariance[1, 1])
    p = special.stdtr(df, -abs(t)) if np.isfinite(df) else special.ndtr(-abs(t))
    return 2.0 * float(p)


def run(n_clients: int, sets: int, slope_sd: float, seed: int, cover_every: int = 10) -> dict:
    """Simulate `sets` caseloads; count rejections and covered intervals."""
    rng = np.random.default_rng(seed)
    rejected = dict.fromkeys(RULES, 0)
    at_boundary_rejected = dict.fromkeys(RULES, 0)
    boundary, covered = 0, []
    for at in range(sets):
        if at % SETS_PER_PATTERN == 0:
            frame = visit_pattern(n_clients, rng)
            design = build_design(
                frame, "value ~ week", groups="client", random="1 + week", correlated=True
            )
            client, week = frame.client.to_numpy(), frame.week.to_numpy()
            later = frame.groupby("client", as_index=False).week.max()
            later["week"] += 1.0
        u = rng.normal(size=(2, n_clients)) * [[INTERCEPT_SD], [slope_sd]]
        y = u[0, client] + u[1, client] * week + rng.normal(0, ERROR_SD, client.size)
        fit = fit_design(replace(design, y=y), CHOICES)
        boundary += bool(fit.boundary)
        for rule in RULES:
            found = slope_p_value(fit, rule) < 0.05
            rejected[rule] += found
            at_boundary_rejected[rule] += found and bool(fit.boundary)
        if cover_every and at % cover_every == 0:
            predicted = fit.predict(later)
            course = u[0] + u[1] * later.week.to_numpy()
            reading = course + rng.normal(0, ERROR_SD, n_clients)
            covered.append(
                (
                    np.mean((course > predicted.ci_low) & (course < predicted.ci_high)),
                    np.mean(
                        (reading > predicted.prediction_low) & (reading < predicted.prediction_high)
                    ),
                )
            )
    cover = np.array(covered) if covered else np.full((1, 2), np.nan)
    return {
        "clients": n_clients,
        "slope_sd": slope_sd,
        "sets": sets,
        "seed": seed,
        "boundary_share": boundary / sets,
        "rejected": {rule: count / sets for rule, count in rejected.items()},
        "rejected_at_boundary": {
            rule: count / max(boundary, 1) for rule, count in at_boundary_rejected.items()
        },
        "coverage_sets": len(covered),
        "course_covered": float(cover[:, 0].mean()),
        "reading_covered": float(cover[:, 1].mean()),
    }


def main() -> None:
    """Run all settings and store them."""
    rows = []
    for slope_sd, sets in SETTINGS:
        for n_clients in SIZES:
            row = run(n_clients, sets, slope_sd, seed=1000 * n_clients + round(10 * slope_sd))
            rows.append(row)
            rates = "  ".join(f"{rule} {rate:.4f}" for rule, rate in row["rejected"].items())
            print(
                f"slope SD {slope_sd}, {n_clients:2d} clients, {sets} sets: boundary "
                f"{row['boundary_share']:.3f}; rejected {rates}; covered: course "
                f"{row['course_covered']:.3f}, reading {row['reading_covered']:.3f}",
                flush=True,
            )
            RESULT.write_text(
                json.dumps(
                    {
                        "date": date.today().isoformat(),
                        "versions": {
                            "python": platform.python_version(),
                            **{name: version(name) for name in ("numpy", "scipy", "pandas")},
                        },
                        "settings": {
                            "intercept_sd": INTERCEPT_SD,
                            "error_sd": ERROR_SD,
                            "visits": "4 to 9 a client",
                            "level": 0.05,
                            "sets_per_visit_pattern": SETS_PER_PATTERN,
                        },
                        "rows": rows,
                    },
                    indent=1,
                )
                + "\n"
            )


if __name__ == "__main__":
    main()
