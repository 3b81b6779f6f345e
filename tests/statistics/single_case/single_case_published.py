"""Published single-case series, transcribed from the papers, one list per client and phase."""

from __future__ import annotations

import pandas as pd

__all__ = ["LASKI_1988", "PARKER_NAP_2011", "SCHUTTE_2008", "TARLOW_2017", "TAU_U_2011", "frame"]

Phases = tuple[list[float], list[float]]

#: Laski, Charlop & Schreibman 1988, J Appl Behav Anal 21:391: percentage of intervals with
#: spoken words during free play (digits as used by Hedges, Pustejovsky & Shadish 2012).
LASKI_1988: dict[str, Phases] = {
    "Case 1": (
        [27.6, 23.96, 23.83, 47.26],
        [52.7, 60.99, 66.6, 52.5, 85.88, 47.05, 66.28, 54.05, 51.23],
    ),
    "Case 2": (
        [49.67, 23.57, 26.38, 28.35, 45.11],
        [70.67, 79.13, 84.09, 88.56, 80.9, 91.84, 63.42, 70.38],
    ),
    "Case 4": (
        [0, 0, 0, 0, 0, 0, 0],
        [28.07, 28.2, 57.15, 72.37, 45.56, 52.3, 28.37, 60.37, 57.46],
    ),
    "Case 5": (
        [32.84, 14.26, 0, 7.99, 23.55, 11.51, 28.22, 44.94, 35.02, 4.34],
        [69.26, 69.96, 62.98, 58.13, 58.17, 27.67, 70.85],
    ),
    "Case 6": (
        [46.7, 56.07, 32.28, 36.7, 59.93, 12.05, 34.95],
        [75.18, 92.15, 85.84, 83.33, 81.16, 74.86, 86.54, 74.96, 87.13],
    ),
    "Case 7": (
        [52.32, 51.99, 65.23, 57.28, 67.55, 57.62, 55.46],
        [78.31, 89.4, 72.35, 86.59, 81.79, 89.57, 84.11],
    ),
    "Case 8": (
        [58.06, 65.79, 52.63, 72.37, 81.91, 71.38, 73.52, 70.56],
        [45.39, 77.14, 71.88, 77.14, 87.01, 84.7, 74.18, 54.11, 74.67, 76.15, 83.39],
    ),
    "Case 9": (
        [41.36, 73.04, 47.25, 67.13, 62.1, 56.91, 66.66, 51, 72.87, 48.41, 16.96],
        [81.37, 86.48, 69.98, 78.41, 72.21, 70.51, 67.47, 84.53, 81],
    ),
}

#: Schutte, Malouff & Brown 2008, Behav Modif 32:323: weekly fatigue score of people in a
#: cognitive-behavioural treatment; their fourth participant is left out, as in Pustejovsky,
#: Hedges & Shadish 2014.
SCHUTTE_2008: dict[str, Phases] = {
    "Case 1": ([57, 52, 46, 48, 61], [52, 58, 45, 59, 51, 48, 48]),
    "Case 2": ([53, 54, 51, 46, 45, 45, 46, 54], [49, 42.5, 27, 22, 17, 13, 14]),
    "Case 3": ([58, 57], [45, 34, 33, 36, 39, 26, 25]),
    "Case 5": ([40, 45, 43, 44, 46, 49, 47, 44], [47, 55, 52, 54, 49, 50, 53]),
    "Case 6": ([39, 32, 37, 36, 36], [34, 27, 32, 31, 29, 29, 29]),
    "Case 7": ([52, 47, 51, 50, 50], [56, 55, 52, 52, 54, 52, 49]),
    "Case 8": ([61, 56, 55, 53, 52, 52, 53, 57], [56, 57]),
    "Case 9": ([40, 42], [42, 38, 36, 31, 49, 45, 41]),
    "Case 10": ([49, 55], [45, 55, 63, 25, 33, 19, 26]),
    "Case 11": ([45, 45, 46, 47, 50, 46, 46, 51], [50, 51, 48, 50, 51, 53, 51]),
    "Case 12": ([49, 49, 51, 48, 50], [47]),
    "Case 13": ([59, 57, 57, 60, 60], [60, 59, 60, 61, 60, 59, 60]),
}

#: Parker, Vannest & Davis 2011, Behav Modif 35:303: worked example.
PARKER_NAP_2011: Phases = ([20, 20, 26, 25, 22, 23], [28, 25, 24, 27, 30, 30, 29])
#: Parker, Vannest, Davis & Sauber 2011, Behav Ther 42:284: worked example.
TAU_U_2011: Phases = ([3, 3, 4, 5], [4, 5, 6, 7, 7])
#: Tarlow 2017, Behav Modif 41:427: a trend that treatment does not change.
TARLOW_2017: Phases = ([1, 2, 3, 4, 5], [6, 7, 8, 9, 10])


def frame(series: dict[str, Phases]) -> pd.DataFrame:
    """Rows of readings with client, week, phase, value."""
    rows = []
    for client, (baseline, treatment) in series.items():
        for week, value in enumerate([*baseline, *treatment], start=1):
            phase = "baseline" if week <= len(baseline) else "treatment"
            rows.append({"client": client, "week": week, "phase": phase, "value": float(value)})
    return pd.DataFrame(rows)
