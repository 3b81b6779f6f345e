"""Rule about raters who prefer certain last digits.

Read to one degree, one value in five ends in 0 or 5. A rater whose values end so far more often
rounds, and rounding to steps of h adds error with the standard deviation h / sqrt(12), that of a
uniform distribution of width h (common practice; no study of digit preference in goniometry was
found).
"""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist

import numpy as np
import pandas as pd

from outcomes.records.cleaning.findings import WHOLE, findings, none_found
from outcomes.records.cleaning.records import Records

__all__ = ["digit_preference", "wilson"]

#: Readings needed before a rater's digits are judged.
ENOUGH = 40
#: Share of last digits 0 and 5 that is asked about; 0.2 is expected.
SHARE = 0.4
EXPECTED = 0.2
#: Level of the test: a clinic has few raters, and a false question costs trust.
LEVEL = 0.999


def digit_preference(records: Records) -> pd.DataFrame:
    """Ask about raters whose readings end in 0 or 5 far more often than one in five.

    Steps are those of the measure's resolution: degrees, or tenths of a centimetre.
    """
    step = np.where(records.of_measure("resolution") > 0, records.of_measure("resolution"), 1.0)
    reports = records.of_measure("self_report").astype(bool)
    steps = records.value / step
    whole = np.abs(steps - np.round(steps)) < 1e-6
    usable = whole & ~reports & (records.code("rater") > 0) & (records.code("measure") > 0)
    if not usable.any():
        return none_found()
    fifth = np.mod(np.round(steps), 5) == 0
    unit_code, units = pd.factorize(records.of_measure("unit"))
    parts = []
    raters = records.words("rater")
    key = records.code("rater") * len(units) + unit_code
    n = np.bincount(key[usable], minlength=(len(raters) + 1) * len(units))
    k = np.bincount(key[usable & fifth], minlength=len(n))
    for at in np.flatnonzero(n >= ENOUGH):
        low, _ = wilson(int(k[at]), int(n[at]), LEVEL)
        share = k[at] / n[at]
        if share < SHARE or low <= EXPECTED:
            continue
        rater, unit = raters[at // len(units) - 1], str(units[at % len(units)])
        low95, high95 = wilson(int(k[at]), int(n[at]), 0.95)
        coarse = 5 * float(step[usable & (key == at)].max())
        parts.append(
            findings(
                "measurements",
                [WHOLE],
                f"of {n[at]:,} readings of rater {rater}, {share:.0%} end in 0 or 5 (95% interval "
                f"{low95:.0%} to {high95:.0%}) where {EXPECTED:.0%} would by chance; rounding to "
                f"{coarse:g} {unit} adds {coarse / sqrt(12):.2g} {unit} of error",
                column="rater",
                old=rater,
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else none_found()


def wilson(count: int, n: int, level: float) -> tuple[float, float]:
    """Wilson interval of a share.

    Examples
    --------
    >>> low, high = wilson(81, 263, 0.95)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)

    Checked against: Newcombe 1998, Stat Med 17:857, 81/263.
    """
    z = NormalDist().inv_cdf((1 + level) / 2)
    share = count / n
    middle = share + z * z / (2 * n)
    half = z * sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)
