"""Make the synthetic clinic's repeatability afternoon: 24 people, two raters, three trials.

Run as a script it writes ``repeatability_study.csv`` beside itself. Neck rotation to the right by
goniometer; nobody is treated in between. Planted: standard deviation between people 11 deg, a
rater's constant shift 1.5 deg, a rater's habit with one person 1.2 deg, a trial 2.4 deg, so that
the standard error of measurement of one reading is 2.4 deg for the same rater and 3.1 deg for
another rater.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

__all__ = ["PLANTED", "make_repeatability_study"]

PLANTED = {"person": 11.0, "rater": 1.5, "habit": 1.2, "trial": 2.4}


def make_repeatability_study(rng: np.random.Generator) -> pd.DataFrame:
    """Draw the study: client, rater, trial, value."""
    people, raters, trials = 24, 2, 3
    shift = PLANTED["rater"] * np.array([-1.0, 1.0])
    value = (
        62
        + rng.normal(0, PLANTED["person"], people)[:, None, None]
        + shift[None, :, None]
        + rng.normal(0, PLANTED["habit"], (people, raters))[:, :, None]
        + rng.normal(0, PLANTED["trial"], (people, raters, trials))
    )
    person, rater, trial = (a.ravel() for a in np.indices(value.shape))
    return pd.DataFrame(
        {
            "client": [f"R{i + 1:02d}" for i in person],
            "rater": [f"T{i + 1}" for i in rater],
            "trial": trial + 1,
            "value": value.ravel().round(),
        }
    )


if __name__ == "__main__":
    study = make_repeatability_study(np.random.default_rng(20260502))
    study.to_csv(
        Path(__file__).resolve().parent / "repeatability_study.csv",
        index=False,
        lineterminator="\n",
    )
