"""Correct digits of F on the eleven one-way files of the NIST Statistical Reference Datasets.

Each file is read twice: as plain doubles, and as exact decimals from which the mean is taken before
they become doubles. SmLs07 to SmLs09 carry an offset of 10^12 at one decimal: doubles of that size
are 1.2e-4 apart, so as doubles the data themselves hold about four digits of F, whatever is done
afterwards.

Certified values: NIST/ITL StRD, as carried with scipy's tests. Digits: minus the decimal logarithm
of the relative error, at most 15.

Run: python tests/evidence/repeatability_nist_anova.py
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import scipy

from outcomes.statistics.repeatability.analysis_of_variance import one_way

FOLDER = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"


def read(path: Path) -> tuple[float, list[str], list[str]]:
    """Certified F, groups, and readings as text."""
    lines = path.read_text().splitlines()
    line = next(one for one in lines if one.startswith("Between"))
    data = [line.split() for line in lines[60:] if line.strip()]
    return float(line.split()[-1]), [row[0] for row in data], [row[1] for row in data]


def digits(found: float, certified: float) -> float:
    """Correct decimal digits, at most 15."""
    error = abs(found - certified) / certified
    return 15.0 if error < 1e-15 else float(-np.log10(error))


def table() -> list[tuple[str, float, float, float]]:
    """File, certified F, digits from doubles, digits from decimals centred first."""
    rows = []
    for path in sorted(FOLDER.glob("*.dat")):
        certified, groups, texts = read(path)
        plain = one_way([float(text) for text in texts], groups).statistic
        exact = [Fraction(text) for text in texts]
        centre = sum(exact) / len(exact)
        centred = one_way([float(value - centre) for value in exact], groups).statistic
        rows.append((path.stem, certified, digits(plain, certified), digits(centred, certified)))
    return rows


if __name__ == "__main__":
    print(f"{'file':8} {'certified F':>20} {'doubles':>8} {'centred first':>14}")
    for name, certified, plain, centred in table():
        print(f"{name:8} {certified:20.12f} {plain:8.1f} {centred:14.1f}")
